// Fields that Dash does not have: a div.date-field becomes the browser's own date field.
(function () {
  "use strict";

  function fill(place) {
    if (place.firstChild) return;
    const field = document.createElement("input");
    field.type = "date";
    field.id = place.dataset.name;
    field.value = place.dataset.day || "";
    place.appendChild(field);
  }

  new MutationObserver(function () {
    document.querySelectorAll(".date-field:empty").forEach(fill);
  }).observe(document, { childList: true, subtree: true });
})();
