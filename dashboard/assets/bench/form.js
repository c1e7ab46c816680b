// One meter at the bench: set-up, readings in order, each judged as it is typed, what follows.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});
  const NM = "\u00a0N\u00b7m";
  const PC = "\u00a0%";
  const JUDGE_MS = 500;
  const AGAIN_MS = 4000;
  const WORDS = { as_found: "As found", after_work: "After work", as_left: "As left" };
  const SIDE_WORDS = { "": "", _left: "left", _right: "right" };

  // ---- making elements ------------------------------------------------------------------
  function h(tag, attributes, ...children) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (value === null || value === undefined || value === false) continue;
      if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
      else if (name === "value") element.value = value;
      else element.setAttribute(name, value === true ? "" : value);
    }
    element.append(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
    return element;
  }

  function badge(status, word) {
    return h("span", { class: "badge badge-" + status },
      h("span", { class: "glyph glyph-" + status, "aria-hidden": "true" }), word);
  }

  function field(id, label, control, note) {
    control.id = id;
    const warned = control.tagName === "INPUT" ? h("p", { class: "bench-warned", id: id + "-says", role: "status" }) : null;
    if (warned) control.setAttribute("aria-describedby", id + "-says");
    return h("div", { class: "bench-field" }, h("label", { for: id }, label), control, warned,
      note ? h("p", { class: "bench-hint" }, note) : null);
  }

  const shown = (value, digits) => bench.show(value, digits === undefined ? 2 : digits, false);
  const signed = (value, digits) => bench.show(value, digits === undefined ? 2 : digits, true);

  function sided(label, side) {
    return side ? label + ", " + SIDE_WORDS[side] : label;
  }

  // ---- one meter's form -------------------------------------------------------------------
  class Form {
    constructor(kit, meter, leave) {
      this.kit = kit;
      this.meter = meter;
      this.kind = kit.kinds[meter.kind];
      this.leave = leave;
      this.draft = bench.load(kit, meter);
      this.verdict = null;
      this.link = "";
      this.asked = 0;
      this.inputs = new Map();
    }

    build() {
      const meter = this.meter;
      this.target = h("div", { class: "bench-target", id: "bench-target", "aria-live": "polite" });
      this.result = h("div", { id: "bench-result", "aria-live": "polite" });
      this.stages = h("div", { id: "bench-stages" });
      this.finish = h("div", { id: "bench-finish" });
      this.root = h("div", { class: "bench-meter" }, this.head());
      if (!meter.static_check) {
        this.root.append(ridesOnly(meter), bench.happenedPart(this.kit, meter));
        return this.root;
      }
      this.root.append(
        this.target,
        h("div", { class: "bench-columns" },
          h("div", { class: "bench-main" }, cautions(this.kit), this.setup(), this.stages),
          h("aside", { class: "bench-side", tabindex: "0", "aria-label": "Result so far" }, this.result),
          this.finish
        ),
        bench.happenedPart(this.kit, meter)
      );
      this.drawStages();
      this.refresh();
      this.drawFinish();
      return this.root;
    }

    head() {
      const meter = this.meter;
      const named = [
        this.kind.title,
        meter.rider_id ? "rider " + meter.rider_id : "no rider",
        meter.bike_id,
        meter.serial_number ? "serial " + meter.serial_number : null,
      ].filter(Boolean).join(" \u00b7 ");
      return h("div", { class: "bench-head" },
        h("button", { class: "quiet", id: "bench-back", type: "button", onclick: this.leave }, "\u2190 All meters"),
        h("div", {}, h("h2", { tabindex: "-1", id: "bench-title" }, meter.meter_id), h("p", { class: "named" }, named)),
        badge(meter.status, bench.statusWord(this.kit, meter.status)));
    }

    // -- set-up ---------------------------------------------------------------------------
    setup() {
      const kit = this.kit;
      const setup = this.draft.setup;
      const part = h("section", { class: "bench-part", "aria-labelledby": "bench-setup-title" },
        h("h3", { id: "bench-setup-title" }, "Set up"));
      const sets = kit.mass_sets.map((set) => [set.bench_id, setWords(set)]);
      this.otherMasses = h("div", { class: "bench-grid" },
        this.text("mass", "Masses, kg", "decimal"), this.text("hanger", "Hanger, kg", "decimal"));
      part.append(h("div", { class: "bench-grid" },
        this.choose("bench_id", "Mass set", [...sets, ["", "Other masses\u2026"]]),
        this.choose("place_id", "Place", [
          ...kit.places.map((place) => [place.place_id, place.place_id]),
          ["", "Elsewhere (standard gravity)"],
        ]),
        this.text("length", "Crank length, mm", "decimal", "axle to pedal axle"),
        ...this.hub(),
        ...this.slopes(),
        this.text("temperature", "Temperature, \u00b0C", "decimal"),
        this.choose("soak", "At this temperature for", [
          ["", "not noted"], ["5", "5 min"], ["15", "15 min"], ["30", "half an hour"],
          ["60", "an hour or more"],
        ]),
        this.text("technician", "Your name", "text")), this.otherMasses, bench.whenPart(this));
      this.otherMasses.hidden = Boolean(setup.bench_id);
      return part;
    }

    hub() {
      if (!this.kind.through_chain) return [];
      return [
        this.choose("path", "Masses hang from", [
          ["crank", "the crank (through the chain)"],
          ["lever_on_cassette", "a lever on the cassette"],
        ]),
        this.text("cog", "Cog, teeth", "numeric"),
        this.choose("ring", "Chainring", this.rings()),
      ];
    }

    rings() {
      const fitted = this.meter.installation || {};
      const known = [["large", fitted.large_ring], ["small", fitted.small_ring]].filter((r) => r[1]);
      const listed = known.map(([name, teeth]) => [String(teeth), name + " (" + teeth + ")"]);
      const all = [];
      for (let teeth = 30; teeth <= 58; teeth += 1) all.push([String(teeth), teeth + " teeth"]);
      if (!this.draft.setup.ring && listed.length) this.draft.setup.ring = listed[0][0];
      return listed.length ? listed : [["", "choose"], ...all];
    }

    slopes() {
      if (this.meter.convention === "fixed") return [];
      const sides = this.kind.own_slopes ? ["_left", "_right"] : [""];
      return sides.map((side) => {
        const last = this.meter.slopes["slope" + side];
        const label = sided("Slope as found", side);
        const wrap = this.text("slope_before" + side, label, "decimal", side === "_right" ? null : this.slopeWords());
        if (bench.typed(last)) {
          const text = bench.slopeText(this.meter, last);
          wrap.append(h("button", { type: "button", class: "quiet bench-same", id: "bench-same" + side,
            onclick: () => this.fill("slope_before" + side, text) }, "As last noted: " + text));
        }
        return wrap;
      });
    }

    // What the number is, and which way it turns the display.
    slopeWords() {
      return this.meter.convention === "multiplier"
        ? "A multiplier (N\u00b7m per count, or a factor): a lower number makes it show less."
        : "Hz or counts per N\u00b7m: a higher number makes it show less.";
    }

    // What is to be said under the fields of the set-up: [words, whether it cannot be used].
    judgeSetup() {
      for (const [name, text] of Object.entries(this.fields())) {
        const input = this.root && this.root.querySelector('[data-name="' + name + '"]');
        if (!input) continue;
        const kept = ["mass", "hanger"].includes(name) && this.draft.setup.bench_id ? "" : this.draft.setup[name];
        const value = bench.parse(kept);
        const said = Number.isNaN(value) ? ["Not a number: digits with one comma or point.", true] : value === null ? ["", false] : text(value);
        input.setAttribute("aria-invalid", String(said[1]));
        const place = input.parentElement.querySelector(".bench-warned");
        if (place.textContent !== said[0]) place.textContent = said[0];
      }
    }

    fields() {
      const fine = ["", false];
      const above = (value) => (value > 0 ? fine : ["Expected a number above 0.", true]);
      const out = {
        length: (value) => this.judgeLength(value), cog: above, mass: above,
        hanger: (value) => (value >= 0 ? fine : ["Expected a number, or 0 without a hanger.", true]),
        temperature: (value) => (value < -30 || value > 60 ? ["Expected \u00b0C between \u221230 and 60.", true] : fine),
      };
      for (const side of ["", "_left", "_right"]) {
        const last = this.meter.slopes["slope" + side];
        out["slope_after" + side] = above;
        out["slope_before" + side] = (value) => {
          if (!(value > 0) || !bench.typed(last) || Math.abs(value / last - 1) < 0.05) return above(value);
          return ["Far from the last noted, " + bench.slopeText(this.meter, last) + ": read it again.", false];
        };
      }
      return out;
    }

    lastLength() {
      const past = this.meter.past && this.meter.past.last;
      return bench.typed(this.meter.known_length_mm) ? this.meter.known_length_mm : past ? past.crank_length_mm : null;
    }

    judgeLength(value) {
      if (!lengthLikely(value)) return ["No crank is " + bench.significant(value) + " mm long: expected 100 to 200 mm, axle to pedal axle.", true];
      const last = this.lastLength();
      if (!bench.typed(last) || Math.abs(last - value) < this.kit.rules.same_length_mm) return ["", false];
      return ["Last known for this meter: " + bench.significant(last) + " mm. Measure the crank before you hang anything.", false];
    }

    fill(name, text) {
      this.draft.setup[name] = text;
      const input = this.root.querySelector('[data-name="' + name + '"]');
      if (input) input.value = text;
      this.changed();
    }

    text(name, label, mode, note) {
      const input = h("input", {
        type: "text", inputmode: mode, autocomplete: "off", "data-name": name,
        enterkeyhint: "next",
        value: this.draft.setup[name] || "",
        oninput: (event) => {
          this.draft.setup[name] = event.target.value;
          this.changed();
        },
      });
      return field("bench-" + name, label, input, note);
    }

    choose(name, label, options) {
      const list = h("select", {
        "data-name": name,
        onchange: (event) => {
          this.draft.setup[name] = event.target.value;
          if (name === "bench_id") this.otherMasses.hidden = Boolean(event.target.value);
          if (name === "path") this.drawStages();
          this.changed();
        },
      }, options.map(([value, words]) => h("option", { value: value }, words)));
      list.value = this.draft.setup[name] || "";
      if (list.selectedIndex < 0) {
        list.selectedIndex = 0;
        this.draft.setup[name] = list.value;
      }
      return field("bench-" + name, label, list);
    }

    // -- readings -------------------------------------------------------------------------
    drawStages() {
      this.inputs = new Map();
      this.stages.replaceChildren(...bench.STAGES.filter((s) => this.draft.stages[s]).map((s) => this.stage(s)));
    }

    stage(name) {
      const notes = {
        as_found: "Before any bolt is touched and before the slope is changed. Leave empty what you skip.",
        after_work: "After mending, with the slope as it was.",
        as_left: "With the new slope in. One hanging a side is enough; leave the rest empty.",
      };
      const rows = this.draft.stages[name];
      const list = h("ol", { class: "bench-rows" }, rows.map((row, k) => this.row(name, row, k)));
      return h("section", { class: "bench-part", id: "bench-stage-" + name, "aria-labelledby": "bench-title-" + name },
        h("h3", { id: "bench-title-" + name }, WORDS[name]),
        h("p", { class: "bench-hint" }, notes[name]),
        name === "after_work" ? bench.mendedPart(this) : null,
        list,
        name === "as_found" ? null : h("button", { type: "button", class: "quiet", onclick: () => this.drop(name) },
          "Leave out \u201c" + WORDS[name].toLowerCase() + "\u201d"));
    }

    row(stage, row, k) {
      const what = hangWords(row, this.kind, this.draft.setup);
      const id = "bench-" + stage + "-" + k;
      const input = h("input", {
        id: id, type: "text", inputmode: "decimal", autocomplete: "off", class: "bench-number",
        enterkeyhint: "next", value: row.text,
        oninput: (event) => {
          row.text = event.target.value;
          this.changed();
        },
        onkeydown: (event) => {
          if (event.key === "Enter") this.next(event.target);
        },
      });
      const place = h("p", { class: "bench-says", id: id + "-says" });
      const limits = h("span", { class: "bench-limits" });
      input.setAttribute("aria-describedby", id + "-says");
      const again = h("button", { type: "button", class: "quiet bench-again", onclick: () => this.repeat(stage, k) },
        row.load === "zero" ? "Read again" : "Hang again");
      const remove = row.extra
        ? h("button", { type: "button", class: "quiet", onclick: () => this.remove(stage, k) }, "Remove")
        : null;
      const sure = h("button", { type: "button", class: "quiet bench-sure", hidden: true, onclick: () => {
        row.sure = row.text;
        this.changed();
      } }, "It is right");
      const line = h("li", { class: row.load === "zero" ? "bench-row bench-zero" : "bench-row" },
        h("label", { for: id }, h("span", { class: "bench-what" }, what[0]), what[1] ? h("span", { class: "bench-how" }, what[1]) : null),
        h("div", { class: "bench-entry" }, input, h("span", { class: "bench-unit", "aria-hidden": "true" }, "N\u00b7m"), limits),
        h("div", { class: "bench-tools" }, row.load === "zero" ? this.turn(row, input) : null, sure, again, remove),
        place);
      this.inputs.set(stage + "|" + k, { line, input, place, limits, again, sure });
      return line;
    }

    // A number pad without a minus sign is no reason not to type one.
    turn(row, input) {
      return h("button", { type: "button", class: "quiet", "aria-label": "Turn the sign of this zero", onclick: () => {
        const bare = input.value.trim().replace(/^[-+\u2212]/, "");
        input.value = row.text = /^[-\u2212]/.test(input.value.trim()) ? bare : "-" + bare;
        this.changed();
      } }, "+/\u2212");
    }

    next(input) {
      const all = Array.from(this.root.querySelectorAll(".bench-number"));
      const after = all[all.indexOf(input) + 1];
      if (!after) return input.blur();
      after.focus();
      after.scrollIntoView({ block: "center" });
    }

    repeat(stage, k) {
      const row = this.draft.stages[stage][k];
      this.draft.stages[stage].splice(k + 1, 0, Object.assign({}, row, { text: "", extra: true, sure: undefined }));
      this.drawStages();
      this.changed();
      this.inputs.get(stage + "|" + (k + 1)).input.focus();
    }

    remove(stage, k) {
      this.draft.stages[stage].splice(k, 1);
      this.drawStages();
      this.changed();
    }

    drop(stage) {
      const typed = this.draft.stages[stage].some((row) => row.text.trim());
      if (typed && !window.confirm("Remove the readings typed there?")) return;
      delete this.draft.stages[stage];
      if (stage === "after_work") delete this.draft.mended;
      this.drawStages();
      this.changed();
      this.drawFinish();
    }

    open(stage) {
      this.draft.stages[stage] = bench.plannedRows(this.kit, this.meter);
      this.drawStages();
      this.changed();
      this.drawFinish();
      const first = this.inputs.get(stage + "|0");
      first.line.scrollIntoView({ block: "center" });
      first.input.focus({ preventScroll: true });
    }

    // -- what follows from what was typed -------------------------------------------------
    changed() {
      bench.keep(this.draft);
      this.refresh();
      this.later(JUDGE_MS);
    }

    // Every row with its number or null, and those with a number.
    rows() {
      const all = bench.allRows(this.kit, this.draft);
      return { all, typed: all.filter((row) => row.torque_nm !== null) };
    }

    refresh() {
      const { all, typed } = this.rows();
      const found = {};
      for (const stage of bench.STAGES) found[stage] = bench.stage(this.kit, this.meter, typed, stage);
      this.found = found;
      const work = found.after_work.used.length ? found.after_work : found.as_found;
      this.deciding = work.used.length ? work : null;
      this.judgedHere = bench.judge(this.kit, this.meter, this.deciding);
      this.suspected = this.judgedHere.suspicions;
      this.unsure = this.doubtful(all);
      this.judgeSetup();
      this.drawTarget(all, typed);
      let k = 0;
      for (const stage of bench.STAGES) {
        (this.draft.stages[stage] || []).forEach((row, n) => {
          this.judgeRow(stage, n, row, all[k]);
          k += 1;
        });
      }
      this.drawResult(typed);
      this.drawSave(typed);
    }

    // Readings far from everything expected that were neither repeated nor confirmed, by number.
    doubtful(all) {
      const kept = bench.STAGES.flatMap((stage) => this.draft.stages[stage] || []);
      const sure = new Set(all.filter((_, k) => kept[k].sure && kept[k].sure === kept[k].text).map((row) => row.reading));
      const out = new Map();
      for (const stage of bench.STAGES) {
        const used = this.found[stage].used;
        for (const one of used) {
          const near = (other) => other !== one && Math.abs(other.ratio - one.ratio) < this.kit.rules.odd_reading * Math.abs(one.ratio);
          if (sure.has(one.row.reading) || this.likely(one, one.ratio) || used.some(near)) continue;
          out.set(one.row.reading, this.slipWords(one));
        }
      }
      return out;
    }

    likely(one, ratio) {
      return bench.remains(this.kit.rules, bench.awaited(this.kit, this.meter, one.row), ratio);
    }

    // How a reading may have been mistyped, likeliest slip first.
    slipWords(one) {
      const nm = one.row.torque_nm;
      const digits = String(Math.abs(nm));
      const turned = Array.from(digits.slice(1), (_, k) => Number(digits.slice(0, k) + digits[k + 1] + digits[k] + digits.slice(k + 2)));
      const slips = [[-nm, "its sign"], [nm / 10, "ten times too much"], [nm * 10, "ten times too little"],
        [nm / 100, "a hundred times too much"], ...turned.map((value) => [value, "two digits swapped"])];
      const slip = slips.find(([value]) => bench.typed(value) && this.likely(one, (value - (one.zero || 0)) / one.expected));
      if (slip) return "Looks mistyped (" + slip[1] + "): did you mean " + bench.significant(slip[0]) + "? Read it again.";
      if (this.likely(one, one.ratio / 2)) return "Twice what is expected: hang it again before you believe it.";
      return "Far from everything expected: mistyped, or hung otherwise? Hang it again.";
    }

    // What the fleet knows of the mass set, if it is off its stamp.
    toldOfSet(row, nm) {
      const set = bench.findBy(this.kit.mass_sets, "bench_id", row.bench_id);
      if (!set || !set.fleet) return "";
      const [fleet, low, high] = set.fleet.map((pct) => nm * (1 + pct / 100));
      return bench.words(this.kit, bench.reason("set_off", { bench_id: set.bench_id, off_pct: set.fleet[0], stamp_nm: nm, fleet_nm: fleet, low_nm: low, high_nm: high }));
    }

    drawTarget(all, typed) {
      const hung = [...typed, ...all].find((row) => row.load === "mass");
      const nm = hung ? bench.expected(this.kit, this.meter, hung, bench.ways(typed, hung, all)) : null;
      if (!bench.typed(nm) || !lengthLikely(hung.crank_length_mm)) {
        this.target.replaceChildren(h("p", { class: "bench-lacking" }, this.lacking(hung)));
        return;
      }
      const zero = this.found.as_found.zero;
      const [low, high] = bench.accept(nm, this.meter.tolerance_pct, zero);
      const total = hung.mass_kg + hung.hanger_mass_kg;
      const told = this.toldOfSet(hung, nm);
      this.target.replaceChildren(...[
        told ? h("p", { class: "warn", id: "bench-set-off" }, told) : null,
        h("div", { class: "bench-hang" },
          h("span", { class: "bench-label" }, "Hang"),
          h("b", {}, shown(total, 2) + "\u00a0kg"), " on ",
          h("b", {}, hung.crank_length_mm + "\u00a0mm")),
        h("div", { class: "bench-expect" },
          h("span", { class: "bench-label" }, "It should show"),
          h("b", { id: "bench-expected" }, shown(nm + (zero || 0))), NM,
          zero ? h("span", { class: "bench-label", id: "bench-shift" }, shown(nm) + " and the zero, " + signed(zero)) : null),
        h("div", { class: "bench-accept" },
          h("span", { class: "bench-label" }, "Within \u00b1\u00a0" + shown(this.meter.tolerance_pct, 1) + PC),
          h("b", { id: "bench-accept" }, shown(low) + " to " + shown(high)), " here"),
        this.soFar(),
        this.forecast(nm, zero),
      ].filter(Boolean));
    }

    soFar() {
      if (!this.deciding) return null;
      return h("div", { class: "bench-sofar" }, h("span", { class: "bench-label" }, "So far"),
        h("b", {}, this.unsure.size ? "not judged" : this.number(this.deciding)));
    }

    // What was found; of a pair both sides, as each is a meter of its own.
    number(found) {
      const sides = this.kind.own_slopes ? Object.entries(found.sides) : [];
      if (sides.length < 2) return signed(found.error_pct) + PC;
      return sides.map(([side, ratio]) => side[0].toUpperCase() + side.slice(1) + " " + signed(100 * (ratio - 1)) + PC).join(", ");
    }

    forecast(nm, zero) {
      const meter = this.meter;
      if (meter.taking_in) return h("div", { class: "bench-forecast" }, takingIn(meter) + ": no forecast until the answers follow.");
      if (!bench.typed(meter.gain_error_pct) || !bench.typed(meter.gain_error_sd_pct)) return null;
      const at = (error) => shown(nm * (1 + error / 100) + (zero || 0));
      const half = 1.645 * meter.gain_error_sd_pct;
      return h("div", { class: "bench-forecast" },
        "Forecast for this meter, 90" + PC + ": ",
        at(meter.gain_error_pct - half) + " to " + at(meter.gain_error_pct + half),
        " (" + signed(meter.gain_error_pct, 1) + " \u00b1\u00a0" + shown(half, 1) + PC + ")");
    }

    lacking(hung) {
      if (!hung) return "Nothing is to be hung.";
      if (hung.crank_length_mm && !lengthLikely(hung.crank_length_mm)) return "Look at the crank length first: nothing can be expected of " + bench.significant(hung.crank_length_mm) + " mm.";
      if (!hung.crank_length_mm) return "Type the crank length, and the expected torque is shown here.";
      if (!hung.mass_kg) return "Choose the mass set, and the expected torque is shown here.";
      return "Type cog and chainring, and the expected torque is shown here.";
    }

    judgeRow(stage, n, row, typed) {
      const parts = this.inputs.get(stage + "|" + n);
      if (!parts) return;
      const slip = typed.torque_nm === null ? undefined : this.unsure.get(typed.reading);
      parts.sure.hidden = !slip;
      const value = bench.parse(row.text);
      const bad = Number.isNaN(value);
      parts.input.setAttribute("aria-invalid", bad ? "true" : "false");
      const said = bad ? ["off", "Not a number: digits with one comma or point."] : this.judgement(stage, row, typed);
      parts.line.dataset.state = said[0];
      parts.place.replaceChildren(...[said[1]].flat());
      parts.again.classList.toggle("bench-wanted", !bad && said[2] === true);
      parts.limits.textContent = this.limitsOf(stage, typed);
    }

    limitsOf(stage, row) {
      if (row.load !== "mass") return "";
      const { all, typed } = this.rows();
      const nm = bench.expected(this.kit, this.meter, row, bench.ways(typed, row, all));
      if (!bench.typed(nm)) return "";
      const one = this.found[stage].used.find((u) => u.row.reading === row.reading);
      const zero = one ? one.zero : this.found[stage].zero;
      const [low, high] = bench.accept(nm, this.meter.tolerance_pct, zero);
      return shown(low) + " to " + shown(high);
    }

    // [state, words] of one reading as typed.
    judgement(stage, row, typed) {
      if (typed.torque_nm === null) return ["", ""];
      const found = this.found[stage];
      if (row.load === "zero") return this.judgeZero(stage, typed);
      const one = found.used.find((u) => u.row.reading === typed.reading);
      if (!one) return ["doubt", "Kept, but not judged: mass or crank length is missing."];
      const error = 100 * (one.ratio - 1);
      const within = Math.abs(error) <= this.meter.tolerance_pct;
      const words = [h("b", {}, signed(error) + PC), within ? " within the limit" : " beyond the limit"];
      const slip = this.unsure.get(typed.reading);
      if (slip && Math.abs(error) > 50) return ["doubt", slip, true];
      const doubt = this.doubtOf(found, one) || slip;
      if (doubt) words.push(". " + doubt);
      const beyond = stage === "as_left" ? this.againstSlope(one, error) : stage === "as_found" ? this.againstForecast(error) : "";
      if (beyond && !doubt) words.push(". " + beyond);
      const alone = found.used.length === 1;
      if (beyond && alone && !doubt) words.push(" Hang it again to be sure.");
      return [doubt ? "doubt" : within ? "ok" : "off", words, Boolean(doubt || (beyond && alone))];
    }

    judgeZero(stage, typed) {
      const rules = this.kit.rules;
      const zeros = this.rows().typed.filter((r) => r.stage === stage && r.load === "zero");
      if (Math.abs(typed.torque_nm) > 3) {
        return ["off", "That is no zero: is something hanging, or was a reading typed here?", true];
      }
      if (Math.abs(typed.torque_nm) > rules.zero_large_nm) {
        return ["doubt", "A large zero: zero the meter before it is ridden. It is taken off here."];
      }
      const moved = typed.torque_nm - zeros[0].torque_nm;
      if (zeros[0].reading !== typed.reading && Math.abs(moved) > 0.2) {
        return ["doubt", "The zero moved by " + signed(moved) + NM + ": let the meter rest and read it again.", true];
      }
      const moves = Math.abs(typed.torque_nm) >= 0.005 ? ": what the masses should show moves by " + signed(typed.torque_nm) + NM + "." : ".";
      return ["ok", "Zero noted; it is taken off every reading" + moves];
    }

    // Against the other readings of the stage: what should agree and does not.
    doubtOf(found, one) {
      const odd = bench.oddReading(this.kit, this.meter, found);
      if (odd && odd.at === one.row.reading) {
        return "The others fit " + shown(odd.fits) + NM + " here: a slip of the fingers? Read it again.";
      }
      const others = found.used.filter((u) => u !== one && !(odd && u.row.reading === odd.at) && !this.unsure.has(u.row.reading));
      if (!others.length) return "";
      const same = others.filter((u) => u.row.arm === one.row.arm && u.row.chainring === one.row.chainring &&
        u.row.direction === one.row.direction);
      const gap = (list) => 100 * (one.ratio - bench.mean(list.map((u) => u.ratio)));
      if (same.length && Math.abs(gap(same)) > 0.6) {
        return signed(gap(same), 1) + PC + " off the same hanging before: level the crank, still the masses, hang again.";
      }
      if (one.row.direction || this.kind.own_slopes) return "";
      if (!same.length && Math.abs(gap(others)) > this.kit.rules.arm_limit_pct) {
        return signed(gap(others), 1) + PC + " off the other readings: level the crank and hang again.";
      }
      return "";
    }

    // As left: what the new slope should have made of the error that was found.
    againstSlope(one, error) {
      const side = this.kind.own_slopes && one.row.arm ? "_" + one.row.arm : "";
      const [before, after] = ["slope_before", "slope_after"].map((name) => bench.parse(this.draft.setup[name + side]));
      const ratio = this.deciding && (side ? this.deciding.sides[one.row.arm] : this.deciding.ratio);
      if (!(before > 0) || !(after > 0) || !(ratio > 0)) return "";
      const left = 100 * (ratio * (this.meter.convention === "multiplier" ? after / before : before / after) - 1);
      if (Math.abs(error - left) <= 1) return "";
      return "With the slope changed from " + bench.slopeText(this.meter, before) + " to " + bench.slopeText(this.meter, after) + " it should be " + signed(left) + PC + ": is the new slope in?";
    }

    againstForecast(error) {
      const { gain_error_pct: mean, gain_error_sd_pct: sd, taking_in: ahead } = this.meter;
      if (ahead || !bench.typed(mean) || !bench.typed(sd)) return "";
      const wide = 2.6 * Math.hypot(sd, 0.4);
      if (Math.abs(error - mean) <= wide) return "";
      return "The forecast was " + signed(mean, 1) + " \u00b1\u00a0" + shown(1.645 * sd, 1) + PC + ".";
    }

    // -- the result so far ----------------------------------------------------------------
    drawResult(typed) {
      const deciding = this.deciding;
      const parts = [h("h3", {}, "Result")];
      if (!deciding) {
        parts.push(h("p", { class: "bench-hint" }, "Appears with the first hanging."));
        this.result.replaceChildren(...parts);
        return;
      }
      if (this.unsure.size) {
        parts.push(h("p", { class: "bench-word", id: "bench-unsure" }, "Not judged yet."),
          h("p", {}, this.unsure.size === 1 ? "A reading is far from everything expected. Hang it again, or say beside it that it is right."
            : this.unsure.size + " readings are far from everything expected. Hang them again, or say beside them that they are right."));
        if (this.link) parts.push(h("p", { class: "bench-link", id: "bench-link", role: "status" }, this.link === "none" ? "No connection." : this.link));
        this.result.replaceChildren(...parts);
        return;
      }
      parts.push(h("p", { class: "big", id: "bench-error" }, this.number(deciding)));
      parts.push(...this.fromServer(typed), this.line(deciding), this.facts(deciding));
      this.result.replaceChildren(...parts);
    }

    // The page's own word until the server's verdict is there; both by the same rule.
    ownWord(found) {
      const limit = this.meter.tolerance_pct;
      const usual = bench.usualU(this.kit, this.meter, found.used[0].row, found.used.map((one) => one.row)).expanded;
      const parts = this.kind.own_slopes ? Object.values(found.sides).map((ratio) => 100 * (ratio - 1)) : [];
      const all = [found.error_pct, ...parts].map(Math.abs);
      const word = all.some((e) => e - usual > limit) ? "out_of_tolerance" : all.every((e) => e + usual <= limit) ? "in_tolerance" : "indeterminate";
      return [h("b", {}, this.kit.states.verdicts[word]), " (\u00b1\u00a0" + shown(limit, 1) + PC + "), with the usual uncertainty of \u00b1\u00a0" + shown(usual) + PC + "."];
    }

    line(found) {
      const meter = this.meter;
      const usual = bench.usualU(this.kit, meter, found.used[0].row, found.used.map((one) => one.row)).expanded;
      const known = !meter.taking_in && bench.typed(meter.gain_error_pct) && bench.typed(meter.gain_error_sd_pct);
      const half = 1.645 * meter.gain_error_sd_pct;
      return bench.errorLine({
        limit: meter.tolerance_pct,
        hangings: found.used.map((one) => 100 * (one.ratio - 1)),
        found: found.error_pct,
        u: usual,
        forecast: known ? [meter.gain_error_pct - half, meter.gain_error_pct + half] : null,
        left: found !== this.found.as_left && this.found.as_left.used.length ? this.found.as_left.error_pct : null,
      });
    }

    facts(found) {
      const facts = [
        ["Readings", String(found.used.length)],
        found.zero === null ? null : ["Zero", signed(found.zero) + NM],
        found.arm_difference_pct === null ? null : ["Left \u2212 right", this.flag(found.arm_difference_pct, this.kind.own_slopes ? 99 : this.kit.rules.arm_limit_pct)],
        found.ring_difference_pct === null ? null : ["Small \u2212 large ring", this.flag(found.ring_difference_pct, this.kit.rules.ring_limit_pct)],
        ...(this.kind.own_slopes ? Object.entries(found.sides).map(([side, ratio]) => [side[0].toUpperCase() + side.slice(1), signed(100 * (ratio - 1)) + PC]) : []),
        !this.meter.taking_in && bench.typed(this.meter.gain_error_pct) ? ["Forecast", signed(this.meter.gain_error_pct, 1) + " \u00b1\u00a0" + shown(1.645 * this.meter.gain_error_sd_pct, 1) + PC] : null,
        this.found.as_left.used.length ? ["As left", signed(this.found.as_left.error_pct) + PC] : null,
      ].filter(Boolean);
      return h("dl", { class: "facts" }, facts.map(([label, value]) => h("div", {}, h("dt", {}, label), h("dd", {}, value))));
    }

    flag(value, limit) {
      return signed(value) + PC + (Math.abs(value) >= limit ? " \u2013 too much: look for the cause" : "");
    }

    fromServer(typed) {
      const verdict = this.verdict;
      const fresh = verdict && verdict.of === JSON.stringify(typed);
      if (!fresh) {
        const text = this.link === "none"
          ? "Provisional, this page\u2019s own. No connection: the verdict follows when the server is back."
          : this.link || "Provisional, this page\u2019s own: the verdict is on its way\u2026";
        return [
          h("p", { class: "bench-word" }, this.ownWord(this.deciding)),
          h("p", { class: "bench-link", id: "bench-link", role: "status" }, text),
          ...this.warned(this.suspected, bench.looks(this.kit, this.judgedHere.doubt, this.ownAdvice()), this.ownAdvice()),
        ];
      }
      const doc = verdict.document;
      if (doc.gain_error_pct === null) {
        return [h("p", { class: "bench-link", id: "bench-link" }, doc.advice_text || doc.reason)];
      }
      const stage = this.deciding === this.found.after_work ? "after_work_" : "";
      return [h("div", { class: "bench-verdict", id: "bench-verdict" },
        h("p", { class: "bench-word" }, h("b", {}, this.kit.states.verdicts[doc[stage + "verdict"]]),
          " (\u00b1\u00a0" + shown(this.meter.tolerance_pct, 1) + PC + "): " + this.judgedNumber(doc, stage)),
        h("p", {}, h("b", {}, this.kit.states.advice[doc.advice] || ""), ". " + doc.advice_text),
        ...this.newSlopes(doc),
        ...this.warned(doc.suspicions, doc.checks, doc.advice),
        ...doc.findings.map((text) => h("p", { class: "warn" }, text)),
        doc.as_left_gain_error_pct === null ? null
          : h("p", {}, "As left " + signed(doc.as_left_gain_error_pct) + " \u00b1\u00a0" + shown(doc.as_left_expanded_uncertainty_pct) + PC + ": " + this.kit.states.verdicts[doc.as_left_verdict].toLowerCase() + "."))];
    }

    // What the verdict is about: of a pair as found each side.
    judgedNumber(doc, stage) {
      const one = (error, u) => signed(error) + " \u00b1\u00a0" + shown(u) + PC;
      if (stage || !bench.typed(doc.expanded_uncertainty_left_pct) || !bench.typed(doc.expanded_uncertainty_right_pct)) {
        return one(doc[stage + "gain_error_pct"], doc[stage + "expanded_uncertainty_pct"]) + ".";
      }
      const side = (name) => name + " " + one(doc["gain_error_" + name + "_pct"], doc["expanded_uncertainty_" + name + "_pct"]);
      return side("left") + ", " + side("right") + ".";
    }

    // What is suspected, and what else to look at: a slip is said once.
    warned(suspicions, checks, advice) {
      const named = new Set(suspicions.map((s) => s.kind));
      const others = checks.filter((check) => !named.has(check.kind));
      return [...suspicions.map((s) => h("p", { class: "warn" }, s.text)), ...this.looks(others, advice)];
    }

    // What to look at before doing as advised, the likeliest and quickest first.
    looks(checks, advice) {
      if (!checks.length) return [];
      const title = advice === "leave" ? "Before you take it off, glance at:" : "Before you change the slope, look at:";
      return [h("p", { class: "bench-looks-title" }, title),
        h("ol", { class: "bench-looks", id: "bench-looks" }, checks.map((check) => h("li", {}, check.what)))];
    }

    newSlopes(doc) {
      if (doc.advice !== "reset") return [];
      const left = doc.as_left_gain_error_pct !== null;
      const key = left ? "recommended_slope" : "slope_to_enter";  // once measured as left, for that state
      return ["", "_left", "_right"].filter((side) => bench.typed(doc[key + side])).map((side) => {
        const value = doc[key + side];
        const stays = left && value === bench.parse(this.draft.setup["slope_after" + side]);
        const label = sided(stays ? "The slope stays" : "New slope", side);
        return h("p", { class: "bench-slope" }, label + " ", h("b", {}, bench.slopeText(this.meter, value)));
      });
    }

    judged() {
      return this.rows().typed;
    }

    // The slope to enter: the server's where it has judged, else the page's own.
    recommended(side) {
      if (this.unsure.size) return null;
      const doc = this.verdict && this.verdict.of === JSON.stringify(this.judged()) && this.verdict.document;
      if (doc) return doc.advice === "reset" && doc.as_left_gain_error_pct === null ? doc["slope_to_enter" + side] : null;
      if (!this.deciding || this.adviceOf(side) !== "reset") return null;
      const before = bench.parse(this.draft.setup["slope_before" + side]);
      return bench.slopeToEnter(this.meter, bench.newSlope(before, this.ratioOf(side), this.meter.convention));
    }

    ratioOf(side) {
      return side ? this.deciding.sides[side.slice(1)] : this.deciding.ratio;
    }

    // The page's own advice of the meter (side empty), or of one side with a slope of its own.
    adviceOf(side) {
      const rows = this.deciding.used.map((one) => one.row);
      const usual = bench.usualU(this.kit, this.meter, rows[0], rows);
      const before = bench.parse(this.draft.setup["slope_before" + side]);
      return bench.advise(this.kit, this.meter, this.judgedHere, {
        error_pct: 100 * (this.ratioOf(side) - 1), expanded: usual.expanded, u: usual.u, own: usual.session,
        before: before, arm: side.slice(1),
      });
    }

    ownAdvice() {
      if (!this.deciding) return "repeat";
      const sides = this.kind.own_slopes ? ["_left", "_right"].filter((side) => this.ratioOf(side)) : [""];
      return sides.map((side) => this.adviceOf(side)).find((advice) => advice !== "leave") || "leave";
    }

    later(wait) {
      clearTimeout(this.timer);
      this.timer = setTimeout(() => this.judge(), wait);
    }

    async judge() {
      const { typed } = this.rows();
      if (!this.root.isConnected || !typed.some((row) => row.load === "mass")) return;
      const of = JSON.stringify(typed);
      if (this.verdict && this.verdict.of === of) return;
      const turn = (this.asked += 1);
      try {
        const document = await bench.ask("/bench/judge", { rows: typed });
        if (turn !== this.asked) return;
        this.verdict = { of: of, document: document };
        this.link = "";
      } catch (problem) {
        if (turn !== this.asked) return;
        this.link = problem.offline || problem.status >= 500 ? "none" : problem.text;
        if (this.link === "none") this.later(AGAIN_MS);
      }
      this.drawResult(this.rows().typed);
      this.drawSlopeHints();
    }

    // -- slope, as left, save ----------------------------------------------------------------
    drawFinish() {
      const fixed = this.meter.convention === "fixed";
      const sides = fixed ? [] : this.kind.own_slopes ? ["_left", "_right"] : [""];
      this.hints = new Map();
      const slopes = sides.map((side) => {
        const wrap = this.text("slope_after" + side, sided("Slope in the meter now", side), "decimal", side === "_right" ? "empty: unchanged" : "Empty: unchanged. " + this.slopeWords());
        const hint = h("button", { type: "button", class: "quiet bench-same", hidden: true });
        this.hints.set(side, hint);
        wrap.append(hint);
        return wrap;
      });
      const stages = ["after_work", "as_left"].filter((s) => !this.draft.stages[s]);
      const opens = { after_work: "I mended something: measure again", as_left: "Check as left" };
      this.saving = h("button", { type: "button", id: "bench-save", class: "bench-save", onclick: () => this.save() });
      this.before = h("p", { class: "bench-hint", id: "bench-before", role: "status" });
      this.finish.replaceChildren(
        slopes.length ? h("h3", {}, "Slope") : h("p", { class: "bench-hint" }, "Its slope is fixed."),
        h("div", { class: "bench-grid" }, slopes),
        h("div", { class: "bench-stack" },
          stages.map((s) => h("button", { type: "button", class: "quiet", id: "bench-open-" + s, onclick: () => this.open(s) }, opens[s]))),
        this.before, this.saving,
        h("button", { type: "button", class: "quiet", id: "bench-clear", onclick: () => this.clear() }, "Discard this session"));
      this.judgeSetup();
      this.drawSave(this.rows().typed);
      this.drawSlopeHints();
    }

    drawSlopeHints() {
      if (!this.hints) return;
      for (const [side, hint] of this.hints) {
        const value = this.recommended(side);
        hint.hidden = !bench.typed(value);
        if (hint.hidden) continue;
        const text = bench.slopeText(this.meter, value);
        hint.textContent = "I entered " + text;
        hint.onclick = () => this.fill("slope_after" + side, text);
      }
    }

    drawSave(typed) {
      if (!this.saving) return;
      const hung = typed.filter((row) => row.load === "mass");
      const bad = Boolean(this.root && this.root.querySelector('[aria-invalid="true"]'));
      const unsure = !bad && this.unsure.size > 0;
      const lacks = !hung.length || hung.some((row) => !row.mass_kg || !row.crank_length_mm);
      this.saving.disabled = bad || lacks;
      this.saving.classList.toggle("quiet", unsure);
      this.saving.textContent = unsure ? "Save all the same\u2026" : this.draft.corrects ? "Save the correction" : "Save session";
      const changedSlope = ["", "_left", "_right"].some((side) => bench.typed(bench.parse(this.draft.setup["slope_after" + side])));
      const said = [];
      if (bad) said.push("Something typed cannot be used: look at the fields that are marked.");
      else if (!hung.length) said.push("Type at least one hanging.");
      else if (lacks) said.push("Mass set or crank length is missing.");
      else {
        if (unsure) said.push("A reading is far from everything expected: hang it again, or say beside it that it is right.");
        if (!hung.some((row) => row.stage === "as_found")) said.push("Nothing was read as found: what it was before cannot be told any more.");
        if (changedSlope && !this.found.as_left.used.length) said.push("The slope was changed: hang once more as left before you save.");
        if (!typed.some((row) => row.load === "zero")) said.push("No zero was read: read it now if you can.");
      }
      this.before.textContent = said.join(" ");
      this.drawSlopeHints();
    }

    save() {
      if (this.unsure.size && !window.confirm("A reading is far from everything expected. Save it as it is?")) return;
      const hang = this.deciding ? bench.hangOf(this.kit, this.meter, this.deciding, this.judgedHere, this.ownAdvice()) : null;
      bench.saveSession(this.kit, this.draft, this.meter.meter_id, hang);
      this.leave();
    }

    clear() {
      if (!window.confirm("Discard everything typed for " + this.meter.meter_id + "?")) return;
      bench.forget(this.meter.meter_id);
      this.leave();
    }
  }

  const lengthLikely = (mm) => !mm || (mm >= 100 && mm <= 200);

  function takingIn(meter) {
    return meter.taking_in === "taken back" ? "A session was taken back, being taken in" : "Measured today, being taken in";
  }

  // ---- parts without state ------------------------------------------------------------------
  function setWords(set) {
    const total = (set.mass_kg || 0) + (set.hanger_kg || 0);
    const known = set.mass_kg === null ? "mass not listed" : shown(total, 2) + " kg with hanger";
    return set.bench_id + " (" + known + ")";
  }

  function hangWords(row, kind, setup) {
    if (row.load === "zero") return ["Zero", "nothing on the crank"];
    const part = kind.kind.startsWith("pedal") ? " pedal" : " arm";
    const side = row.arm && kind.arms.length > 1 ? row.arm.toUpperCase() + part : null;
    const one = kind.arms.length === 1 ? kind.arms[0].toUpperCase() + part : null;
    const ring = row.ring ? row.ring + " ring" : null;
    const way = row.direction ? "loading " + row.direction : null;
    const head = [side || one, ring, way].filter(Boolean).join(", ") || "Masses on";
    const lever = setup.path === "lever_on_cassette" ? "lever level" : "crank level, pointing forward";
    const where = kind.uses_length ? ", from the pedal\u2019s centre" : "";
    return [head, lever + where + ", masses at rest" + (row.extra ? ", hung again" : "")];
  }

  const SEEN = "slopewatch-bench-cautions";

  // Open once a day; afterwards its heading stays.
  function openToday(day) {
    try {
      const first = localStorage.getItem(SEEN) !== day;
      localStorage.setItem(SEEN, day);
      return first;
    } catch (error) {
      return true;
    }
  }

  function cautions(kit) {
    const said = [
      ["The masses fall.", " Feet, knees and hands out from under them; a mat below; take them off before you loosen anything."],
      ["The bike must hold.", " Clamp it upright and lock the wheel, so that the crank cannot turn when the masses are on."],
      ["Button cells", " are dangerous when swallowed: count them, the old ones too."],
      ["The makers\u2019 instructions and your workshop\u2019s rules", " come before this page."],
    ];
    return h("details", { class: "bench-cautions", open: openToday(bench.today(kit)) },
      h("summary", {}, "Before you hang anything: feet clear, bike clamped, wheel locked"),
      h("ul", {}, said.map(([bold, rest]) => h("li", {}, h("b", {}, bold), rest))));
  }

  function ridesOnly(meter) {
    return h("div", { class: "empty", id: "bench-rides-only" },
      h("p", { class: "empty-what" }, meter.meter_id + " shows torque only when it turns: rides only."),
      h("p", {}, "There is nothing to hang. Compare it on a ride with a device that you trust; the meter\u2019s page says what is known of it."));
  }

  Object.assign(bench, { h: h, badge: badge, Form: Form, hangWords: hangWords, setWords: setWords, takingIn: takingIn });
})();
