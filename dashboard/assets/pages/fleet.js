// The fleet page: the table holds the rows that match every filter above it.
(function () {
  "use strict";
  const { byId, meterPath, open } = window.slopewatch;
  const context = () => window.dash_clientside.callback_context;

  // Shows what was chosen before; what the list no longer has does not count.
  function inList(name, value) {
    const list = byId(name);
    const has = list && Array.from(list.options).some((option) => option.value === value);
    if (list) list.value = has ? value : "";
    return has && value ? value : null;
  }

  function filterFleet(rows, words, statuses, groupChosen, riderChosen) {
    const group = inList("fleet-group", groupChosen);
    const rider = inList("fleet-rider", riderChosen);
    const wanted = (words || "").toLowerCase().split(/\s+/).filter(Boolean);
    const chosen = statuses || [];
    const kept = (rows || []).filter(
      (row) =>
        (!chosen.length || chosen.includes(row.status)) &&
        (!group || row.group === group) &&
        (!rider || row.rider_id === rider) &&
        wanted.every((word) => row.haystack.includes(word))
    );
    const all = (rows || []).length;
    const filtered = kept.length !== all;
    const text = filtered ? kept.length + " of " + all + " meters" : all + " meters";
    const buttons = context().outputs_list[3];
    const pressed = buttons.map((button) => String(chosen.includes(button.id.status)));
    return [kept, text, !filtered, pressed];
  }

  function toggleStatuses() {
    const no = window.dash_clientside.no_update;
    const before = arguments[arguments.length - 1] || [];
    const trigger = context().triggered_id;
    const clicked = context().triggered.some((t) => t.value);
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
    if (cell && !String(window.getSelection())) open(meterPath(cell.rowId));
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

  Object.assign(window.dash_clientside.slopewatch, {
    filterFleet: filterFleet,
    toggleStatuses: toggleStatuses,
    openClicked: openClicked,
    saveCsv: saveCsv,
  });
})();
