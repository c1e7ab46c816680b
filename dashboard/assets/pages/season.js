// The season's board: a visit is dragged to a week, or opened and given one from a list.
(function () {
  "use strict";
  const { around, byId, filledIn, meterPath, open, set } = window.slopewatch;
  let count = 0;

  function move(meter, away, to) {
    count += 1;
    const asked = {
      meter_id: meter,
      away: away || null,
      to: to || null,
      keep: weeksOf(meter).filter((week) => week !== away),
      n: Date.now() + count,
    };
    showMoved(meter, away, to);
    set("season-move", { data: asked });
  }

  // The weeks that the plan has a meter in: those of its visits that are not moved stay.
  function weeksOf(meter) {
    const name = window.CSS.escape(meter);
    const visits = document.querySelectorAll('.week[data-week] .visit[data-meter="' + name + '"]');
    return Array.from(visits).map((visit) => visit.dataset.week);
  }

  // What was asked for is shown at once, over the old plan, which stays greyed until the new one
  // is there. The page's own elements are only marked: they are not this script's to move.
  function showMoved(meter, away, to) {
    const body = byId("season-body");
    const name = window.CSS.escape(meter);
    const from = away && document.querySelector(
      '.week[data-week="' + away + '"] .visit[data-meter="' + name + '"]'
    );
    if (from) from.classList.add("leaving");
    const week = to && document.querySelector('.week[data-week="' + to + '"] .week-visits');
    if (week) {
      const chip = document.createElement("span");
      const told = document.createElement("span");
      chip.className = "visit-coming";
      told.className = "pinned";
      told.textContent = "pinned, planning again";
      chip.append(meter, " ", told);
      week.append(chip);
    }
    if (body) body.classList.add("stale");
    set("season-progress", { children: "Planning again around " + meter + "\u2026" });
  }

  // A move stays when the planning is stopped.
  document.addEventListener("click", function (event) {
    if (!around(event, "#season-stop")) return;
    document.querySelectorAll(".visit-coming .pinned").forEach((told) => {
      told.textContent = "pinned, not planned yet";
    });
  });

  // The new plan is there: what stood for it goes.
  function settled() {
    document.querySelectorAll(".visit-coming").forEach((one) => one.remove());
    document.querySelectorAll(".leaving").forEach((one) => one.classList.remove("leaving"));
    const body = byId("season-body");
    const refused = window.dash_clientside.callback_context.triggered_id === "shell-notice";
    if (body && body.classList.contains("stale")) {
      body.classList.remove("stale");
      if (refused) set("season-progress", { children: "" });
    }
    return null;
  }

  const visitOf = (event) => around(event, ".visit");
  const weekOf = (event) => around(event, ".week[data-week]");

  // ---- dragging ------------------------------------------------------------------------
  let held = null;

  document.addEventListener("dragstart", function (event) {
    const visit = visitOf(event);
    if (!visit) return;
    held = visit.dataset;
    event.dataTransfer.setData("text/plain", held.meter);
    event.dataTransfer.effectAllowed = "move";
  });

  function mark(week) {
    document.querySelectorAll(".week.over").forEach((one) => one.classList.remove("over"));
    if (week) week.classList.add("over");
  }

  document.addEventListener("dragover", function (event) {
    const week = held && weekOf(event);
    mark(week);
    if (week) event.preventDefault();
  });

  document.addEventListener("drop", function (event) {
    const week = held && weekOf(event);
    if (!week) return;
    event.preventDefault();
    if (week.dataset.week !== held.week) move(held.meter, held.week, week.dataset.week);
  });

  document.addEventListener("dragend", function () {
    held = null;
    mark(null);
  });

  // ---- the dialog ----------------------------------------------------------------------
  let opened = null; // the visit in the dialog

  function weeksOffered() {
    return Array.from(document.querySelectorAll(".week[data-week]")).map(function (week) {
      const option = document.createElement("option");
      const free = Number(week.dataset.free);
      const room = week.dataset.closed ? "closed" : free > 0 ? free + " free" : "full";
      option.value = week.dataset.week;
      const days = week.querySelector("time").textContent + " " + week.dataset.week.slice(0, 4);
      const events = eventsOf(week);
      option.textContent = days + " (" + room + ")" + (events ? ": " + events : "");
      return option;
    });
  }

  // What is ridden in a week: "A race Lantern Hills, camp Salt Lakes".
  function eventsOf(week) {
    const said = Array.from(week.querySelectorAll(".event")).map(function (event) {
      const clone = event.cloneNode(true);
      clone.querySelectorAll(".quiet-words").forEach((one) => one.remove());
      return clone.textContent.replace(/\s+/g, " ").replace(/^closed /, "").trim();
    });
    return said.join(", ");
  }

  function warnOfRace() {
    const week = weekNamed(byId("season-visit-week").value);
    const race = week && week.querySelector(".event-a");
    byId("season-visit-warning").textContent = race
      ? "There is an A race in this week. The meter may be away from the bench, and after a change " +
        "of its slope it would race without a ride to check it."
      : "";
  }

  function weekNamed(day) {
    return document.querySelector('.week[data-week="' + day + '"]');
  }

  document.addEventListener("change", function (event) {
    if (event.target.id === "season-visit-week") warnOfRace();
  });

  function show(visit) {
    opened = visit.dataset;
    const who = opened.rider ? opened.meter + ", " + opened.rider : opened.meter;
    byId("season-visit-title").textContent = who;
    byId("season-visit-reason").textContent = opened.reason;
    byId("season-visit-deadline").textContent = opened.deadline || "";
    byId("season-visit-week").replaceChildren(...weeksOffered());
    if (opened.week) byId("season-visit-week").value = opened.week;
    warnOfRace();
    byId("season-unpin").hidden = !opened.pinned;
    byId("season-add").hidden = !opened.week;
    const asOf = window.slopewatch.asOf();
    const address = meterPath(opened.meter) + (asOf ? "?as_of=" + asOf : "");
    byId("season-visit-meter").setAttribute("href", address);
    byId("season-visit").showModal();
  }

  const ACTIONS = {
    "season-pin": function () {
      const to = byId("season-visit-week").value;
      byId("season-visit").close();
      move(opened.meter, opened.week, to);
    },
    "season-add": function () {
      const to = byId("season-visit-week").value;
      byId("season-visit").close();
      if (!weeksOf(opened.meter).includes(to)) move(opened.meter, null, to);
    },
    "season-unpin": function () {
      byId("season-visit").close();
      move(opened.meter, opened.week, null);
    },
    "season-close": function () {
      byId("season-visit").close();
    },
    "season-visit-meter": function () {
      byId("season-visit").close();
    },
    "season-again": function () {
      open("/season", filledIn("season", ["from", "to", "slots"]));
    },
  };

  document.addEventListener("click", function (event) {
    const visit = visitOf(event);
    if (visit) return show(visit);
    const second = around(event, ".second-visit");
    if (second) return move(second.dataset.meter, null, second.dataset.week);
    const unpin = around(event, ".unpin");
    if (unpin) return move(unpin.dataset.meter, unpin.dataset.week, null);
    const named = around(event, "[id]");
    if (named && ACTIONS[named.id]) ACTIONS[named.id]();
  });

  window.dash_clientside.slopewatch.settled = settled;

  // ---- the table of meters without a visit ---------------------------------------------
  function PinCell(props) {
    if (!props.value) return null;
    return window.React.createElement(
      "button",
      {
        className: "quiet visit-less visit",
        "data-meter": props.data.meter_id,
        "data-reason": props.data.reason,
        "data-deadline": "",
        "aria-haspopup": "dialog",
        "aria-label": "Pin " + props.data.meter_id + " to a week",
      },
      props.value
    );
  }

  window.dashAgGridComponentFunctions.PinCell = PinCell;
})();
