// The fleet page: the table and the picture hold the meters that match every filter; what is
// chosen stands in the address, so that it can be sent to someone.
(function () {
  "use strict";
  const { around, byId, meterPath, open, set } = window.slopewatch;
  const context = () => window.dash_clientside.callback_context;
  const no = () => window.dash_clientside.no_update;
  const MORE = " more";
  const ON_A_PHONE = { status: 92, meter_id: 64, gain_error_pct: 82 };
  const WIDTH_OF_A_SIGN = 7; // of the small reason below the next step, rather more than less
  let kept = []; // the rows that match
  let opened = new Set(); // the meters that more is shown of
  const heights = new Map(); // of what is shown of them

  // ---- the address -----------------------------------------------------------------------
  const asked = () => new URLSearchParams(window.location.search);

  function keep(choices) {
    const query = asked();
    for (const name of Object.keys(choices)) {
      if (choices[name]) query.set(name, choices[name]);
      else query.delete(name);
    }
    const text = query.toString();
    const href = window.location.pathname + (text ? "?" + text : "");
    window.history.replaceState(window.history.state, "", href);
  }

  // Three columns are narrower on a phone; a table that is not laid out yet is left alone.
  function setWidths(api, width) {
    if (!width) return;
    const usual = (key) => api.getColumn(key).getColDef().width;
    const widths = Object.keys(ON_A_PHONE).map((key) => ({
      key: key,
      newWidth: width < 480 ? ON_A_PHONE[key] : usual(key),
    }));
    api.setColumnWidths(widths);
  }

  // Once the table is there: the columns that it has room for, the order that is asked for.
  function arrange(api) {
    if (api.isDestroyed()) return;
    const fit = window.dashAgGridFunctions.slopewatch.fit;
    const width = byId("fleet-grid").clientWidth;
    fit({ api: api, clientWidth: width });
    setWidths(api, width);
    const wanted = asked().get("sort");
    if (!wanted) return;
    const down = wanted.startsWith("-");
    const state = { colId: wanted.replace(/^-/, ""), sort: down ? "desc" : "asc" };
    api.applyColumnState({ state: [state], defaultState: { sort: null } });
  }

  function fleetSorted(params) {
    if (params.api.isDestroyed()) return;
    const by = params.api.getColumnState().find((column) => column.sort);
    keep({ sort: by ? (by.sort === "desc" ? "-" : "") + by.colId : null });
  }

  // ---- the filters -----------------------------------------------------------------------
  // At first what the address asks for, then what is pressed.
  function chooseFilters() {
    const before = arguments[arguments.length - 1] || [];
    const trigger = context().triggered_id;
    if (!trigger || trigger === "fleet-rows") {
      const query = asked();
      const status = query.get("status");
      opened = new Set();
      window.dash_ag_grid.getApiAsync("fleet-grid").then(arrange);
      const statuses = status ? status.split(",") : [];
      return [statuses, query.get("q") || "", query.get("group"), query.get("rider")];
    }
    if (!context().triggered.some((t) => t.value)) return [no(), no(), no(), no()];
    if (trigger === "fleet-clear") return [[], "", null, null];
    const after = before.includes(trigger.status)
      ? before.filter((name) => name !== trigger.status)
      : before.concat([trigger.status]);
    return [after, no(), no(), no()];
  }

  // Shows what was chosen before; what the list no longer has does not count.
  function inList(name, value) {
    const list = byId(name);
    const has = list && Array.from(list.options).some((option) => option.value === value);
    if (list) list.value = has ? value : "";
    return has && value ? value : null;
  }

  function haystack(row) {
    const shown = [row.meter_id, row.rider_id, row.bike_id, row.group, row.status, row.also];
    return shown.concat(row.reasons).join(" ").toLowerCase();
  }

  function filterFleet(rows, words, statuses, groupChosen, riderChosen) {
    const group = inList("fleet-group", groupChosen);
    const rider = inList("fleet-rider", riderChosen);
    const wanted = (words || "").toLowerCase().split(/\s+/).filter(Boolean);
    const chosen = statuses || [];
    kept = (rows || []).filter(
      (row) =>
        (!chosen.length || chosen.includes(row.status)) &&
        (!group || row.group === group) &&
        (!rider || row.rider_id === rider) &&
        (!wanted.length || wanted.every((word) => haystack(row).includes(word)))
    );
    keep({ status: chosen.join(","), q: wanted.join(" "), group: group, rider: rider });
    window.slopewatch.drawFleet(kept);
    const all = (rows || []).length;
    const filtered = kept.length !== all;
    const text = filtered ? kept.length + " of " + all + " meters" : all + " meters";
    const buttons = context().outputs_list[3];
    const pressed = buttons.map((button) => String(chosen.includes(button.id.status)));
    return [withMore(), text, !filtered, pressed];
  }

  // ---- more about a meter, below its row -------------------------------------------------
  // The second row has the values of the first, so that it stays below it in every order.
  function withMore() {
    if (!opened.size) return kept;
    return kept.flatMap((row) =>
      opened.has(row.meter_id)
        ? [row, Object.assign({}, row, { meter_id: row.meter_id + MORE, of: row.meter_id })]
        : [row]
    );
  }

  document.addEventListener("click", function (event) {
    const button = around(event, ".more-button");
    if (!button) return;
    const meter = button.dataset.meter;
    if (!opened.delete(meter)) opened.add(meter);
    button.setAttribute("aria-expanded", String(opened.has(meter)));
    set("fleet-grid", { rowData: withMore() });
  });

  const make = function () {
    return window.React.createElement.apply(null, arguments);
  };

  function MoreCell(props) {
    const meter = props.data.meter_id;
    return make("button", {
      className: "more-button",
      type: "button",
      "data-meter": meter,
      "aria-expanded": String(opened.has(meter)),
      "aria-label": "More about " + meter,
    });
  }

  function NextCell(props) {
    const reason = props.data.short_reason;
    return make(
      "span",
      null,
      make("span", { className: "next-step" }, props.value),
      reason ? make("span", { className: "next-reason" }, reason) : null
    );
  }

  function FleetMore(props) {
    const place = window.React.useRef(null);
    window.React.useEffect(function () {
      if (!place.current) return;
      heights.set(props.data.of, place.current.scrollHeight + 1);
      props.node.setRowHeight(heights.get(props.data.of));
      props.api.onRowHeightChanged();
    }, []);
    const row = props.data;
    return make(
      "div",
      { className: "fleet-more", ref: place },
      make("ul", null, row.reasons.map((reason, n) => make("li", { key: n }, reason))),
      row.next_action ? make("p", null, make("b", null, "Next: "), row.next_action) : null
    );
  }

  // ---- the table -------------------------------------------------------------------------
  const fleetIsMore = (params) => Boolean(params.rowNode.data && params.rowNode.data.of);

  // One line a meter where there is room, else as many as its reason needs.
  function fleetRowHeight(params) {
    if (params.data && params.data.of) return heights.get(params.data.of) || 96;
    const width = window.innerWidth;
    if (width >= 1000) return 32;
    const reason = width >= 600 && params.data && params.data.short_reason;
    if (!reason) return 48;
    const room = params.api.getColumn("short_action").getActualWidth() / WIDTH_OF_A_SIGN;
    return 30 + 17 * Math.ceil(reason.length / room);
  }

  function fleetResized(params) {
    if (params.api.isDestroyed()) return;
    setWidths(params.api, params.clientWidth);
    params.api.resetRowHeights();
  }

  // A click opens the meter, unless it ended a selection of text to copy.
  function openClicked(cell) {
    if (!cell || cell.colId === "more" || String(window.getSelection())) return;
    open(meterPath(cell.rowId));
  }

  function saveCsv(clicks) {
    if (!clicks) return;
    const api = window.dash_ag_grid.getApi("fleet-grid");
    const columns = api.getColumns().map((column) => column.getColId());
    api.exportDataAsCsv({
      fileName: "fleet.csv",
      columnKeys: columns.filter((name) => name !== "more"),
      shouldRowBeSkipped: (row) => Boolean(row.node.data.of),
      processCellCallback: function (cell) {
        const value = cell.value;
        if (typeof value === "string" && /^[=+\-@\t\r]/.test(value)) return "'" + value;
        return Array.isArray(value) ? "" : value;
      },
    });
  }

  Object.assign(window.dashAgGridFunctions.slopewatch, {
    fleetIsMore: fleetIsMore,
    fleetResized: fleetResized,
    fleetRowHeight: fleetRowHeight,
    fleetSorted: fleetSorted,
  });
  Object.assign(window.dashAgGridComponentFunctions, {
    FleetMore: FleetMore,
    MoreCell: MoreCell,
    NextCell: NextCell,
  });
  Object.assign(window.dash_clientside.slopewatch, {
    chooseFilters: chooseFilters,
    filterFleet: filterFleet,
    openClicked: openClicked,
    saveCsv: saveCsv,
  });
})();
