// A bench session on one line of percent: what is tolerated, what was expected, what each hanging
// says and what they come to. The figures of a stored session use the same marks.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});
  const SVG = "http://www.w3.org/2000/svg";
  const WIDTH = 600;
  const HEIGHT = 112;
  const LINE = 58; // where the hangings stand; above it what they come to, below what was expected
  const signed = (value) => bench.show(value, 2, true) + "\u00a0%";

  function mark(name, attributes, text) {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text) made.textContent = text;
    return made;
  }

  // A whole percent that all of it fits in, the limits with some room beside them.
  function reach(told) {
    const far = [1.4 * told.limit, ...told.hangings, told.found - told.u, told.found + told.u, ...(told.forecast || [])];
    if (told.left !== null) far.push(told.left);
    return 1.06 * Math.max(...far.map(Math.abs));
  }

  function words(told) {
    const forecast = told.forecast ? ", expected " + signed(told.forecast[0]) + " to " + signed(told.forecast[1]) : "";
    return "Found " + signed(told.found) + " \u00b1\u00a0" + bench.show(told.u, 2) + "\u00a0%" + forecast + ", tolerated \u00b1\u00a0" + bench.show(told.limit, 1) +
      "\u00a0%; the hangings say " + told.hangings.map((one) => bench.show(one, 2, true)).join(", ") + "\u00a0%" + (told.left === null ? "." : "; as left " + signed(told.left) + ".");
  }

  // told: limit, hangings [%], found, u (its half interval), forecast [low, high] or null, left or null
  bench.errorLine = function (told) {
    const most = reach(told);
    const x = (value) => (WIDTH / 2) * (1 + value / most);
    const drawn = mark("svg", { viewBox: "0 0 " + WIDTH + " " + HEIGHT, role: "img", class: "bench-line", "aria-label": words(told) });
    const bar = (low, high, y, height, name) => mark("rect", { x: x(low), y: y, width: Math.max(x(high) - x(low), 2), height: height, class: name });
    drawn.append(bar(-told.limit, told.limit, 12, 74, "line-tolerated"));
    for (const end of [-told.limit, told.limit]) {
      drawn.append(mark("line", { x1: x(end), x2: x(end), y1: 12, y2: 86, class: "line-limit" }));
      drawn.append(mark("text", { x: x(end), y: 104, "text-anchor": "middle" }, signed(end).replace(/\.?0+\u00a0/, "\u00a0")));
    }
    drawn.append(mark("text", { x: x(0), y: 104, "text-anchor": "middle" }, "0"));
    drawn.append(mark("line", { x1: 0, x2: WIDTH, y1: LINE, y2: LINE, class: "line-rule" }));
    drawn.append(mark("line", { x1: x(0), x2: x(0), y1: LINE - 8, y2: LINE + 8, class: "line-rule" }));
    if (told.forecast) drawn.append(bar(told.forecast[0], told.forecast[1], LINE + 12, 9, "line-forecast"));
    for (const one of told.hangings) drawn.append(mark("circle", { cx: x(one), cy: LINE, r: 6, class: "line-hanging" }));
    drawn.append(bar(told.found - told.u, told.found + told.u, 31, 4, "line-found"));
    drawn.append(mark("path", { d: "M" + x(told.found) + " 24 l8 9 -8 9 -8 -9 z", class: "line-found" }));
    if (told.left !== null) drawn.append(mark("path", { d: "M" + x(told.left) + " 24 l8 9 -8 9 -8 -9 z", class: "line-left" }));
    const key = "Circles: each hanging. Filled lozenge: what they come to, \u00b1\u00a0U" + (told.left === null ? "" : "; hollow: as left") + "." + (told.forecast ? " Bar below: the forecast, 90\u00a0%." : "") + " Shaded: tolerated.";
    return bench.h("figure", { class: "bench-line-part" }, drawn, bench.h("figcaption", { class: "bench-hint" }, key));
  };
})();
