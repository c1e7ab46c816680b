// Whether a plausible mistake explains a found error better than the meter does: the rules of
// models/bench/mistakes.py and models/bench/suspicions.py, for readings that no server has seen yet.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});

  function normal(x, sd) {
    const z = x / sd;
    return Math.abs(z) < 38 ? Math.exp((-z * z) / 2) / sd : 0;
  }

  // A reason: its kind, and the values that the models' template of it needs.
  const reason = (kind, values) => ({ kind: kind, values: values || {} });

  // ---- each mistake with what it would do to the shown torque ---------------------------
  function byDistance(rules, entered, total) {
    const others = rules.common_lengths_mm.filter(
      (mm) => Math.abs(mm - entered) >= rules.same_length_mm
    );
    const weights = others.map((mm) => 2 ** (-Math.abs(mm - entered) / 2.5));
    const all = weights.reduce((a, b) => a + b, 0);
    return new Map(others.map((mm, k) => [mm, (total * weights[k]) / all]));
  }

  function lengths(rules, meter, kind, row) {
    const entered = row.crank_length_mm;
    if (!entered) return [];
    const known = meter.known_length_mm;
    const last = meter.past && meter.past.last ? meter.past.last.crank_length_mm : null;
    const unlike = (mm) => mm !== null && mm !== undefined && Math.abs(mm - entered) >= rules.same_length_mm;
    let shares;
    if (known === null || known === undefined) {
      shares = byDistance(rules, entered, rules.length_share);
      if (unlike(last)) shares.set(last, rules.length_share_unlike_last);
    } else {
      shares = byDistance(rules, entered, rules.length_share_confirmed);
      if (unlike(known)) shares.set(known, rules.length_share_contradicted);
    }
    if (kind.uses_length) {
      const set = meter.installation && meter.installation.programmed_mm;
      const total = set ? rules.length_share_confirmed : rules.programmed_share;
      for (const [mm, share] of byDistance(rules, entered, total)) {
        shares.set(mm, (shares.get(mm) || 0) + share);
      }
    }
    return Array.from(shares, ([mm, share]) => {
      const slip = typeof known === "number" && Math.abs(mm - known) < rules.same_length_mm;
      const setting = kind.uses_length && !slip;
      const what = setting
        ? reason("other_length_set", { set_mm: mm, entered_mm: entered })
        : reason("other_crank", { true_mm: mm, entered_mm: entered });
      return ["crank_length", mm / entered, share, what, setting ? "setting" : "entry"];
    });
  }

  function masses(kit, row) {
    const rules = kit.rules;
    const mass = row.mass_kg || 0;
    const hanger = row.hanger_mass_kg || 0;
    const total = mass + hanger;
    const set = bench.findBy(kit.mass_sets, "bench_id", row.bench_id);
    const known = set ? set.hanger_kg : 0;
    const out = [];
    if (known && !hanger) {
      const what = reason("hanger_left_out", { hanger_kg: known });
      out.push(["hanger_mass", (total + known) / total, rules.hanger_share, what, "entry"]);
    }
    if (hanger && mass) {
      const what = reason("hanger_counted_twice", { hanger_kg: hanger });
      out.push(["hanger_mass", mass / total, rules.hanger_twice_share, what, "entry"]);
    }
    for (const other of kit.mass_sets) {
      const kg = other.mass_kg === null ? 0 : other.mass_kg + other.hanger_kg;
      if (other.bench_id === row.bench_id || kg <= 0 || Math.abs(kg - total) <= 1e-4 * total) continue;
      const what = reason("other_set", { bench_id: other.bench_id, true_kg: kg, entered_kg: total });
      out.push(["mass", kg / total, rules.other_set_share, what, "entry"]);
    }
    const share = rules.plate_share / 2 / rules.plates_kg.length;
    for (const plate of rules.plates_kg) {
      for (const [sign, name] of [[1, "plate_more"], [-1, "plate_less"]]) {
        if (total + sign * plate <= 0) continue;
        const what = reason(name, { plate_kg: plate });
        out.push(["mass", (total + sign * plate) / total, share, what, "entry"]);
      }
    }
    out.push(["unit", rules.lb, rules.unit_share, reason("mass_in_pounds", { mass: mass }), "entry"]);
    out.push(["unit", 1 / rules.lb, rules.unit_share, reason("mass_converted"), "entry"]);
    return out;
  }

  function display(rules, kind) {
    const out = Object.entries(rules.torque_units).map(([unit, factor]) => [
      "unit", factor, rules.unit_share, reason("display_unit", { unit: unit }), "setting",
    ]);
    const share = kind.may_show_double ? rules.doubled_share : rules.doubled_share_else;
    out.push(["doubled_display", 2, share, reason("display_doubled"), "setting"]);
    out.push(["doubled_display", 0.5, share / 3, reason("display_halved"), "setting"]);
    return out;
  }

  function angles(rules) {
    const weights = rules.unlevel_deg.map((deg) => Math.exp(-((deg / rules.unlevel_sd_deg) ** 2) / 2));
    const all = weights.reduce((a, b) => a + b, 0);
    return rules.unlevel_deg.map((deg, k) => [
      "angle",
      Math.cos((deg * Math.PI) / 180),
      (rules.angle_share * weights[k]) / all,
      reason("off_level", { angle_deg: deg }),
      "entry",
    ]);
  }

  function teeth(rules, meter, rows) {
    const fitted = meter.installation || {};
    const large = fitted.large_ring;
    const small = fitted.small_ring;
    if (!large || !small || large === small) return [];
    const labels = rows.map((row) => String(row.chainring || ""));
    const onSmall = labels.includes("small") || labels.includes(String(small));
    const entered = onSmall ? small : large;
    const other = onSmall ? large : small;
    const what = reason("other_ring", { true_teeth: other, entered_teeth: entered });
    return [["swapped", onSmall ? small / large : large / small, rules.teeth_share, what, "entry"]];
  }

  function plausible(kit, meter, rows) {
    const kind = kit.kinds[meter.kind];
    const row = rows[0];
    return [
      ...lengths(kit.rules, meter, kind, row),
      ...masses(kit, row),
      ...display(kit.rules, kind),
      ...angles(kit.rules),
      ...(kind.through_chain ? teeth(kit.rules, meter, rows) : []),
    ].map(([name, factor, share, what, fix]) => ({ kind: name, factor, share, what, fix }));
  }

  // ---- weighing -------------------------------------------------------------------------
  function lengthInDoubt(rules, meter, row) {
    const last = meter.past && meter.past.last ? meter.past.last.crank_length_mm : null;
    const known = typeof meter.known_length_mm === "number" ? meter.known_length_mm : last;
    return typeof known === "number" && Math.abs(known - row.crank_length_mm) >= rules.same_length_mm;
  }

  // What the meter is expected to be found with, 100\u00b7ln: mean, and sd with this session's own.
  // u_ln: standard uncertainty against the expectation (null: a usual one's).
  function awaited(kit, meter, row, u_ln) {
    const expected = bench.expectation(kit, meter, row);
    let u = u_ln;
    if (u === null || u === undefined) {
      const usual = bench.usualU(kit, meter, row);
      u = expected.known ? usual.session : usual.u;
    }
    return { mean: expected.mean, sd: Math.hypot(expected.sd, u) };
  }

  // Whether a ratio is one that the meter may have once a mistake is taken off it.
  function remains(rules, expected, ratio) {
    const most = Math.max(rules.absurd, rules.remains * expected.sd);
    return ratio > 0 && Math.abs(100 * Math.log(ratio) - expected.mean) <= most;
  }

  // found: of `stage`.
  function weigh(kit, meter, found, u_ln) {
    const rules = kit.rules;
    const rows = found.used.map((one) => one.row);
    const expected = awaited(kit, meter, rows[0], u_ln);
    const sd = expected.sd;
    const left = (x, wide) => (Math.abs(x) <= rules.remains * wide ? normal(x, wide) : 0);
    const off = 100 * Math.log(found.ratio) - expected.mean;
    if (Math.abs(off) < rules.quiet * sd && !lengthInDoubt(rules, meter, rows[0])) return [];
    const mistakes = plausible(kit, meter, rows);
    const weights = mistakes.map((m) => m.share * left(off - 100 * Math.log(m.factor), sd));
    let noZero = 0;
    if (found.zero === null) {
      const wide = Math.hypot(sd, 100 * rules.offset_sd_nm * found.per_nm);
      noZero = rules.no_zero_share * left(off, wide);
    }
    const knocked = Math.hypot(sd, rules.knocked_sd);
    const itself =
      (1 - rules.knocked_share) * normal(off, sd) + rules.knocked_share * normal(off, knocked);
    const shares = mistakes.reduce((a, m) => a + m.share, 0);
    const none = Math.max(1 - shares, 0.5) * itself;
    const total = weights.reduce((a, b) => a + b, 0) + noZero + none;
    if (total <= 0 || (total - none) / total < rules.open_from) return [];
    const named = bestOfEach(kit, mistakes, weights, total, found.ratio);
    if (noZero / total >= rules.worth_naming) {
      const why = reason("no_zero", { offset_nm: off / 100 / found.per_nm });
      named.push(suspicion(kit, "not_zeroed", "entry", why, { probability: noZero / total }));
    }
    return named.sort((a, b) => b.probability - a.probability);
  }

  function bestOfEach(kit, mistakes, weights, total, ratio) {
    const groups = new Map();
    mistakes.forEach((mistake, k) => {
      const key = mistake.kind + "|" + mistake.fix;
      if (!groups.has(key)) groups.set(key, []);
      groups.get(key).push([weights[k] / total, mistake]);
    });
    const found = [];
    for (const group of groups.values()) {
      const p = group.reduce((a, one) => a + one[0], 0);
      if (p < kit.rules.worth_naming) continue;
      const best = group.reduce((a, b) => (b[0] > a[0] ? b : a))[1];
      const left = { residual_pct: 100 * (ratio / best.factor - 1), error_pct: 100 * (ratio - 1) };
      const why = reason("explained", Object.assign({ mistake: best.what }, left));
      found.push(suspicion(kit, best.kind, best.fix, why, { probability: p }));
    }
    return found;
  }

  // What should be looked at: kind, what to mend, probability (null: not weighed), words.
  function suspicion(kit, kind, fix, why, more) {
    return Object.assign({ kind, fix, probability: null, text: bench.words(kit, why) }, more);
  }

  // Arm and ring of a reading; null where neither is noted.
  function where(row) {
    return [row.arm, row.chainring].filter(Boolean).join(", ") || null;
  }

  // ---- what needs no weighing -----------------------------------------------------------
  // One reading far off all others, which agree: its place among `used`, and what would fit.
  function oddReading(kit, found) {
    if (found.used.length < 3) return null;
    const ratios = found.used.map((one) => one.ratio);
    for (let k = 0; k < ratios.length; k += 1) {
      const others = ratios.filter((_, n) => n !== k).sort((a, b) => a - b);
      const middle = others[Math.floor(others.length / 2)];
      const spread = others[others.length - 1] - others[0];
      const gap = Math.abs(ratios[k] - middle);
      if (gap > Math.max(kit.rules.odd_reading, 3 * spread)) {
        const one = found.used[k];
        const fits = middle * one.expected + (one.zero || 0);
        return { at: one.row.reading, fits: fits, why: reason("odd_reading", {
          torque_nm: one.row.torque_nm, where: where(one.row), off_pct: 100 * gap, fits_nm: fits,
        }) };
      }
    }
    return null;
  }

  // Readings with the decimal point one place off.
  function mistyped(kit, found, expected) {
    const slips = found.used.filter((one) => remains(kit.rules, expected, one.ratio / kit.rules.point));
    return slips.map((one) => {
      const why = reason("mistyped", { torque_nm: one.row.torque_nm, where: where(one.row) });
      return suspicion(kit, "mistyped", "entry", why, { at: one.row.reading });
    });
  }

  function programmed(kit, meter, found, expected) {
    const set = meter.installation && meter.installation.programmed_mm;
    const length = found.used[0].row.crank_length_mm;
    if (!kit.kinds[meter.kind].uses_length || !set || !length) return null;
    if (Math.abs(set - length) < kit.rules.same_length_mm) return null;
    if (!remains(kit.rules, expected, (found.ratio * length) / set)) return null;
    return suspicion(kit, "crank_length", "setting", reason("length_set_otherwise", {
      programmed_mm: set,
      length_mm: length,
      residual_pct: 100 * ((found.ratio * length) / set - 1),
      error_pct: 100 * (found.ratio - 1),
    }));
  }

  // All that should be looked at before the readings are believed, likeliest first.
  function suspicions(kit, meter, found, u_ln) {
    if (!found || !found.used.length) return [];
    const row = found.used[0].row;
    const out = [];
    if (bench.typed(row.soak_min) && row.soak_min < kit.rules.soaked_min) {
      const why = reason("not_soaked", { soak_min: row.soak_min });
      out.push(suspicion(kit, "not_soaked", "work", why));
    }
    const expected = awaited(kit, meter, row, u_ln);
    const set = programmed(kit, meter, found, expected);
    if (set) out.push(set);
    if (found.ratio <= kit.rules.dead_ratio) {
      out.push(found.ratio < -kit.rules.dead_ratio ? reversed(kit, found.ratio) : dead(kit));
      return out;
    }
    const odd = oddReading(kit, found);
    if (odd) {
      out.push(suspicion(kit, "reading", "entry", odd.why, { at: odd.at }));
      return out;
    }
    const slips = mistyped(kit, found, expected);
    if (slips.length) out.push(...slips);
    else if (!set) out.push(...weigh(kit, meter, found, u_ln));
    return out;
  }

  function reversed(kit, ratio) {
    const left = { residual_pct: 100 * (-ratio - 1), error_pct: 100 * (ratio - 1) };
    return suspicion(kit, "sign", "entry", reason("negative", left));
  }

  function dead(kit) {
    return suspicion(kit, "swapped", "entry", reason("next_to_nothing"));
  }

  Object.assign(bench, { suspicions: suspicions, weigh: weigh, plausible: plausible, oddReading: oddReading, awaited: awaited, remains: remains });
})();
