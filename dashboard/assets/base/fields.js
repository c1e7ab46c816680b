// Fields that Dash does not have: the browser's own date field, lists that tell what is chosen.
(function () {
  "use strict";
  const { around, byId, set } = window.slopewatch;

  function dateField(place, name) {
    const field = document.createElement("input");
    field.type = "date";
    field.id = name;
    field.value = place.dataset.day || "";
    place.appendChild(field);
    return field;
  }

  new MutationObserver(function () {
    document
      .querySelectorAll(".date-field:empty")
      .forEach((place) => dateField(place, place.dataset.name));
  }).observe(document, { childList: true, subtree: true });

  // Where the page keeps a store NAME-chosen, it hears of a day or a choice at once.
  document.addEventListener("change", function (event) {
    const place = around(event, ".date-field[data-told]");
    const name = place ? place.dataset.name : around(event, ".choice") && event.target.id;
    if (name) set(name + "-chosen", { data: event.target.value || null });
  });

  // ---- the day to look from, where the reader opens it -----------------------------------
  document.addEventListener(
    "toggle",
    function (event) {
      const place = event.target.querySelector && event.target.querySelector("#as-of-place");
      if (!place || !event.target.open || place.firstChild) return;
      dateField(place, "as-of-day").addEventListener("keydown", function (pressed) {
        if (pressed.key === "Enter") byId("as-of-show").click();
      });
    },
    true
  );

  window.dash_clientside.slopewatch.lookFrom = function (clicks) {
    const field = byId("as-of-day");
    if (!clicks || !field || !field.value) return window.dash_clientside.no_update;
    const query = new URLSearchParams(window.location.search);
    query.set("as_of", field.value);
    return "?" + query;
  };
})();
