// The ordinary slips at a bench, each with what it would do to the shown torque: the list of
// models/bench/causes/mistakes.py, for readings that no server has seen yet.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});

  // A reason: its kind, and the values that the models' template of it needs.
  const reason = (kind, values) => ({ kind: kind, values: values || {} });

  // more: fix, detail (of a slip of the setup, which lasts for all meters that follow), ofSlope.
  function slip(kind, factor, share, what, more) {
    const one = { kind, factor, share, what, shift: 100 * Math.log(factor), fix: "entry" };
    Object.assign(one, more || {});
    one.setup = one.detail !== undefined;
    one.key = what.kind + " " + (one.detail || "");
    return one;
  }

  function byDistance(rules, entered, total) {
    const others = rules.common_lengths_mm.filter(
      (mm) => Math.abs(mm - entered) >= rules.same_length_mm
    );
    const weights = others.map((mm) => 2 ** (-Math.abs(mm - entered) / 2.5));
    const all = weights.reduce((a, b) => a + b, 0);
    return new Map(others.map((mm, k) => [mm, (total * weights[k]) / all]));
  }

  function lengthShares(rules, known, last, entered) {
    const unlike = (mm) => bench.typed(mm) && Math.abs(mm - entered) >= rules.same_length_mm;
    const confirmed = bench.typed(known);
    const shares = byDistance(rules, entered, confirmed ? rules.length_share_confirmed : rules.length_share);
    if (confirmed && unlike(known)) shares.set(known, rules.length_share_contradicted);
    if (!confirmed && unlike(last)) shares.set(last, rules.length_share_unlike_last);
    return shares;
  }

  function lengths(rules, meter, kind, row, last) {
    const entered = row.crank_length_mm;
    if (!entered) return [];
    const known = meter.known_length_mm;
    const shares = lengthShares(rules, known, last && last.crank_length_mm, entered);
    if (kind.uses_length) {
      const set = meter.installation && meter.installation.programmed_mm;
      const total = set ? rules.length_share_confirmed : rules.programmed_share;
      for (const [mm, share] of byDistance(rules, entered, total)) {
        shares.set(mm, (shares.get(mm) || 0) + share);
      }
    }
    return Array.from(shares, ([mm, share]) => {
      const named = bench.typed(known) && Math.abs(mm - known) < rules.same_length_mm;
      if (kind.uses_length && !named) {
        const what = reason("other_length_set", { set_mm: mm, entered_mm: entered });
        return slip("crank_length", mm / entered, share, what, { fix: "setting" });
      }
      const what = reason("other_crank", { true_mm: mm, entered_mm: entered });
      return slip("crank_length", mm / entered, share, what);
    });
  }

  function hangers(kit, row) {
    const share = kit.rules.hanger_share;
    const [mass, hanger] = [row.mass_kg || 0, row.hanger_mass_kg || 0];
    const set = bench.findBy(kit.mass_sets, "bench_id", row.bench_id);
    const known = set ? set.hanger_kg : 0;
    const out = [];
    if (known && !hanger) {
      const what = reason("hanger_left_out", { hanger_kg: known });
      out.push(slip("hanger_mass", (mass + known) / mass, share, what, { detail: "" }));
    }
    if (hanger && mass) {
      const what = reason("hanger_counted_twice", { hanger_kg: hanger });
      out.push(slip("hanger_mass", mass / (mass + hanger), share, what, { detail: "" }));
    }
    return out;
  }

  function masses(kit, row) {
    const rules = kit.rules;
    const [mass, hanger] = [row.mass_kg || 0, row.hanger_mass_kg || 0];
    const total = mass + hanger;
    const same = (one, other) => Math.abs(one - other) <= rules.same_mass * other;
    const asPounds = mass * rules.lb + hanger;
    const others = kit.mass_sets
      .filter((set) => set.bench_id !== row.bench_id && set.mass_kg !== null)
      .map((set) => [set.bench_id, set.mass_kg + set.hanger_kg])
      .filter(([, kg]) => kg > 0 && !same(kg, total))
      .sort((a, b) => (a[0] < b[0] ? -1 : 1));
    const each = rules.other_set_share / others.length;
    const unlike = others.filter(([, kg]) => !same(kg, asPounds));
    const out = unlike.map(([name, kg]) => {
      const what = reason("other_set", { bench_id: name, true_kg: kg, entered_kg: total });
      return slip("mass", kg / total, each, what, { detail: name });
    });
    const share = rules.plate_share / 2 / rules.plates_kg.length;
    for (const plate of rules.plates_kg) {
      for (const [kg, name] of [[total + plate, "plate_more"], [total - plate, "plate_less"]]) {
        const more = { detail: String(plate) };
        if (kg > 0) out.push(slip("mass", kg / total, share, reason(name, { plate_kg: plate }), more));
      }
    }
    const pounds = reason("mass_in_pounds", { mass: mass });
    const unitShare = rules.unit_share + (others.length - unlike.length) * each;
    out.push(slip("unit", asPounds / total, others.length ? unitShare : rules.unit_share, pounds, { detail: "" }));
    const converted = (mass / rules.lb + hanger) / total;
    out.push(slip("unit", converted, rules.unit_share, reason("mass_converted"), { detail: "" }));
    return out;
  }

  function display(rules, kind) {
    const setting = { fix: "setting" };
    const out = Object.entries(rules.torque_units).map(([unit, factor]) =>
      slip("unit", factor, rules.unit_share, reason("display_unit", { unit: unit }), setting)
    );
    const share = kind.may_show_double ? rules.doubled_share : rules.doubled_share_else;
    out.push(slip("doubled_display", 2, share, reason("display_doubled"), setting));
    out.push(slip("doubled_display", 0.5, share / 3, reason("display_halved"), setting));
    for (const point of rules.points) out.push(slip("mistyped", point, rules.tenfold_share, reason("tenfold")));
    return out;
  }

  function angles(rules) {
    const weights = rules.unlevel_deg.map((deg) => Math.exp(-((deg / rules.unlevel_sd_deg) ** 2) / 2));
    const all = weights.reduce((a, b) => a + b, 0);
    return rules.unlevel_deg.map((deg, k) => {
      const share = (rules.angle_share * weights[k]) / all;
      return slip("angle", Math.cos((deg * Math.PI) / 180), share, reason("off_level", { angle_deg: deg }));
    });
  }

  function teeth(rules, meter, rows) {
    const out = [];
    const { large_ring: large, small_ring: small } = meter.installation || {};
    if (large && small && large !== small) {
      const labels = rows.map((row) => String(row.chainring || ""));
      const onSmall = labels.includes("small") || labels.includes(String(small));
      const [entered, other] = onSmall ? [small, large] : [large, small];
      const what = reason("other_ring", { true_teeth: other, entered_teeth: entered });
      out.push(slip("swapped", onSmall ? small / large : large / small, rules.teeth_share, what));
    }
    const cog = bench.throughTheChain(rows[0]) ? rows[0].cog_teeth : null;
    for (const [off, part] of cog ? rules.cogs_off : []) {
      const what = reason("other_cog", { true_teeth: cog + off, entered_teeth: cog });
      out.push(slip("cog_teeth", (cog + off) / cog, rules.teeth_share * part, what));
    }
    return out;
  }

  // A slope that is not the one last left, or one that acts the other way than its row says.
  function slopes(rules, meter, row, last, left) {
    const out = [];
    const divides = meter.convention === "divisor";
    const shown = row.slope_before;
    const p = bench.programmedLn(shown, meter.convention);
    if (shown && p !== null && bench.typed(left) && Math.abs(p - left) > rules.same_slope_ln) {
      const slope = Math.exp((divides ? left : -left) / 100);
      const what = reason("other_slope", { shown: bench.slopeText(meter, shown), left: bench.slopeText(meter, slope) });
      const factor = Math.exp((p - left) / 100);
      out.push(slip("slope", factor, rules.slope_share_unlike_last, what, { ofSlope: true }));
    }
    const told = last.p_before !== null && last.p_after !== null && last.as_left === null;
    const changed = told ? last.p_after - last.p_before : 0;
    if (Math.abs(changed) > rules.same_slope_ln) {
      const other = divides ? "multiplier" : "divisor";
      const what = reason("slope_acts_otherwise", { convention: other, entered: meter.convention });
      const more = { fix: "setting", ofSlope: true };
      out.push(slip("slope_direction", Math.exp((2 * changed) / 100), rules.wrong_way_share, what, more));
    }
    return out;
  }

  // past: the meter's before this session; times: how many times its usual share each kind has.
  function plausible(kit, meter, rows, past, times) {
    const kind = kit.kinds[meter.kind];
    const row = rows[0];
    const last = past && past.last;
    return [
      ...lengths(kit.rules, meter, kind, row, last),
      ...hangers(kit, row),
      ...masses(kit, row),
      ...display(kit.rules, kind),
      ...angles(kit.rules),
      ...(kind.through_chain ? teeth(kit.rules, meter, rows) : []),
      ...(last ? slopes(kit.rules, meter, row, last, past.left) : []),
    ].map((one) => Object.assign(one, { share: one.share * (one.kind in times ? times[one.kind] : 1) }));
  }

  Object.assign(bench, { reason: reason, plausible: plausible });
})();
