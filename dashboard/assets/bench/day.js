// The day of a session, its note and what was mended; what else happened to a meter, and when.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});

  // [event, words, what a meter of two sides is asked]
  const EVENTS = [
    ["battery_swap", "Battery swapped"],
    ["crash", "Struck or crashed"],
    ["service", "Serviced or repaired"],
    ["remount", "Taken off and remounted"],
    ["chainring_change", "New chainring"],
    ["firmware_update", "Firmware updated"],
  ];
  const MENDED = [
    ["", "Choose what was done"],
    ["service", "Bolts tightened, cleaned or repaired"],
    ["remount", "Taken off and remounted"],
    ["chainring_change", "Chainring changed"],
    ["firmware_update", "Firmware updated"],
    ["other", "Something else"],
  ];
  const WORDS = Object.fromEntries([...EVENTS, ...MENDED, ["moved", "Moved"], ["crank_change", "New crank"]]);
  const SIDES = [["", "not said, or both"], ["left", "left"], ["right", "right"]];

  function labelled(id, label, control) {
    control.id = id;
    return bench.h("div", { class: "bench-field" }, bench.h("label", { for: id }, label), control);
  }

  // ---- when it was --------------------------------------------------------------------------
  // Day, time and note of a session. Sheets typed in later keep their day; the next meters follow.
  function whenPart(form) {
    const h = bench.h;
    const draft = form.draft;
    const day = h("input", { type: "date", value: bench.localDay(draft.started), max: bench.localDay(Date.now()) });
    const time = h("input", { type: "time", value: bench.localTime(draft.started) });
    const note = h("input", { type: "text", autocomplete: "off", "data-name": "note", value: draft.setup.note || "",
      oninput: (event) => { draft.setup.note = event.target.value; form.changed(); } });
    const says = h("p", { class: "bench-hint", id: "bench-when-says", role: "status" });
    const back = h("button", { type: "button", class: "quiet", id: "bench-to-today", onclick: () => {
      bench.keepSheetDay(null);
      const now = bench.startOf(form.kit);
      day.value = bench.localDay(now);
      time.value = bench.localTime(now);
      moved();
    } }, "Back to today");
    function moved() {
      const dated = bench.date(draft, day.value, time.value);
      day.setAttribute("aria-invalid", String(!dated));
      if (!dated) return;
      const today = bench.localDay(bench.startOf(form.kit));
      const earlier = day.value !== today;
      if (!draft.corrects) bench.keepSheetDay(earlier ? day.value : null);
      tell(earlier);
      form.changed();
    }
    function tell(earlier) {
      says.textContent = draft.corrects ? "This corrects session " + draft.session_id + ". What it said before stays on record."
        : earlier ? "Measured on " + bench.day(day.value) + ": the next meters you type in have that day too." : "";
      back.hidden = draft.corrects || !earlier;
    }
    day.addEventListener("change", moved);
    time.addEventListener("change", moved);
    tell(day.value !== bench.localDay(bench.startOf(form.kit)));
    return h("div", { class: "bench-when" },
      h("div", { class: "bench-grid" }, labelled("bench-day", "Measured on", day), labelled("bench-time", "At", time),
        labelled("bench-note", "Note", note)),
      says, back);
  }

  // What was mended before "after work" was read: an event of its own, with the session's day.
  function mendedPart(form) {
    const h = bench.h;
    const kept = (form.draft.mended = form.draft.mended || { event: "", note: "" });
    const what = h("select", { onchange: (event) => { kept.event = event.target.value; form.changed(); } },
      MENDED.map(([event, words]) => h("option", { value: event }, words)));
    what.value = kept.event;
    const note = h("input", { type: "text", autocomplete: "off", value: kept.note,
      oninput: (event) => { kept.note = event.target.value; form.changed(); } });
    return h("div", { class: "bench-grid" }, labelled("bench-mended", "What was mended", what),
      labelled("bench-mended-note", "In your words", note));
  }

  // ---- what happened --------------------------------------------------------------------------
  function happenedPart(kit, meter) {
    const h = bench.h;
    const started = bench.startOf(kit);
    const day = h("input", { type: "date", value: bench.sheetDay() || bench.localDay(started), max: bench.localDay(Date.now()) });
    const note = h("input", { type: "text", autocomplete: "off" });
    const side = h("select", {}, SIDES.map(([value, words]) => h("option", { value: value }, words)));
    const list = h("ul", { class: "bench-saved", id: "bench-noted", "aria-live": "polite" });
    const pair = kit.kinds[meter.kind].own_slopes;
    function note_it(event, words) {
      bench.saveEvent(meter.meter_id, event, words + ", " + meter.meter_id,
        { on: day.value, side: pair ? side.value : "", note: note.value.trim() });
      note.value = "";
      draw();
    }
    function draw() {
      const known = bench.notedOf(kit, meter.meter_id);
      list.replaceChildren(...known.map((one) => h("li", { class: one.waiting ? "bench-waiting" : "bench-done" },
        h("span", {}, h("b", {}, WORDS[one.event] || one.event.replace(/_/g, " ")), ", " + bench.day(one.on) +
          [one.side && ", " + one.side, one.note && " (" + one.note + ")"].filter(Boolean).join("") + (one.refused ? ": " + one.refused : one.waiting ? ": being sent\u2026" : ": noted.")),
        one.key ? h("button", { type: "button", class: "quiet", onclick: async (event) => {
          event.target.disabled = true;
          try {
            await bench.dropEntry(one.key);
            kit.happened = (kit.happened || []).filter((other) => !bench.sameEvent(one, Object.assign({ on: other.date }, other)));
            draw();
          } catch (problem) {
            event.target.textContent = problem.text;
          }
        } }, "Take it back") : null)));
    }
    bench.onQueue(() => { if (list.isConnected) draw(); });
    draw();
    return h("section", { class: "bench-part", "aria-labelledby": "bench-events-title" },
      h("h3", { id: "bench-events-title" }, "What happened to it"),
      h("p", { class: "bench-hint" }, "One tap notes it for " + meter.meter_id + ", with the day and note given here."),
      h("div", { class: "bench-grid" }, labelled("bench-event-day", "Day", day),
        pair ? labelled("bench-event-side", "Side", side) : null, labelled("bench-event-note", "Note", note)),
      h("div", { class: "bench-events" }, EVENTS.map(([event, words]) =>
        h("button", { type: "button", class: "quiet", "data-event": event, onclick: () => note_it(event, words) }, words))),
      list);
  }

  Object.assign(bench, { whenPart: whenPart, mendedPart: mendedPart, happenedPart: happenedPart });
})();
