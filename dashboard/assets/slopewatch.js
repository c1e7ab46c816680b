// What runs in the browser: theme, links, charts in the theme's colours, table cells.
// Named functions only: the content policy allows no evaluated code.
(function () {
  "use strict";
  const THEMES = ["auto", "light", "dark"];
  const KEY = "slopewatch-theme";
  const system = window.matchMedia("(prefers-color-scheme: dark)");

  // ---- theme ---------------------------------------------------------------------------
  function chosen() {
    try {
      return localStorage.getItem(KEY) || "auto";
    } catch (error) {
      return "auto";
    }
  }

  function choose(name) {
    try {
      if (name === "auto") localStorage.removeItem(KEY);
      else localStorage.setItem(KEY, name);
    } catch (error) {
      // private window: the choice lasts until the page is closed
    }
    if (name === "auto") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = name;
    return name;
  }

  function effective(name) {
    return name === "auto" ? (system.matches ? "dark" : "light") : name;
  }

  system.addEventListener("change", function () {
    if (window.dash_clientside && window.dash_clientside.set_props) {
      window.dash_clientside.set_props("theme", { data: effective(chosen()) });
    }
  });

  function switchTheme(clicks) {
    let name = chosen();
    if (clicks) name = choose(THEMES[(THEMES.indexOf(name) + 1) % THEMES.length]);
    return ["Colours: " + name, effective(name)];
  }

  // ---- pages ---------------------------------------------------------------------------
  let arrived = false;

  function arrive(title) {
    if (title) document.title = title;
    if (arrived) {
      window.scrollTo(0, 0);
      const main = document.getElementById("page");
      if (main) main.focus({ preventScroll: true });
    }
    arrived = true;
  }

  function go(href) {
    window.dash_clientside.set_props("place", { href: href });
  }

  document.addEventListener("click", function (event) {
    const link = event.target.closest ? event.target.closest("a.inner") : null;
    if (!link || event.defaultPrevented || event.button !== 0) return;
    if (event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
    event.preventDefault();
    go(link.getAttribute("href"));
  });

  // The browser's own date field, where the reader opens it: Dash has none.
  document.addEventListener(
    "toggle",
    function (event) {
      const place = event.target.querySelector && event.target.querySelector("#as-of-place");
      if (!place || !event.target.open || place.firstChild) return;
      const field = document.createElement("input");
      field.type = "date";
      field.id = "as-of-day";
      field.value = place.dataset.day;
      field.addEventListener("keydown", function (pressed) {
        if (pressed.key === "Enter") document.getElementById("as-of-show").click();
      });
      place.appendChild(field);
    },
    true
  );

  function lookFrom(clicks) {
    const field = document.getElementById("as-of-day");
    if (!clicks || !field || !field.value) return window.dash_clientside.no_update;
    return "?as_of=" + field.value;
  }

  // ---- what the server refuses -----------------------------------------------------------
  // A sign-in that has ended, a file too large: said in the page, which keeps what was typed.
  const ask = window.fetch;

  function refusal(status, text) {
    if (status === 401) {
      return [
        "Your sign-in has ended; what you typed is still here. ",
        {
          namespace: "dash_html_components",
          type: "A",
          props: { href: "/sign-in", target: "_blank", children: "Sign in" },
        },
        " in another tab, then go on in this one.",
      ];
    }
    return text;
  }

  window.fetch = function () {
    return ask.apply(window, arguments).then(function (answer) {
      if ([401, 403, 413, 421].includes(answer.status) && window.dash_clientside.set_props) {
        answer
          .clone()
          .text()
          .then((text) =>
            window.dash_clientside.set_props("shell-notice", {
              children: refusal(answer.status, text),
            })
          );
      }
      return answer;
    });
  };

  // ---- charts --------------------------------------------------------------------------
  // A figure comes in the light theme's colours; each is a role, so another theme's value
  // of the same role can stand in for it.
  function recolour(value, swap) {
    if (typeof value === "string") return swap[value] || value;
    if (Array.isArray(value)) return value.map((item) => recolour(item, swap));
    if (value && typeof value === "object") {
      const out = {};
      for (const key of Object.keys(value)) out[key] = recolour(value[key], swap);
      return out;
    }
    return value;
  }

  function paint(source, theme, palettes) {
    if (!source) return window.dash_clientside.no_update;
    const swap = {};
    for (const role of Object.keys(palettes.light)) {
      swap[palettes.light[role]] = palettes[theme || "light"][role];
    }
    const figure = recolour(source.figure, swap);
    if (window.innerWidth < 600) narrow(figure.layout);
    if (window.matchMedia("(pointer: coarse)").matches) figure.layout.dragmode = false;
    return {
      namespace: "dash_core_components",
      type: "Graph",
      props: Object.assign({}, source, { figure: figure }),
    };
  }

  function narrow(layout) {
    layout.margin = Object.assign({}, layout.margin, { l: 40, r: 10 });
    for (const axis of Object.keys(layout).filter((key) => /^xaxis/.test(key))) {
      layout[axis].nticks = 5;
    }
  }

  // ---- tables --------------------------------------------------------------------------
  const MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");

  function day(iso) {
    const found = /^(\d{4})-(\d{2})-(\d{2})/.exec(iso || "");
    if (!found) return "\u2014";
    return Number(found[3]) + "\u00a0" + MONTHS[found[2] - 1] + "\u00a0" + found[1];
  }

  function shown(params, field) {
    return (params.data && params.data[field]) || "\u2014";
  }

  // Sheds the columns that the table's own width has no room for.
  function fit(params) {
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

  function openRow(params) {
    const key = params.event && params.event.key;
    if (key === "Enter" && params.data && params.data.href) go(params.data.href);
  }

  function byUrgency(a, b) {
    const order = ["out", "due", "soon", "unknown", "ok"];
    return order.indexOf(a) - order.indexOf(b);
  }

  const make = function () {
    return window.React.createElement.apply(null, arguments);
  };

  function StatusCell(props) {
    const status = props.value || "unknown";
    const alarms = props.data.alarms || [];
    const words = "Alarm: " + alarms.join("; ");
    return make(
      "span",
      null,
      make(
        "span",
        { className: "badge badge-" + status },
        make("span", { className: "glyph glyph-" + status, "aria-hidden": true }),
        props.data.status_word
      ),
      alarms.length
        ? make("span", { className: "glyph glyph-alarm", role: "img", "aria-label": words, title: words })
        : null
    );
  }

  function DeviceCell(props) {
    if (!props.data.href) return props.value;
    return make("a", { className: "inner", href: props.data.href }, props.value);
  }

  function BarCell(props) {
    const place = props.data.bar;
    if (!place) return "\u2014";
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
    return make(
      "div",
      { className: "why" },
      (props.data.alarms || []).map((alarm, n) =>
        make(
          "div",
          { className: "why-alarm", key: n },
          make("span", { className: "glyph glyph-alarm", "aria-hidden": true }),
          alarm
        )
      ),
      props.value
    );
  }

  // ---- lists to choose from --------------------------------------------------------------
  document.addEventListener("change", function (event) {
    if (!event.target.classList || !event.target.classList.contains("choice")) return;
    const chosenNow = event.target.value || null;
    window.dash_clientside.set_props(event.target.id + "-chosen", { data: chosenNow });
  });

  // Shows what was chosen before; what the list no longer has does not count.
  function inList(name, value) {
    const list = document.getElementById(name);
    const has = list && Array.from(list.options).some((option) => option.value === value);
    if (list) list.value = has ? value : "";
    return has && value ? value : null;
  }

  // ---- the fleet page ------------------------------------------------------------------
  // The table holds the rows that match every filter above it.
  function filterFleet(rows, words, statuses, groupChosen, riderChosen) {
    const group = inList("fleet-group", groupChosen);
    const rider = inList("fleet-rider", riderChosen);
    const wanted = (words || "").toLowerCase().split(/\s+/).filter(Boolean);
    const chosenNow = statuses || [];
    const kept = (rows || []).filter(
      (row) =>
        (!chosenNow.length || chosenNow.includes(row.status)) &&
        (!group || row.group === group) &&
        (!rider || row.rider_id === rider) &&
        wanted.every((word) => row.haystack.includes(word))
    );
    const all = (rows || []).length;
    const filtered = kept.length !== all;
    const text = filtered ? kept.length + " of " + all + " meters" : all + " meters";
    const buttons = window.dash_clientside.callback_context.outputs_list[3];
    const pressed = buttons.map((button) => String(chosenNow.includes(button.id.status)));
    return [kept, text, !filtered, pressed];
  }

  function toggleStatuses() {
    const no = window.dash_clientside.no_update;
    const before = arguments[arguments.length - 1] || [];
    const trigger = window.dash_clientside.callback_context.triggered_id;
    const clicked = window.dash_clientside.callback_context.triggered.some((t) => t.value);
    if (!trigger || !clicked) return [no, no, no, no];
    if (trigger === "fleet-clear") return [[], "", null, null];
    const status = trigger.status;
    const after = before.includes(status)
      ? before.filter((name) => name !== status)
      : before.concat([status]);
    return [after, no, no, no];
  }

  // A click opens the meter, unless it ended a selection of text to copy.
  function openClicked(cell) {
    if (!cell || String(window.getSelection())) return;
    const asked = new URLSearchParams(window.location.search).get("as_of");
    const query = asked ? "?as_of=" + encodeURIComponent(asked) : "";
    go("/meter/" + encodeURIComponent(cell.rowId) + query);
  }

  function saveCsv(clicks) {
    if (!clicks) return;
    window.dash_ag_grid.getApi("fleet-grid").exportDataAsCsv({
      fileName: "fleet.csv",
      allColumns: true,
      processCellCallback: function (cell) {
        const value = cell.value;
        if (typeof value === "string" && /^[=+\-@\t\r]/.test(value)) return "'" + value;
        return Array.isArray(value) ? "" : value;
      },
    });
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.slopewatch = {
    arrive: arrive,
    switchTheme: switchTheme,
    lookFrom: lookFrom,
    paint: paint,
    filterFleet: filterFleet,
    toggleStatuses: toggleStatuses,
    openClicked: openClicked,
    saveCsv: saveCsv,
  };
  window.dashAgGridFunctions = window.dashAgGridFunctions || {};
  window.dashAgGridFunctions.slopewatch = {
    day: day,
    shown: shown,
    fit: fit,
    openRow: openRow,
    byUrgency: byUrgency,
  };
  window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {};
  Object.assign(window.dashAgGridComponentFunctions, {
    StatusCell: StatusCell,
    DeviceCell: DeviceCell,
    BarCell: BarCell,
    WhyCell: WhyCell,
  });
})();
