// The budget's what-if: what is filled in becomes the address, so that it can be sent on.
(function () {
  "use strict";
  const byId = (name) => document.getElementById(name);
  const FIELDS = ["from", "to", "tolerance", "target", "slots"];

  function ask(names) {
    const asked = new URLSearchParams();
    for (const name of names) {
      const field = byId("budget-" + name);
      if (field && field.value) asked.set(name, field.value);
    }
    const asOf = new URLSearchParams(window.location.search).get("as_of");
    if (asOf) asked.set("as_of", asOf);
    window.dash_clientside.set_props("place", { href: "/budget?" + asked.toString() });
  }

  document.addEventListener("click", function (event) {
    if (!event.target.closest) return;
    if (event.target.closest("#budget-again")) ask(FIELDS);
    if (event.target.closest("#budget-reset")) ask(["from", "to"]);
    if (event.target.closest("#budget-print")) window.print();
  });

  document.addEventListener("keydown", function (event) {
    const inside = event.target.closest && event.target.closest(".budget .filters");
    if (inside && event.key === "Enter" && event.target.tagName === "INPUT") ask(FIELDS);
  });
})();
