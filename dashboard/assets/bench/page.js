// The bench page: which meter is next, what is still to be sent, the list on paper.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});
  const SHOWN = 12;
  const FIRST_MS = 2500;
  const LONGEST_MS = 60000;
  let soon = null;
  let wait = FIRST_MS;
  let kit = null;
  let screen = null;
  let form = null;
  let relist = null;
  let told = "";

  bench.statusWord = (known, status) => known.states.statuses[status] || known.states.statuses.unknown;

  // ---- choosing a meter ------------------------------------------------------------------
  function ordered() {
    // What is being taken in stands by what is known: a session taken back is due again.
    const urgency = Object.keys(kit.states.statuses);
    const rank = (meter) => meter.taking_in ? (meter.taking_in === "measured" ? urgency.length : 0)
      : urgency.indexOf(urgency.includes(meter.status) ? meter.status : "unknown");
    return kit.meters.slice().sort(
      (a, b) =>
        rank(a) - rank(b) ||
        String(a.due_date || "9999").localeCompare(String(b.due_date || "9999")) ||
        a.meter_id.localeCompare(b.meter_id)
    );
  }

  function matches(meter, words) {
    const said = [meter.meter_id, meter.rider_id, meter.bike_id, meter.serial_number, meter.group,
      kit.kinds[meter.kind].title].filter(Boolean).join(" ").toLowerCase();
    return words.every((word) => said.includes(word));
  }

  function picker() {
    const h = bench.h;
    const list = h("div", { class: "bench-list", id: "bench-list", role: "list" });
    const count = h("p", { class: "bench-hint", id: "bench-count", role: "status" });
    const search = h("input", { type: "search", id: "bench-search", autocomplete: "off",
      placeholder: "meter, rider, bike, serial\u2026", oninput: () => fill() });
    let most = SHOWN;
    let planned = null;
    const plan = h("button", { type: "button", class: "quiet", id: "bench-plan", "aria-pressed": "false",
      onclick: () => {
        if (planned) show(null);
        else askPlan(count, show);
      } }, "Planned next");
    function show(found) {
      planned = found;
      plan.setAttribute("aria-pressed", String(Boolean(found)));
      fill();
    }
    const more = h("button", { type: "button", class: "quiet", id: "bench-more", onclick: () => { most += 48; fill(); } }, "Show more");
    function fill() {
      const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
      const wanted = planned && new Set(planned.meters);
      const found = ordered().filter((meter) => matches(meter, words) && (!wanted || wanted.has(meter.meter_id)));
      const drafts = found.filter((meter) => bench.typedIn(meter.meter_id));
      const rest = found.filter((meter) => !drafts.includes(meter));
      list.replaceChildren(...[...drafts, ...rest].slice(0, most).map(card));
      more.hidden = found.length <= most;
      if (planned) count.textContent = planned.week ? "Planned for the week of " + bench.day(planned.week) + "." : "The plan wants nobody on the bench.";
      else count.textContent = found.length ? (words.length ? found.length + " of " + kit.meters.length + " meters" : "Most urgent first.") : "Nothing found for \u201c" + search.value.trim() + "\u201d: type part of a meter, rider, bike or serial number.";
    }
    fill();
    relist = fill;
    return h("div", { class: "bench-picker" },
      queuePart(),
      h("section", { class: "bench-part", "aria-labelledby": "bench-next-title" },
        h("h2", { id: "bench-next-title", tabindex: "-1" }, "Which meter is on the bench?"),
        h("div", { class: "bench-find" }, h("label", { for: "bench-search", class: "unseen" }, "Search"), search, plan),
        count, list, more),
      paperPart());
  }

  // The season's plan is worked out beside the page: ask until it is there.
  async function askPlan(count, show) {
    count.textContent = "Asking the season\u2019s plan\u2026";
    try {
      let told = await bench.ask("/bench/next");
      while (told.state === "working" && count.isConnected) {
        count.textContent = "The season\u2019s plan is being worked out\u2026 " + (told.said || "");
        await new Promise((wait) => setTimeout(wait, 1500));
        told = await bench.ask("/bench/next");
      }
      if (told.state === "failed") count.textContent = told.said;
      else show(told);
    } catch (problem) {
      count.textContent = problem.text + " The order by urgency still holds.";
    }
  }

  function card(meter) {
    const h = bench.h;
    const typed = bench.typedIn(meter.meter_id);
    const who = [kit.kinds[meter.kind].title, meter.rider_id || "no rider", meter.bike_id].filter(Boolean).join(" \u00b7 ");
    const why = !meter.static_check ? "Rides only: it shows torque only when turning."
      : typed ? typed + (typed === 1 ? " number" : " numbers") + " typed, not saved yet"
      : meter.taking_in ? bench.takingIn(meter) + "."
      : meter.next_action;
    return h("div", { role: "listitem" }, h("button", { type: "button", class: "bench-card", "data-meter": meter.meter_id, onclick: () => open(meter.meter_id) },
      h("span", { class: "bench-card-id" }, meter.meter_id),
      bench.badge(meter.status, bench.statusWord(kit, meter.status)),
      h("span", { class: "bench-card-who" }, who),
      h("span", { class: typed ? "bench-card-why bench-unsaved" : "bench-card-why" }, why)));
  }

  // ---- what was saved ----------------------------------------------------------------------
  function queuePart() {
    const place = bench.h("div", { id: "bench-queue", "aria-live": "polite" });
    drawQueue(place);
    return place;
  }

  function drawQueue(place) {
    const h = bench.h;
    const lines = [...bench.queued().map(waitingLine), ...bench.done().slice(0, 5).map(doneLine)];
    const lost = bench.keepsNothing() ? [h("p", { class: "warn" }, "This browser keeps nothing: do not reload or close the page before all is sent.")] : [];
    place.replaceChildren(...lost, ...(told ? [h("p", { class: "bench-told" }, told)] : []), ...(lines.length ? [h("h2", {}, "Saved here"), h("ul", { class: "bench-saved" }, lines)] : []));
  }

  function waitingLine(item) {
    const h = bench.h;
    if (item.refused) {
      return h("li", { class: "warn" }, h("span", {}, h("b", {}, item.label + ": "), item.refused),
        item.kind === "session" ? h("button", { type: "button", onclick: () => { bench.reopen(item.key); open(item.meter_id); } }, "Put it right") :
          h("button", { type: "button", class: "quiet", onclick: () => { bench.reopen(item.key); refresh(); } }, "Drop it"));
    }
    return h("li", { class: "bench-waiting" }, h("span", {}, h("b", {}, item.label), ": kept on this device, being sent\u2026 " + (item.waiting ? "(" + item.waiting + "; tried again by itself)" : "")));
  }

  function doneLine(item) {
    const h = bench.h;
    const line = h("li", { class: "bench-done", "data-key": item.key }, h("span", {}, h("b", {}, item.label), ": " + confirmed(item)));
    if (item.kind === "session") {
      const query = "?session=" + encodeURIComponent(item.key);
      line.append(h("span", { class: "bench-papers" },
        h("a", { href: "/bench/record.pdf" + query, target: "_blank", class: "bench-paper-link" }, "Record (PDF)"),
        h("a", { href: "/bench/label.pdf" + query, target: "_blank", class: "bench-paper-link" }, "Label (PDF)")),
      h("button", { type: "button", class: "quiet", onclick: () => openStored(item.meter_id, item.key) }, "Correct it"));
    }
    line.append(h("button", { type: "button", class: "quiet", onclick: (event) => {
      const what = item.label + (item.kind === "session" ? " (the session with its readings)" : "");
      if (!window.confirm("Take back " + what + "?")) return;
      event.target.disabled = true;
      bench.takeBack(item.key).then(() => { told = item.label + ": taken back."; relay(); }, (problem) => { event.target.textContent = problem.text; });
    } }, "Take it back"));
    return line;
  }

  function confirmed(item) {
    const doc = item.answer && item.answer.document;
    if (item.kind !== "session" || !doc) return "saved.";
    if (doc.gain_error_pct === null) return "saved. " + (doc.reason || "No gain error.");
    const left = doc.as_left_gain_error_pct === null ? "" : ", as left " + bench.show(doc.as_left_gain_error_pct, 2, true) + "\u00a0%";
    return "saved. " + bench.show(doc.gain_error_pct, 2, true) + " \u00b1\u00a0" + bench.show(doc.expanded_uncertainty_pct, 2) +
      "\u00a0%, " + kit.states.verdicts[doc.verdict].toLowerCase() + left + ".";
  }

  // ---- the list on paper --------------------------------------------------------------------
  function paperPart() {
    const h = bench.h;
    const many = h("select", { id: "bench-paper-many" }, [6, 12, 24].map((n) => h("option", { value: n }, n + " meters")));
    many.value = "12";
    return h("section", { class: "bench-part bench-print-part", "aria-labelledby": "bench-paper-title" },
      h("h3", { id: "bench-paper-title" }, "A day without any device"),
      h("p", { class: "bench-hint" }, "The next meters on paper, with expected torque, limits and blanks. Mass set and place are those used last; type the sheet in afterwards."),
      h("div", { class: "bench-grid" },
        h("div", { class: "bench-field" }, h("label", { for: "bench-paper-many" }, "How many"), many),
        h("button", { type: "button", class: "quiet", id: "bench-print", onclick: () => print(inLine().slice(0, Number(many.value))) }, "Print the list")));
  }

  function inLine() {
    return ordered().filter((meter) => meter.static_check);
  }

  // The sheet of some meters: the same for the next ones here and for a week of the season.
  function print(meters) {
    layPaper(meters);
    window.print();
  }

  // What a sheet is for: masses and place used last on this device, else by anybody.
  function usedLast(meters) {
    if (!meters.length) return {};
    const sessions = kit.meters.map((meter) => (meter.past_after || meter.past || {}).last).filter(Boolean);
    const last = sessions.reduce((a, b) => (b.at > a.at ? b : a), { at: 0 });
    return bench.load(kit, Object.assign({}, meters[0], { past: { last: last } })).setup;
  }

  function layPaper(meters) {
    const paper = document.getElementById("bench-paper");
    if (!paper || !kit) return;
    const h = bench.h;
    const used = usedLast(meters);
    const set = bench.findBy(kit.mass_sets, "bench_id", used.bench_id);
    const head = [
      "Mass set: " + (set ? bench.setWords(set) : "________"),
      "Place: " + (used.place_id || "________"),
      "Date: ____________", "Name: ____________________", "Temperature: ______ \u00b0C", "Soaked: ______ min",
    ];
    paper.replaceChildren(
      h("h2", {}, "Bench list, printed " + bench.day(bench.today(kit))),
      h("p", { class: "bench-paper-head" }, head.map((text) => h("span", {}, text))),
      h("p", {}, "As found first, before any bolt is touched. Feet and hands out from under the masses; the bike clamped, the wheel locked. The makers\u2019 instructions and the workshop\u2019s rules come first. Limits are for a zero of 0: add the zero you read."),
      ...meters.map((meter) => sheet(meter, used)));
  }

  function sheet(meter, used) {
    const h = bench.h;
    const draft = Object.assign({}, bench.load(kit, meter));
    draft.setup = Object.assign({}, draft.setup, { bench_id: used.bench_id, place_id: used.place_id });
    draft.stages = { as_found: bench.plannedRows(kit, meter) };
    const rows = bench.allRows(kit, draft);
    const directions = rows.map((row) => row.direction).filter(Boolean);
    const hung = rows.find((row) => row.load === "mass");
    const nm = bench.expected(kit, meter, hung, directions);
    const limits = bench.typed(nm) ? bench.accept(nm, meter.tolerance_pct, 0) : null;
    const kind = kit.kinds[meter.kind];
    const blank = (label) => h("span", { class: "bench-blank" }, h("span", {}, label), h("i", {}));
    const numbered = (row, k) => blank(k + 1 + ". " + (row.load === "zero" ? "zero" : bench.hangWords(row, kind, draft.setup)[0]));
    const last = (side) => {
      const value = meter.slopes["slope" + side.replace(" ", "_")];
      return bench.typed(value) ? " (last " + bench.slopeText(meter, value) + ")" : "";
    };
    const left = kind.arms.length > 1 && !kind.through_chain ? kind.arms.map((arm) => "as left, " + arm) : ["as left"];
    const sides = meter.convention === "fixed" ? [] : kind.own_slopes ? [" left", " right"] : [""];
    const facts = [
      meter.rider_id ? "rider " + meter.rider_id : "no rider", meter.bike_id,
      hung.crank_length_mm ? hung.crank_length_mm + " mm" : "crank: ______ mm",
      [meter.installation && meter.installation.large_ring, meter.installation && meter.installation.small_ring].filter(Boolean).join("/"),
      hung.bench_id ? hung.bench_id + ", " + bench.show(hung.mass_kg + (hung.hanger_mass_kg || 0), 3) + " kg with hanger" : "mass set: ________",
      limits ? "expected " + bench.show(nm, 2) + " N\u00b7m, accept " + bench.show(limits[0], 2) + " to " + bench.show(limits[1], 2)
        : kind.through_chain ? "cog: ____ ring: ____ (expected = crank torque \u00d7 cog / ring)" : "expected: ________",
    ].filter(Boolean);
    return h("div", { class: "bench-sheet" },
      h("p", {}, h("b", {}, meter.meter_id), " " + kind.title + " \u00b7 " + facts.join(" \u00b7 ")),
      h("p", {}, [bench.statusWord(kit, meter.status), meter.reason].filter(Boolean).join(": ") + ". " + (meter.next_action || "")),
      h("div", { class: "bench-blanks" },
        blank("crank length, mm"), sides.map((side) => blank("slope" + side + last(side))),
        draft.stages.as_found.map(numbered),
        sides.map((side) => blank("new slope" + side)), blank("as left, zero"), left.map(blank), blank("note")));
  }

  // ---- the page ---------------------------------------------------------------------------
  function remember(meterId) {
    const address = meterId ? "?meter=" + encodeURIComponent(meterId) : "";
    window.history.replaceState(window.history.state, "", window.location.pathname + address);
  }

  function open(meterId) {
    const meter = bench.findBy(kit.meters, "meter_id", meterId);
    if (!meter) return refresh();
    remember(meterId);
    form = new bench.Form(kit, meter, leave);
    screen.replaceChildren(form.build());
    form.later(50);
    window.scrollTo(0, 0);
    document.getElementById("bench-title").focus({ preventScroll: true });
  }

  // A stored session to correct, as the meter's page asks for it.
  async function openStored(meterId, sessionId) {
    const meter = bench.findBy(kit.meters, "meter_id", meterId);
    let said = "";
    try {
      const found = await bench.ask("/bench/session", { session: sessionId });
      const draft = found.rows.length ? bench.draftOf(kit, meter, found.rows) : null;
      if (draft && (!bench.typedIn(meterId) || window.confirm("There is an unsaved session of " + meterId + " on this device. Discard it and open the stored one?"))) {
        bench.keep(draft);
        return open(meterId);
      }
      if (!found.rows.length) said = "There is no session " + sessionId + " any more.";
      else if (!draft) said = "Session " + sessionId + " hung several masses: correct it in its table, and load that.";
    } catch (problem) {
      said = problem.text;
    }
    refresh();
    told = said;
    relay();
  }

  function leave() {
    remember(null);
    form = null;
    refresh();
    window.scrollTo(0, 0);
    document.getElementById("bench-next-title").focus({ preventScroll: true });
    renew();
  }

  function refresh() {
    if (!screen || !screen.isConnected || form) return;
    screen.replaceChildren(picker());
  }

  // Newer data, where the server can be reached; the open form keeps what it has.
  async function renew() {
    try {
      kit = await bench.ask("/bench/kit");
      bench.keepGiven(kit);
      relay();
      if (kit.meters.some((meter) => meter.taking_in)) renewSoon(Math.min(wait * 1.5, LONGEST_MS));
      else wait = FIRST_MS;
    } catch (problem) {
      // what came with the page serves on
    }
  }

  function start(data) {
    screen = document.getElementById("bench-screen");
    if (!screen || !data) return window.dash_clientside.no_update;
    kit = data;
    bench.keepGiven(kit);
    bench.belongTo(kit);
    form = null;
    const query = new URLSearchParams(window.location.search);
    const asked = query.get("meter") || data.asked;
    if (asked && query.get("session") && bench.findBy(kit.meters, "meter_id", asked)) openStored(asked, query.get("session"));
    else if (asked && bench.findBy(kit.meters, "meter_id", asked)) open(asked);
    else refresh();
    const paper = query.get("print");
    if (paper) printAsked(paper.split(","));
    if (kit.meters.some((meter) => meter.taking_in)) renewSoon(FIRST_MS);
    return kit.meters.length;
  }

  // What another page asks to be printed is printed once: not again when the page is reloaded.
  function printAsked(names) {
    remember(null);
    print(names.map((name) => bench.findBy(kit.meters, "meter_id", name)).filter((meter) => meter && meter.static_check));
  }

  bench.onQueue(function () {
    const place = document.getElementById("bench-queue");
    if (place) drawQueue(place);
    if (!bench.queued().length) renewSoon(FIRST_MS);
  });

  // Asked again, ever more slowly, until the answers hold what was saved or taken back.
  function renewSoon(after) {
    clearTimeout(soon);
    wait = after;
    soon = setTimeout(() => { if (!form && screen && screen.isConnected) renew(); }, wait);
  }

  // The list and what was saved drawn anew; what is typed into the search stays.
  function relay() {
    const place = document.getElementById("bench-queue");
    if (!screen || !screen.isConnected || form || !place || !relist) return refresh();
    drawQueue(place);
    relist();
  }

  window.addEventListener("beforeprint", function () {
    const paper = document.getElementById("bench-paper");
    if (paper && !paper.firstChild && kit) layPaper(inLine().slice(0, 12));
  });
  window.addEventListener("online", function () {
    if (form) form.judge();
  });

  bench.openPage = start;
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.slopewatch_bench = { open: start };
})();
