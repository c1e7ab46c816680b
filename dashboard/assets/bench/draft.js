// What was typed at the bench: kept on this device until the server has it. A draft is one
// meter's unsaved session; the queue holds what was saved and is not confirmed yet.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});
  const DRAFT = "slopewatch-bench-draft:";
  const QUEUE = "slopewatch-bench-queue";
  const DONE = "slopewatch-bench-done";
  const SETUP = "slopewatch-bench-setup";
  const SHEETS = "slopewatch-bench-sheets";
  const SHEETS_MS = 6 * 3600 * 1000;
  const STAGES = ["as_found", "after_work", "as_left"];
  const SIDES = ["", "_left", "_right"];
  const KEPT = ["mass_tolerance_g", "mass_class", "crank_length_tolerance_mm", "gravity_ms2",
    "latitude_deg", "altitude_m", "crank_angle_deg", "reading_sd_nm"];
  const RETRY_MS = 4000;
  const PATIENCE_MS = 20000;
  let memory = {}; // where the browser keeps nothing
  let keeps = true;

  let owner = ""; // of what is kept: a person at a store, so that no entry goes in under another's

  // ---- this device's own memory ---------------------------------------------------------
  const own = (key) => key + "@" + owner;

  function read(name, fallback) {
    const key = own(name);
    try {
      const text = localStorage.getItem(key);
      return text === null ? fallback : JSON.parse(text);
    } catch (error) {
      return key in memory ? memory[key] : fallback;
    }
  }

  function write(name, value) {
    const key = own(name);
    try {
      if (value === null) localStorage.removeItem(key);
      else localStorage.setItem(key, JSON.stringify(value));
    } catch (error) {
      keeps = false;
      memory[key] = value;
    }
  }

  // ---- drafts ---------------------------------------------------------------------------
  function randomName() {
    const numbers = crypto.getRandomValues(new Uint32Array(2));
    return (numbers[0].toString(36) + numbers[1].toString(36)).slice(0, 6);
  }

  // The store's own day where it has one (a demo's data end some day), else the clock's.
  function now(kit) {
    const clock = new Date().toISOString();
    return kit.today ? kit.today + clock.slice(10, 19) + "Z" : clock.slice(0, 19) + "Z";
  }

  // ---- the day and time of a session ------------------------------------------------------
  // Days and times are this device's own; what is stored is an instant.
  const two = (number) => String(number).padStart(2, "0");

  function localDay(instant) {
    const at = new Date(instant);
    return at.getFullYear() + "-" + two(at.getMonth() + 1) + "-" + two(at.getDate());
  }

  function localTime(instant) {
    const at = new Date(instant);
    return two(at.getHours()) + ":" + two(at.getMinutes());
  }

  // The instant of a day and a time as typed; null for what is none.
  function instantOf(day, time) {
    const [year, month, date] = String(day).split("-").map(Number);
    const [hour, minute] = String(time || "12:00").split(":").map(Number);
    const at = new Date(year, month - 1, date, hour, minute);
    return Number.isNaN(at.getTime()) ? null : at.toISOString().slice(0, 19) + "Z";
  }

  // Sheets of one day are typed in together: the day stays for the meters after, for some hours.
  function sheetDay() {
    const kept = read(SHEETS, null);
    return kept && Date.now() - kept.set < SHEETS_MS ? kept.day : null;
  }

  function keepSheetDay(day) {
    write(SHEETS, day ? { day: day, set: Date.now() } : null);
  }

  function nameOf(draft) {
    const day = localDay(draft.started).slice(2).replace(/-/g, "");
    return day + "-" + draft.meter_id + "-" + draft.session_id.split("-").pop();
  }

  // Dates a draft: a new session's name begins with its day.
  function date(draft, day, time) {
    const started = instantOf(day, time);
    if (!started) return false;
    draft.started = started;
    if (!draft.corrects) draft.session_id = nameOf(draft);
    return true;
  }

  function plannedRows(kit, meter) {
    return kit.kinds[meter.kind].planned.map((line) => ({
      load: line.load,
      arm: line.arm,
      ring: line.chainring,
      direction: line.direction,
      text: "",
    }));
  }

  function fresh(kit, meter) {
    const sheets = sheetDay();
    const started = sheets ? instantOf(sheets, "12:00") : now(kit);
    const kept = read(SETUP, {});
    const known = (list, key, value) => (bench.findBy(list, key, value) ? value : "");
    const last = (meter.past && meter.past.last) || {};
    const best = kit.mass_sets.find((set) => set.source === "certificate") || kit.mass_sets[0];
    const only = kit.places.length === 1 ? kit.places[0].place_id : "";
    const through = kit.kinds[meter.kind].through_chain;
    return {
      version: 1,
      session_id: started.slice(2, 10).replace(/-/g, "") + "-" + meter.meter_id + "-" + randomName(),
      meter_id: meter.meter_id,
      started: started,
      setup: {
        bench_id:
          known(kit.mass_sets, "bench_id", kept.bench_id) ||
          known(kit.mass_sets, "bench_id", last.bench_id) ||
          (best ? best.bench_id : ""),
        place_id:
          known(kit.places, "place_id", kept.place_id) ||
          known(kit.places, "place_id", last.place_id) ||
          only,
        technician: kept.technician || "",
        length: meter.known_length_mm ? String(meter.known_length_mm) : "",
        path: through ? "crank" : "",
      },
      stages: { as_found: plannedRows(kit, meter) },
    };
  }

  function load(kit, meter) {
    const kept = read(DRAFT + meter.meter_id, null);
    return kept && kept.version === 1 ? kept : fresh(kit, meter);
  }

  // The rows of a stored session as a draft that corrects it; null where the form has no place for
  // them (several masses). What it has no field for stays with each reading.
  function draftOf(kit, meter, rows) {
    const sorted = rows.slice().sort((a, b) => (a.reading || 0) - (b.reading || 0));
    const hung = sorted.filter((row) => row.load === "mass");
    const first = (name) => (sorted.find((row) => row[name] !== null) || {})[name];
    const same = (name) => new Set(hung.map((row) => row[name])).size <= 1;
    if (!["mass_kg", "hanger_mass_kg", "crank_length_mm"].every(same)) return null;
    const set = bench.findBy(kit.mass_sets, "bench_id", first("bench_id"));
    const mass = (hung[0] || {}).mass_kg;
    const text = (name) => (bench.typed(first(name)) ? String(first(name)) : "");
    const ofSet = set && (mass === null || (mass === set.mass_kg && ((hung[0] || {}).hanger_mass_kg || 0) === set.hanger_kg));
    const setup = {
      bench_id: ofSet ? set.bench_id : "", place_id: first("place_id") || "",
      technician: first("technician") || "", note: first("note") || "",
      length: text("crank_length_mm") || (meter.known_length_mm ? String(meter.known_length_mm) : ""),
      path: first("loading_path") || "", cog: text("cog_teeth"), ring: first("chainring") || "",
      temperature: text("temperature_c"), soak: text("soak_min"),
      mass: bench.typed(mass) ? String(mass) : "", hanger: text("hanger_mass_kg"),
    };
    for (const side of SIDES) for (const when of ["before", "after"]) {
      setup["slope_" + when + side] = text("slope_" + when + side);
    }
    const shown = (row) => bench.typed(row.torque_decimals) ? row.torque_nm.toFixed(row.torque_decimals) : String(row.torque_nm);
    const stages = {};
    for (const row of sorted) {
      (stages[row.stage || "as_found"] = stages[row.stage || "as_found"] || []).push({
        load: row.load, arm: row.arm, direction: row.direction, text: shown(row), extra: true,
        ring: setup.path ? null : row.chainring, sure: shown(row),
        kept: Object.fromEntries(KEPT.map((name) => [name, row[name]])),
      });
    }
    return { version: 1, session_id: sorted[0].session_id, meter_id: meter.meter_id, corrects: true,
      started: sorted[0].measured_at, setup: setup, stages: stages };
  }

  function keep(draft) {
    write(DRAFT + draft.meter_id, draft);
    if (draft.corrects) return;
    const setup = draft.setup;
    write(SETUP, {
      bench_id: setup.bench_id,
      place_id: setup.place_id,
      technician: setup.technician,
    });
  }

  function forget(meterId) {
    write(DRAFT + meterId, null);
  }

  // How many numbers a meter's draft holds.
  function typedIn(meterId) {
    const kept = read(DRAFT + meterId, null);
    if (!kept || kept.version !== 1) return 0;
    const rows = STAGES.flatMap((stage) => kept.stages[stage] || []);
    return rows.filter((row) => row.text.trim()).length;
  }

  // ---- from a draft to the table's rows ---------------------------------------------------
  function hung(kit, setup) {
    const set = bench.findBy(kit.mass_sets, "bench_id", setup.bench_id);
    if (set && set.mass_kg !== null) return [set.mass_kg, set.hanger_kg];
    return [bench.parse(setup.mass), bench.parse(setup.hanger) || 0];
  }

  function numberOrNull(text) {
    const value = bench.parse(text);
    return bench.typed(value) ? value : null;
  }

  function common(kit, draft) {
    const setup = draft.setup;
    const path = setup.path || null;
    const out = {
      session_id: draft.session_id,
      meter_id: draft.meter_id,
      measured_at: draft.started,
      bench_id: setup.bench_id || null,
      place_id: setup.place_id || null,
      technician: (setup.technician || "").trim() || null,
      crank_length_mm: numberOrNull(setup.length),
      temperature_c: numberOrNull(setup.temperature),
      soak_min: numberOrNull(setup.soak),
      note: (setup.note || "").trim() || null,
      loading_path: path,
      cog_teeth: path === "crank" ? numberOrNull(setup.cog) : null,
    };
    for (const side of SIDES) {
      for (const when of ["before", "after"]) {
        out["slope_" + when + side] = numberOrNull(setup["slope_" + when + side]);
      }
    }
    return out;
  }

  // Every row of the draft as the table `bench` has it; rows without a number have torque null.
  function allRows(kit, draft) {
    const shared = common(kit, draft);
    const [mass, hanger] = hung(kit, draft.setup);
    const rows = [];
    for (const stage of STAGES) {
      for (const row of draft.stages[stage] || []) {
        const masses = row.load === "mass";
        rows.push(
          Object.assign({}, row.kept, shared, {
            stage: stage,
            reading: rows.length + 1,
            load: row.load,
            arm: row.arm,
            chainring: row.ring || (masses && draft.setup.path === "crank" ? draft.setup.ring || null : null),
            direction: row.direction,
            mass_kg: masses ? mass : 0,
            hanger_mass_kg: masses ? hanger : 0,
            torque_nm: numberOrNull(row.text),
            torque_decimals: bench.decimals(row.text),
          })
        );
      }
    }
    return rows;
  }

  function typedRows(kit, draft) {
    return allRows(kit, draft).filter((row) => row.torque_nm !== null);
  }

  // ---- the server -----------------------------------------------------------------------
  // Resolves to the answer; rejects with {offline} or {status, text}.
  async function ask(path, body) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), PATIENCE_MS);
    let answer;
    try {
      answer = await fetch(path, {
        method: body === undefined ? "GET" : "POST",
        headers: body === undefined ? {} : { "Content-Type": "application/json", "X-Bench-Owner": owner },
        body: body === undefined ? undefined : JSON.stringify(body),
        signal: stop.signal,
        credentials: "same-origin",
        redirect: "error",
      });
    } catch (error) {
      throw { offline: true, text: "No connection." };
    } finally {
      clearTimeout(timer);
    }
    const text = await answer.text();
    let found = null;
    try {
      found = JSON.parse(text);
    } catch (error) {
      found = { error: text.trim() };
    }
    if (!answer.ok) throw { status: answer.status, text: (found && found.error) || "refused" };
    return found;
  }

  // ---- the queue ------------------------------------------------------------------------
  const listeners = [];
  let flushing = false;
  let timer = null;

  function queued() {
    return read(QUEUE, []);
  }

  function done() {
    return read(DONE, []);
  }

  function changed() {
    for (const listener of listeners) listener();
  }

  function put(item) {
    write(QUEUE, queued().filter((other) => other.key !== item.key).concat([item]));
    changed();
    flush();
  }

  function settle(key, change) {
    const rest = queued();
    const item = rest.find((other) => other.key === key);
    if (!item) return;
    if (change.confirmed) {
      write(QUEUE, rest.filter((other) => other.key !== key));
      const kept = Object.assign({}, item, { rows: undefined, draft: undefined }, change);
      write(DONE, [kept].concat(done().filter((other) => other.key !== key)).slice(0, 12));
    } else {
      write(QUEUE, rest.map((other) => (other.key === key ? Object.assign(other, change) : other)));
    }
    changed();
  }

  // Sends what waits, in order, until the server has confirmed or refused it.
  async function flush() {
    clearTimeout(timer);
    if (flushing) return;
    flushing = true;
    let again = false;
    try {
      for (const item of queued()) {
        if (item.refused) continue;
        try {
          const answer = await ask(item.path, item.body || { rows: item.rows });
          settle(item.key, { confirmed: true, answer: answer });
          window.dispatchEvent(new Event("slopewatch-sent"));
        } catch (problem) {
          const final = problem.status === 422 || problem.status === 400;
          again = again || !final;
          settle(item.key, final ? { refused: problem.text } : { waiting: said(problem) });
        }
      }
    } finally {
      flushing = false;
    }
    if (again || queued().some((item) => !item.refused)) timer = setTimeout(flush, RETRY_MS);
  }

  function said(problem) {
    if (problem.offline) return "no connection";
    if (problem.status === 409) return problem.text;
    if (problem.status === 401 || problem.status === 403) {
      return "the server asks to sign in (do it in another tab; nothing is lost): " + problem.text;
    }
    return problem.text;
  }

  // hang: the session as the next one looks back on it; null: not judged
  function saveSession(kit, draft, label, hang) {
    put({
      key: draft.session_id,
      kind: "session",
      path: draft.corrects ? "/bench/correct" : "/bench/save",
      meter_id: draft.meter_id,
      label: label,
      rows: typedRows(kit, draft),
      draft: draft,
      hang: hang || null,
    });
    if (draft.mended && draft.mended.event) saveEvent(draft.meter_id, draft.mended.event, "Mended, " + draft.meter_id, {
      on: localDay(draft.started), note: draft.mended.note, session_id: draft.session_id,
    });
    forget(draft.meter_id);
  }

  // What was noted of a meter: here, whether sent or not, and by anybody in the last days.
  function notedOf(kit, meterId) {
    const own = [...queued(), ...done()].filter((item) => item.kind === "event" && item.meter_id === meterId);
    const mine = own.map((item) => Object.assign({ key: item.key, waiting: !item.confirmed, refused: item.refused }, item.event));
    const known = (kit.happened || []).filter((one) => one.meter_id === meterId)
      .map((one) => ({ event: one.event, on: one.date, side: one.side, note: one.note }));
    return [...mine, ...known.filter((one) => !mine.some((other) => sameEvent(one, other)))];
  }

  function sameEvent(a, b) {
    return a.event === b.event && a.on === b.on && (a.side || "") === (b.side || "");
  }

  // how: on (a day, ISO), side, note and the session that it goes with, where there are any
  function saveEvent(meterId, event, label, how) {
    const key = [meterId, event, how.on, how.side || ""].join("|");
    put({
      key: key,
      kind: "event",
      path: "/bench/event",
      meter_id: meterId,
      label: label,
      event: Object.assign({ event: event }, how),
      body: { meter_id: meterId, event: event, on: how.on, side: how.side || null, note: how.note || null, session_id: how.session_id || null },
    });
    return key;
  }

  // Takes an entry back wherever it is by now: from the queue, or from the server.
  async function dropEntry(key) {
    const waits = () => queued().find((item) => item.key === key);
    for (let k = 0; k < 40 && flushing && waits(); k += 1) await new Promise((wait) => setTimeout(wait, 250));
    if (waits()) reopen(key);
    else await takeBack(key);
  }

  // What was noted with a session that is taken back is taken back with it.
  function forgetWith(sessionId) {
    const other = (item) => !(item.event && item.event.session_id === sessionId);
    write(QUEUE, queued().filter(other));
    write(DONE, done().filter(other));
  }

  // Puts a refused session back into the form.
  function reopen(key) {
    const item = queued().find((other) => other.key === key);
    if (!item) return;
    write(QUEUE, queued().filter((other) => other.key !== key));
    if (item.draft) write(DRAFT + item.meter_id, item.draft);
    forgetWith(key);
    changed();
  }

  // Takes a confirmed entry back on the server.
  async function takeBack(key) {
    const item = done().find((other) => other.key === key);
    if (!item) return;
    await ask("/bench/undo", { import_id: item.answer.import_id });
    write(DONE, done().filter((other) => other.key !== key));
    forgetWith(key);
    changed();
  }

  window.addEventListener("online", flush);
  document.addEventListener("visibilitychange", function () {
    if (!document.hidden && queued().length) flush();
  });

  // Goes on with what this person kept for this store; nobody else's is seen or sent.
  function belongTo(kit) {
    owner = kit.owner;
    changed();
    if (queued().length) setTimeout(flush, 500);
  }

  Object.assign(bench, {
    STAGES: STAGES,
    belongTo: belongTo,
    load: load,
    keep: keep,
    forget: forget,
    typedIn: typedIn,
    plannedRows: plannedRows,
    allRows: allRows,
    typedRows: typedRows,
    ask: ask,
    queued: queued,
    done: done,
    flush: flush,
    saveSession: saveSession,
    saveEvent: saveEvent,
    notedOf: notedOf,
    sameEvent: sameEvent,
    startOf: now,
    draftOf: draftOf,
    date: date,
    localDay: localDay,
    localTime: localTime,
    sheetDay: sheetDay,
    keepSheetDay: keepSheetDay,
    reopen: reopen,
    takeBack: takeBack,
    dropEntry: dropEntry,
    onQueue: (listener) => listeners.push(listener),
    keepsNothing: () => !keeps,
    today: (kit) => now(kit).slice(0, 10),
  });
})();
