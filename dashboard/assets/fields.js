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

  // Where the page keeps a store NAME-chosen, it hears of the day at once.
  document.addEventListener("change", function (event) {
    const place = event.target.closest ? event.target.closest(".date-field") : null;
    if (!place || place.dataset.told === undefined) return;
    const day = event.target.value || null;
    window.dash_clientside.set_props(place.dataset.name + "-chosen", { data: day });
  });

  new MutationObserver(function () {
    document.querySelectorAll(".date-field:empty").forEach(fill);
  }).observe(document, { childList: true, subtree: true });
})();
