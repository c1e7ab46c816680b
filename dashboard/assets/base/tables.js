// What a table's cells and columns show, and which columns there is room for.
(function () {
  "use strict";
  const MISSING = "\u2014";
  const MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");
  const URGENCY = ["out", "due", "soon", "unknown", "ok"];

  function day(iso) {
    const found = /^(\d{4})-(\d{2})-(\d{2})/.exec(iso || "");
    if (!found) return MISSING;
    return Number(found[3]) + "\u00a0" + MONTHS[found[2] - 1] + "\u00a0" + found[1];
  }

  function shown(params, field) {
    return (params.data && params.data[field]) || MISSING;
  }

  // Sheds the columns that the table's own width has no room for.
  function fit(params) {
    if (params.api.isDestroyed()) {
      return; // its page was left, or its rows were drawn anew, before this was called
    }
    const width = params.clientWidth;
    const show = [];
    const hide = [];
    for (const column of params.api.getColumns() || []) {
      const since = (column.getColDef().context || {}).since || 0;
      (width >= since ? show : hide).push(column.getColId());
    }
    params.api.setColumnsVisible(show, true);
    params.api.setColumnsVisible(hide, false);
  }

  Object.assign(window.dashAgGridFunctions.slopewatch, {
    day: day,
    shown: shown,
    fit: fit,
    byUrgency: (a, b) => URGENCY.indexOf(a) - URGENCY.indexOf(b),
  });

  // ---- cells ---------------------------------------------------------------------------
  const make = function () {
    return window.React.createElement.apply(null, arguments);
  };

  function glyph(name) {
    return make("span", { className: "glyph glyph-" + name, "aria-hidden": true });
  }

  function StatusCell(props) {
    const status = props.value || "unknown";
    const alarms = props.data.alarms || [];
    const words = "Alarm: " + alarms.join("; ");
    const bell = { className: "glyph glyph-alarm", role: "img", "aria-label": words, title: words };
    return make(
      "span",
      null,
      make("span", { className: "badge badge-" + status }, glyph(status), props.data.status_word),
      alarms.length ? make("span", bell) : null
    );
  }

  function DeviceCell(props) {
    if (!props.data.href) return props.value;
    return make("a", { className: "inner", href: props.data.href }, props.value);
  }

  function BarCell(props) {
    const place = props.data.bar;
    if (!place) return MISSING;
    const width = Math.max(1, place[2] - place[0]);
    return make(
      "div",
      { className: "bar", title: props.data.bar_text },
      make("span", { className: "bar-limit" }),
      make("span", { className: "bar-span", style: { left: place[0] + "%", width: width + "%" } }),
      make("span", { className: "bar-dot", style: { left: place[1] + "%" } })
    );
  }

  function WhyCell(props) {
    const alarms = props.data.alarms || [];
    return make(
      "div",
      { className: "why" },
      alarms.map((alarm, n) =>
        make("div", { className: "why-alarm", key: n }, glyph("alarm"), alarm)
      ),
      props.value
    );
  }

  Object.assign(window.dashAgGridComponentFunctions, {
    StatusCell: StatusCell,
    DeviceCell: DeviceCell,
    BarCell: BarCell,
    WhyCell: WhyCell,
  });
})();
