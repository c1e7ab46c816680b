// What may be behind a found error, what to look at before the slope is changed, and what to do:
// the rules of models/bench/causes, judging and advice. A test holds both to the same answers.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});
  const reason = bench.reason;

  // ---- densities ------------------------------------------------------------------------
  function normal(x, sd) {
    const z = x / sd;
    return Math.abs(z) < 38 ? Math.exp((-z * z) / 2) / sd : 0;
  }

  function byItself(rules, off, sd) {
    return (1 - rules.knocked_share) * normal(off, sd) + moved(rules, off, sd);
  }

  // The same if the meter was struck or remounted as nobody noticed.
  function moved(rules, off, sd) {
    return rules.knocked_share * normal(off, Math.hypot(sd, rules.knocked_sd));
  }

  function left(rules, rest, sd) {
    return Math.abs(rest) <= Math.max(rules.absurd, rules.remains * sd) ? byItself(rules, rest, sd) : 0;
  }

  // The normal distribution function, to 1e-7 (Press et al., Numerical Recipes, erfcc).
  function normalCdf(x) {
    const z = Math.abs(x) / Math.SQRT2;
    const t = 1 / (1 + z / 2);
    const poly = [1.00002368, 0.37409196, 0.09678418, -0.18628806, 0.27886807, -1.13520398,
      1.48851587, -0.82215223, 0.17087277];
    const tail = t * Math.exp(-z * z - 1.26551223 + t * poly.reduceRight((a, b) => b + t * a, 0));
    return x > 0 ? 1 - tail / 2 : tail / 2;
  }

  // ---- this session beside those before it ----------------------------------------------
  const at = (row) => Date.parse(row.measured_at) / 1000;

  // Whether a session that begins then, with this slope, repeats a hang: soon after, untouched.
  function soonAfter(rules, hang, then, p) {
    const hours = (then - hang.at) / 3600;
    const slopes = [hang.p_before, hang.p_after, p].filter(bench.typed);
    const untouched = !slopes.length || Math.max(...slopes) - Math.min(...slopes) < 1e-6;
    return hang.at !== null && hours >= 0 && hours <= rules.repeat_hours && untouched;
  }

  const last = (list) => list[list.length - 1];

  // A meter's last hangs, each a repeat of the one before: the server's, and those saved on this
  // device that it does not have yet; with the past before them.
  function hangsOf(kit, meter) {
    const known = meter.hangs || [];
    const own = bench.queued().filter((item) => item.hang && item.meter_id === meter.meter_id && !item.refused);
    const fresh = own.map((item) => item.hang).filter((hang) => !known.some((other) => other.at === hang.at));
    let [hangs, past] = [known, meter.past];
    for (const hang of fresh.sort((a, b) => a.at - b.at)) {
      if (hangs.length && !soonAfter(kit.rules, last(hangs), hang.at, hang.p_before)) [hangs, past] = [[], meter.past_after];
      hangs = [...hangs, hang];
    }
    return { hangs, past };
  }

  // A session as the next one looks back on it; advice: the page's own, as its looks rest on it.
  function hangOf(kit, meter, found, judged, advice) {
    const row = found.used[0].row;
    const rows = found.used.map((one) => one.row);
    const told = ["repeat", "fix_setting"].includes(advice) ? [...judged.suspicions, ...looks(kit, judged.doubt, advice)] : [];
    return {
      at: at(row),
      found: 100 * Math.log(Math.max(found.ratio, 1e-9)),
      u_session: bench.usualU(kit, meter, row, rows).session,
      p_before: bench.programmedNow(meter, row),
      p_after: bench.programmedAfter(meter, row),
      looked: [...new Set(told.map((one) => one.kind))].sort(),
      doubted: judged.suspicions.length > 0,
    };
  }

  function timesOf(rules, before) {
    const times = {};
    for (const hang of before) {
      for (const kind of new Set([...hang.looked, ...Object.keys(rules.passing)])) {
        const still = hang.looked.includes(kind) ? rules.missed : rules.passing[kind];
        times[kind] = (kind in times ? times[kind] : 1) * still;
      }
    }
    return times;
  }

  // What the day's sessions from the same setup hand on to this one.
  function carriedTo(kit, meter, row) {
    const on = String(row.measured_at).slice(0, 10);
    const who = String(row.technician || "").trim().toLowerCase() || null;
    const same = (one) => one.on === on && one.bench_id === (row.bench_id || null) && one.technician === who;
    const found = (kit.setups || []).find(same);
    if (!found) return {};
    return found.without[meter.meter_id] || found.carried;
  }

  // What the meter is expected to be found with, 100\u00b7ln: mean, and sd with this session's own;
  // with the past that says so, and the hangs that this session repeats.
  // exact: {session, whole, expanded}: uncertainties as the server has them; null: a usual one's.
  function awaited(kit, meter, row, exact, rows) {
    const chain = hangsOf(kit, meter);
    const p = bench.programmedNow(meter, row);
    const repeats = chain.hangs.length > 0 && soonAfter(kit.rules, last(chain.hangs), at(row), p);
    const hangs = repeats ? chain.hangs : [];
    const past = repeats || !chain.hangs.length ? chain.past : meter.past_after;
    const expected = bench.expectation(kit, meter, row, past);
    const own = exact ? exact.session : bench.usualU(kit, meter, row, rows).session;
    const whole = exact ? exact.whole : bench.usualU(kit, meter, row, rows).u;
    const u = expected.known && !expected.of_truth ? own : whole;
    return { hangs, past, expected, own, whole, mean: expected.mean, sd: Math.hypot(expected.sd, u) };
  }

  function caseOf(kit, meter, found, exact) {
    const [row, rows] = [found.used[0].row, found.used.map((used) => used.row)];
    const one = awaited(kit, meter, row, exact, rows);
    const x = found.ratio > 0 ? 100 * Math.log(found.ratio) : 0;
    const apart = (hang) => Math.abs(hang.found - x) / Math.hypot(hang.u_session, one.own);
    return Object.assign(one, {
      row, x,
      rows,
      ratio: found.ratio,
      per_nm: found.per_nm,
      zero: found.zero,
      expanded: exact ? exact.expanded : bench.usualU(kit, meter, row, rows).expanded,
      off: x - one.mean,
      before: one.hangs.filter((hang) => apart(hang) <= kit.rules.agrees),
    });
  }

  // Whether a ratio is one that the meter may have once a slip is taken off it.
  function remains(rules, expected, ratio) {
    const most = Math.max(rules.absurd, rules.remains * expected.sd);
    return ratio > 0 && Math.abs(100 * Math.log(ratio) - expected.mean) <= most;
  }

  // ---- the probability of each cause ----------------------------------------------------
  function weigh(kit, meter, one) {
    const rules = kit.rules;
    const mistakes = bench.plausible(kit, meter, one.rows, one.past, timesOf(rules, one.before));
    const carried = one.before.length ? {} : carriedTo(kit, meter, one.row);
    const rest = 1 - Math.min(Object.values(carried).reduce((a, b) => a + b, 0), 1);
    const noZero = one.zero === null ? rules.no_zero_share : 0;
    const shares = mistakes.reduce((a, m) => a + m.share, 0);
    const none = rest * Math.max(1 - shares - noZero, rules.least_none) * byItself(rules, one.off, one.sd);
    const weights = mistakes.map((m) => {
      const share = rest * m.share + (m.setup ? carried[m.key] || 0 : 0);
      return share * left(rules, one.off - m.shift, one.sd);
    });
    const wide = Math.hypot(one.sd, 100 * rules.offset_sd_nm * one.per_nm);
    const offset = rest * noZero * (noZero ? normal(one.off, wide) : 0);
    const total = weights.reduce((a, b) => a + b, 0) + none + offset;
    const itself = byItself(rules, one.off, one.sd);
    const part = itself > 0 ? moved(rules, one.off, one.sd) / itself : 1;
    if (total <= 0) return { mistakes, p: weights.map(() => 0), none: 1, noZero: 0, moved: part };
    return { mistakes, p: weights.map((w) => w / total), none: none / total, noZero: offset / total, moved: (part * none) / total };
  }

  function kindsOf(weighed) {
    const groups = new Map();
    weighed.mistakes.forEach((mistake, k) => {
      const key = mistake.kind + "|" + mistake.fix;
      if (!groups.has(key)) groups.set(key, []);
      groups.get(key).push([weighed.p[k], mistake]);
    });
    return Array.from(groups.values(), (group) => ({
      best: group.reduce((a, b) => (b[0] > a[0] ? b : a))[1],
      p: group.reduce((a, b) => a + b[0], 0),
    }));
  }

  const nameable = (rules, one, mistake) => Math.abs(one.off - mistake.shift) <= rules.remains * one.sd;
  const residual = (one, mistake) => 100 * ((mistake.ofSlope ? one.ratio : one.ratio / mistake.factor) - 1);

  function quiet(kit, meter, one) {
    if (Math.abs(one.off) >= kit.rules.quiet * one.sd) return false;
    const lengthThen = one.past && one.past.last ? one.past.last.crank_length_mm : null;
    const known = bench.typed(meter.known_length_mm) ? meter.known_length_mm : lengthThen;
    return !bench.typed(known) || Math.abs(known - (one.row.crank_length_mm || 0)) < kit.rules.same_length_mm;
  }

  // What should be looked at: kind, what to mend, probability (null: not weighed), words.
  function suspicion(kit, kind, fix, why, more) {
    return Object.assign({ kind, fix, probability: null, text: bench.words(kit, why) }, more);
  }

  function weighedSuspicions(kit, meter, one, weighed) {
    const rules = kit.rules;
    const from = one.expected.known ? rules.open_from : rules.open_from_unknown;
    if (quiet(kit, meter, one) || 1 - weighed.none < Math.max(from, weighed.moved)) return [];
    const error = 100 * (one.ratio - 1);
    const named = kindsOf(weighed)
      .filter(({ best, p }) => p >= rules.worth_naming && nameable(rules, one, best))
      .map(({ best, p }) => {
        const why = best.ofSlope
          ? reason("explained_by_slope", { mistake: best.what, error_pct: error })
          : reason("explained", { mistake: best.what, residual_pct: residual(one, best), error_pct: error });
        return suspicion(kit, best.kind, best.fix, why, { probability: p });
      });
    if (weighed.noZero >= rules.worth_naming) {
      const why = reason("no_zero", { offset_nm: one.off / 100 / one.per_nm });
      named.push(suspicion(kit, "not_zeroed", "entry", why, { probability: weighed.noZero }));
    }
    return named.sort((a, b) => b.probability - a.probability);
  }

  // ---- the true error, if nobody slipped ------------------------------------------------
  // Normal parts of its density, 100\u00b7ln, as of models/bench/causes/true_error.
  // hung: every hang's {found, u_session}
  function trueError(rules, expected, hung, shared) {
    const precision = hung.map((hang) => 1 / Math.max(hang.u_session, 1e-6) ** 2);
    const variance = 1 / precision.reduce((a, b) => a + b, 0);
    const found = variance * hung.reduce((sum, hang, k) => sum + hang.found * precision[k], 0);
    const ofPast = expected.known && !expected.of_truth;
    const [before, after] = ofPast ? [0, shared] : [shared, 0];
    const noise = variance + before ** 2;
    const off = found - expected.mean;
    const parts = [[1 - rules.knocked_share, 0], [rules.knocked_share, rules.knocked_sd]].map(([share, extra]) => {
      const prior = expected.sd ** 2 + extra ** 2;
      const total = prior + noise;
      return {
        weight: (share * Math.exp((-off * off) / total / 2)) / Math.sqrt(total),
        mean: expected.mean + (prior / total) * off,
        sd: Math.sqrt((prior * noise) / total + after ** 2),
      };
    });
    const whole = parts[0].weight + parts[1].weight;
    if (whole <= 0) return [{ weight: 1, mean: found, sd: Math.sqrt(noise + after ** 2) }];
    return parts.map((part) => Object.assign(part, { weight: part.weight / whole }));
  }

  function forecastAlone(rules, expected) {
    const struck = Math.hypot(expected.sd, rules.knocked_sd);
    return [
      { weight: 1 - rules.knocked_share, mean: expected.mean, sd: expected.sd },
      { weight: rules.knocked_share, mean: expected.mean, sd: struck },
    ];
  }

  // The probability that the true error is more than half of what was found.
  function betterByReset(parts, x) {
    const side = x < 0 ? -1 : 1;
    return parts.reduce((sum, p) => sum + p.weight * normalCdf((side * p.mean - Math.abs(x) / 2) / p.sd), 0);
  }

  const resetBy = (parts, x) => parts.map((part) => Object.assign({}, part, { mean: part.mean - x }));

  // The expected square of the true error less the limit's, where it is beyond it.
  function harmBeyond(parts, limit) {
    const beyond = (mean, sd) => {
      const z = (limit - mean) / sd;
      const density = Math.exp((-z * z) / 2) / Math.sqrt(2 * Math.PI);
      return (mean ** 2 + sd ** 2 - limit ** 2) * normalCdf(-z) + sd * (mean + limit) * density;
    };
    return parts.reduce((sum, p) => sum + p.weight * (beyond(p.mean, p.sd) + beyond(-p.mean, p.sd)), 0);
  }

  // ---- what speaks against acting on the session ----------------------------------------
  const NO_DOUBT = { reset_harm: 0, leave_harm: 0, own_harm: 0, spared: 0, outside: false, better: 1, agreed: 0, checks: [] };

  function doubtOf(kit, meter, one, weighed) {
    const rules = kit.rules;
    const hung = [...one.before.filter((hang) => !hang.doubted), { found: one.x, u_session: one.own }];
    const shared = Math.sqrt(Math.max(one.whole ** 2 - one.own ** 2, 0));
    const limit = meter.tolerance_pct;
    const hidden = weighed.mistakes.map((mistake, k) => {
      if (weighed.p[k] <= rules.never || !nameable(rules, one, mistake)) return 0;
      const shift = mistake.ofSlope ? 0 : mistake.shift;
      const mended = hung.map((hang) => ({ found: hang.found - shift, u_session: hang.u_session }));
      return weighed.p[k] * harmBeyond(trueError(rules, one.expected, mended, shared), limit);
    });
    const noZero = weighed.noZero * harmBeyond(forecastAlone(rules, one.expected), limit);
    const reset = weighed.mistakes.map((m, k) => (nameable(rules, one, m) ? weighed.p[k] * m.shift ** 2 : 0));
    const parts = trueError(rules, one.expected, hung, shared);
    const sum = (values) => values.reduce((a, b) => a + b, 0);
    return {
      reset_harm: sum(reset) + weighed.noZero * one.off ** 2,
      leave_harm: sum(hidden) + noZero,
      own_harm: weighed.none * harmBeyond(parts, limit),
      spared: weighed.none * (harmBeyond(parts, limit) - harmBeyond(resetBy(parts, one.x), limit)),
      outside: isOutside(rules, one),
      better: betterByReset(parts, one.x),
      agreed: one.before.length,
      checks: checksOf(kit, one, weighed, hidden, noZero),
    };
  }

  // Whether a finding lies outside its 95 % forecast.
  const isOutside = (rules, one) => Math.abs(one.off) > rules.forecast_limits * one.sd;

  function checksOf(kit, one, weighed, hidden, noZero) {
    const rules = kit.rules;
    const harm = {};
    weighed.mistakes.forEach((m, k) => { harm[m.kind + m.fix] = (harm[m.kind + m.fix] || 0) + hidden[k]; });
    const found = kindsOf(weighed).filter(({ p }) => p > 0).map(({ best, p }) => {
      const look = reason(rules.look[best.kind]);
      const why = best.ofSlope ? reason("check_slope", { look, mistake: best.what })
        : reason("check", { look, mistake: best.what, residual_pct: residual(one, best) });
      return { kind: best.kind, probability: p, hidden: harm[best.kind + best.fix], what: bench.words(kit, why) };
    });
    if (weighed.noZero > 0) {
      const why = reason("check_zero", { look: reason(rules.look.not_zeroed), offset_nm: one.off / 100 / one.per_nm });
      found.push({ kind: "not_zeroed", probability: weighed.noZero, hidden: noZero, what: bench.words(kit, why) });
    }
    if (isOutside(rules, one)) {
      const why = reason("check_meter", { look: reason(rules.look.moved) });
      found.push({ kind: "moved", probability: weighed.moved, hidden: 0, what: bench.words(kit, why) });
    }
    const worth = (check) => check.probability / Math.sqrt(rules.seconds[check.kind]);
    return found.sort((a, b) => worth(b) - worth(a));
  }

  // What to look at before doing as advised.
  function looks(kit, doubt, advice) {
    const rules = kit.rules;
    const shown = doubt.checks.filter((check) => check.probability >= rules.shown_from);
    const glance = (check) => check.hidden > (rules.look_cost / rules.hang_seconds) * rules.seconds[check.kind];
    if (advice === "leave") return doubt.checks.filter(glance).slice(0, rules.most_shown);
    return (shown.length >= rules.least_shown ? shown : doubt.checks.slice(0, rules.least_shown)).slice(0, rules.most_shown);
  }

  // ---- what needs no weighing -----------------------------------------------------------
  // Arm and ring of a reading; null where neither is noted.
  function where(row) {
    return [row.arm, row.chainring].filter(Boolean).join(", ") || null;
  }

  function standsOut(rules, ratios, k) {
    const others = ratios.filter((_, n) => n !== k);
    if (!others.length) return false;
    const gap = Math.min(...others.map((other) => Math.abs(ratios[k] - other)));
    return gap > Math.max(rules.odd_reading, 3 * (Math.max(...others) - Math.min(...others)));
  }

  // The place of the one reading that is far off all others; null: there is none.
  function oddOne(rules, ratios, likely) {
    const odd = ratios.map((_, k) => k).filter((k) => standsOut(rules, ratios, k));
    if (ratios.length === 2 && odd.length === 2 && likely[0] !== likely[1]) return likely.indexOf(false);
    return odd.length === 1 && ratios.length > 2 ? odd[0] : null;
  }

  // One reading far off all others, which agree: its place among `used`, and what would fit.
  function oddReading(kit, meter, found) {
    if (found.used.length < 2) return null;
    return oddAmong(kit, found, awaited(kit, meter, found.used[0].row));
  }

  function oddAmong(kit, found, expected) {
    const ratios = found.used.map((one) => one.ratio);
    const k = oddOne(kit.rules, ratios, ratios.map((ratio) => remains(kit.rules, expected, ratio)));
    if (k === null) return null;
    const others = ratios.filter((_, n) => n !== k).sort((a, b) => a - b);
    const middle = others[Math.floor(others.length / 2)];
    const one = found.used[k];
    const fits = middle * one.expected + (one.zero || 0);
    return { at: one.row.reading, fits: fits, why: reason("odd_reading", {
      torque_nm: one.row.torque_nm, where: where(one.row), off_pct: 100 * Math.abs(ratios[k] - middle), fits_nm: fits,
    }) };
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
    const ratio = (found.ratio * length) / set;
    if (!remains(kit.rules, expected, ratio) || Math.abs(ratio - 1) >= Math.abs(found.ratio - 1)) return null;
    return suspicion(kit, "crank_length", "setting", reason("length_set_otherwise", {
      programmed_mm: set,
      length_mm: length,
      residual_pct: 100 * (ratio - 1),
      error_pct: 100 * (found.ratio - 1),
    }));
  }

  function deadOrReversed(kit, ratio) {
    if (ratio >= -kit.rules.dead_ratio) return suspicion(kit, "swapped", "entry", reason("next_to_nothing"));
    const said = { residual_pct: 100 * (-ratio - 1), error_pct: 100 * (ratio - 1) };
    return suspicion(kit, "sign", "entry", reason("negative", said));
  }

  // A slope that was changed the wrong way, as if multiplier were divisor.
  function wrongWay(kit, meter, found) {
    const row = found.used[0].row;
    const sides = kit.kinds[meter.kind].own_slopes ? found.sides : {};
    const every = [[null, found.ratio], ...Object.entries(sides)];
    return every.map(([arm, ratio]) => {
      const side = arm ? "_" + arm : "";
      const [before, after] = [row["slope_before" + side], row["slope_after" + side]];
      const right = bench.newSlope(before, ratio, meter.convention);
      if (!right || !(after > 0) || after === before) return null;
      const [wanted, made] = [100 * Math.log(right / before), 100 * Math.log(after / before)];
      if (Math.abs(wanted) <= kit.rules.slip_pct || Math.abs(made + wanted) >= Math.abs(wanted) / 2) return null;
      return suspicion(kit, "slope_changed", "setting", reason("slope_changed", {
        side: arm, entered: bench.slopeText(meter, after), right: bench.slopeText(meter, bench.slopeToEnter(meter, right)),
      }));
    }).filter(Boolean);
  }

  // What shows by itself, and whether anything is left to be weighed.
  function plain(kit, meter, found, one) {
    const rules = kit.rules;
    const out = [];
    const soak = one.row.soak_min;
    if (bench.typed(soak) && soak < rules.soaked_min) {
      out.push(suspicion(kit, "not_soaked", "work", reason("not_soaked", { soak_min: soak })));
    }
    const set = programmed(kit, meter, found, one);
    if (set) out.push(set);
    if (found.ratio <= rules.dead_ratio) return [[...out, deadOrReversed(kit, found.ratio)], false];
    let odd = found.used.length > 2 ? oddAmong(kit, found, one) : null;
    const slips = odd ? [] : mistyped(kit, found, one);
    if (!odd && !slips.length) odd = oddAmong(kit, found, one);
    if (odd) slips.push(suspicion(kit, "reading", "entry", odd.why, { at: odd.at }));
    return [[...out, ...slips], !slips.length && !set];
  }

  // Suspicions, likeliest first, and what speaks against acting on the readings as they stand.
  function judge(kit, meter, found, exact) {
    if (!found || !found.used.length) return { suspicions: [], doubt: NO_DOUBT };
    const one = caseOf(kit, meter, found, exact);
    const [shown, weighs] = plain(kit, meter, found, one);
    const looked = new Set(one.before.flatMap((hang) => hang.looked));
    const open = shown.filter((s) => s.fix !== "entry" || !looked.has(s.kind));
    let doubt = NO_DOUBT;
    if (weighs) {
      const weighed = weigh(kit, meter, one);
      open.push(...weighedSuspicions(kit, meter, one, weighed));
      doubt = doubtOf(kit, meter, one, weighed);
    }
    return { suspicions: [...wrongWay(kit, meter, found), ...open], doubt: doubt };
  }

  // ---- what to do -----------------------------------------------------------------------
  // base: {error_pct, expanded, u, own, before, arm} of the meter, or of a side with its own slope.
  function advise(kit, meter, judged, base) {
    if (judged.suspicions.some((s) => s.fix === "setting")) return "fix_setting";
    if (judged.suspicions.length) return "repeat";
    const rules = kit.rules;
    const doubt = base.arm ? ofSide(judged.doubt, base) : judged.doubt;
    const code = bySize(rules, meter, doubt, base);
    if (code === "repeat" || code === "leave" || doubt.agreed >= rules.enough_hangs) return code;
    if (doubt.outside && !doubt.agreed) return "repeat";
    return doubt.reset_harm > rules.look_cost * (1 + rules.patience * doubt.agreed) ? "repeat" : code;
  }

  // Forecasts are of a pair, not of its sides.
  function ofSide(doubt, base) {
    const ratio = 1 + base.error_pct / 100;
    if (ratio <= 0) return doubt;
    const x = 100 * Math.log(ratio);
    const part = { weight: 1, mean: x, sd: base.u / ratio };
    return Object.assign({}, doubt, { better: betterByReset([part], x), own_harm: 0, spared: 0 });
  }

  function bySize(rules, meter, doubt, base) {
    const size = Math.abs(base.error_pct);
    const limit = meter.tolerance_pct;
    const within = size + base.expanded <= limit;
    if (size > rules.damaged_pct && !doubt.agreed) return "repeat";
    if (size > rules.ruined_pct) return "send_away";
    const settled = doubt.agreed >= rules.settled_hangs;
    const likely = doubt.better >= (settled ? rules.settled_better : rules.likely_better);
    const expected = !within && doubt.spared > rules.look_cost && likely;
    if (size <= base.expanded && !expected) return withinUncertainty(rules, limit, doubt, base);
    const exact = bench.newSlope(base.before, 1 + base.error_pct / 100, meter.convention);
    const beyond = exact !== null && ((bench.typed(meter.slope_min) && exact < meter.slope_min) ||
      (bench.typed(meter.slope_max) && exact > meter.slope_max));
    if (meter.convention === "fixed" || beyond) {
      if (size - base.expanded > limit) return "send_away";
      return size > limit ? "repeat" : "leave";
    }
    if (within && doubt.better < rules.surely_better) return "leave";
    if (!likely) return "repeat";
    const entered = bench.slopeToEnter(meter, exact);
    if (!(entered > 0) || !(exact > 0)) return "reset";
    const rest = 100 * ((meter.convention === "multiplier" ? entered / exact : exact / entered) - 1);
    return Math.abs(rest) > rules.worth_a_reset * size ? "leave" : "reset";
  }

  function withinUncertainty(rules, limit, doubt, base) {
    const size = Math.abs(base.error_pct);
    const inDoubt = doubt.agreed < rules.settled_hangs && doubt.own_harm > rules.look_cost;
    if (size <= limit && base.expanded <= limit && !inDoubt) return "leave";
    const stays = rules.coverage_of_two * Math.sqrt(Math.max(base.u ** 2 - base.own ** 2, 0));
    return stays > (size > limit ? size : limit) || doubt.agreed >= rules.enough_hangs ? "leave" : "repeat";
  }

  Object.assign(bench, {
    judge: judge, advise: advise, looks: looks, hangOf: hangOf, oddReading: oddReading, remains: remains, awaited: awaited,
  });
})();
