// The budget's what-if: what is filled in becomes the address, so that it can be sent on.
(function () {
  "use strict";
  const { around, filledIn, open } = window.slopewatch;
  const PERIOD = ["from", "to"];
  const FIELDS = [...PERIOD, "tolerance", "target", "slots", "visits", "spend", "race", "training"];

  const ask = (names) => open("/budget", filledIn("budget", names));

  document.addEventListener("click", function (event) {
    if (around(event, "#budget-again")) ask(FIELDS);
    if (around(event, "#budget-reset")) ask(PERIOD);
    if (around(event, "#budget-print")) window.print();
  });

  document.addEventListener("keydown", function (event) {
    const inside = around(event, ".budget .filters");
    if (inside && event.key === "Enter" && event.target.tagName === "INPUT") ask(FIELDS);
  });
})();
