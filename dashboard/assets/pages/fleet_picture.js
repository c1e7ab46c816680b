// The fleet in one picture: a line a meter, as parts of its own tolerance, the lowest first.
// One path a state, whatever the fleet's size; what lies under the pointer follows from its place.
(function () {
  "use strict";
  const { byId, meterPath, open } = window.slopewatch;
  const SPACE = "http://www.w3.org/2000/svg";
  const STATES = ["ok", "unknown", "soon", "due", "out"]; // the last is drawn on top
  const EDGE = 34; // left of the picture, for the words at the limits
  const HEIGHT = 112;
  const TOLERANCE = 100 / 6; // half the tolerance strip on the scale of a row's `bar`
  let rows = [];
  let place = null;

  // Each state's mark around a point, r its half width; drawn as the legend has it.
  const MARKS = {
    out: (x, y, r) => `M${x} ${y - r * 1.4}l${r * 1.4} ${r * 1.4}l${-r * 1.4} ${r * 1.4}l${-r * 1.4} ${-r * 1.4}z`,
    due: (x, y, r) => `M${x - r} ${y - r}h${2 * r}v${2 * r}h${-2 * r}z`,
    soon: (x, y, r) => `M${x} ${y - r}l${r * 1.15} ${2 * r}h${-2.3 * r}z`,
    unknown: (x, y, r) => ring(x, y, r),
    ok: (x, y, r) => ring(x, y, r * 0.7),
  };

  function ring(x, y, r) {
    return `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0z`;
  }

  function element(name, attributes, text) {
    const made = document.createElementNS(SPACE, name);
    for (const key of Object.keys(attributes)) made.setAttribute(key, attributes[key]);
    if (text) made.textContent = text;
    return made;
  }

  // How far the picture reaches from its middle: what the meters need, never less than the strip.
  function reach() {
    const far = rows.map((row) => Math.max(row.bar[2] - 50, 50 - row.bar[0]));
    return Math.min(50, Math.max(1.25 * TOLERANCE, ...far.map((one) => one * 1.06)));
  }

  function drawn(width) {
    const step = (width - EDGE - 6) / Math.max(rows.length, 1);
    const scale = HEIGHT / 2 / (rows.length ? largest : 1.5 * TOLERANCE);
    return {
      step: step,
      x: (n) => +(EDGE + (n + 0.5) * step).toFixed(1),
      y: (bar) => +(HEIGHT / 2 - (bar - 50) * scale).toFixed(1),
      r: Math.max(2, Math.min(5.5, 0.4 * step)),
    };
  }
  let largest = 50;

  function strip(at, width) {
    const [top, bottom] = [at.y(50 + TOLERANCE), at.y(50 - TOLERANCE)];
    const across = { x1: EDGE, x2: width - 6 };
    return [
      element("rect", { x: EDGE, y: top, width: width - EDGE - 6, height: bottom - top, class: "strip" }),
      element("line", Object.assign({ y1: at.y(50), y2: at.y(50), class: "middle" }, across)),
      element("text", { x: EDGE - 6, y: top + 4 }, "high"),
      element("text", { x: EDGE - 6, y: bottom + 4 }, "low"),
    ];
  }

  function ofState(state, at) {
    let lines = "";
    let marks = "";
    rows.forEach(function (row, n) {
      if (row.status !== state) return;
      lines += `M${at.x(n)} ${at.y(row.bar[2])}V${at.y(row.bar[0])}`;
      marks += MARKS[state](at.x(n), at.y(row.bar[1]), at.r);
    });
    if (!lines) return [];
    return [
      element("path", { d: lines, class: "reach ink-" + state }),
      element("path", { d: marks, class: "mark-" + state + " ink-" + state }),
    ];
  }

  function draw() {
    const width = place.clientWidth;
    if (!width) return;
    largest = reach();
    const at = drawn(width);
    const picture = element("svg", { width: width, height: HEIGHT, class: at.step < 8 ? "dense" : "" });
    const pointed = element("line", { y1: 0, y2: HEIGHT, class: "pointed", visibility: "hidden" });
    picture.append(...strip(at, width), pointed, ...STATES.flatMap((state) => ofState(state, at)));
    place.replaceChildren(picture);
    picture.addEventListener("pointermove", (event) => point(event, at, pointed));
    picture.addEventListener("pointerleave", () => point(null, at, pointed));
    picture.addEventListener("click", function (event) {
      const row = under(event, at);
      if (row) open(meterPath(row.meter_id));
    });
  }

  function under(event, at) {
    const x = event.clientX - place.getBoundingClientRect().left - EDGE;
    return rows[Math.floor(x / at.step)];
  }

  // Says in the line above the picture what lies under the pointer.
  function point(event, at, pointed) {
    const row = event && under(event, at);
    const told = byId("fleet-picture-told");
    told.dataset.else = told.dataset.else || told.textContent;
    const said = row && [row.meter_id, row.status_word, row.error_text, row.bar_text, row.short_action];
    told.textContent = row ? said.filter(Boolean).join(" · ") : told.dataset.else;
    pointed.setAttribute("visibility", row ? "visible" : "hidden");
    if (!row) return;
    const x = at.x(rows.indexOf(row));
    pointed.setAttribute("x1", x);
    pointed.setAttribute("x2", x);
  }

  const resized = new ResizeObserver(() => place && place.isConnected && draw());

  window.slopewatch.drawFleet = function (kept) {
    rows = kept.filter((row) => row.bar).sort((a, b) => a.bar[1] - b.bar[1]);
    const here = byId("fleet-picture");
    if (!here) return;
    if (here !== place) {
      resized.disconnect();
      place = here;
      resized.observe(place);
    }
    draw();
  };
})();
