// The bench page's arithmetic, in the browser: expected torque, accept limits, ratios, slopes,
// the meter's past. It follows models/bench (zero_correction, stage_means, advice, own_past); a
// test holds both to the same numbers and sentences. Constants come
// with the page's data (`rules`). Errors are %, or 100·ln where a name ends in _ln.
(function () {
  "use strict";
  const bench = (window.slopewatchBench = window.slopewatchBench || {});

  // ---- numbers as typed ---------------------------------------------------
  // Comma or point; null where nothing is typed, NaN where it is no number.
  function parse(text) {
    let said = String(text === null || text === undefined ? "" : text).trim();
    said = said.replace(/[\s\u00a0\u202f]/g, "").replace(/[\u2212\u2013]/g, "-");
    if (said === "") return null;
    if (said.includes(",") && said.includes(".")) {
      const group = said.lastIndexOf(",") > said.lastIndexOf(".") ? /\./g : /,/g;
      said = said.replace(group, "");
    }
    said = said.replace(",", ".");
    return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(said) ? Number(said) : NaN;
  }

  // Decimals as typed where they end in a zero, which a number does not keep; else null.
  function decimals(text) {
    const said = typed(parse(text)) ? String(text).trim() : "";
    const found = /[.,](\d*0)$/.exec(said);
    return found ? found[1].length : null;
  }

  function typed(value) {
    return typeof value === "number" && Number.isFinite(value);
  }

  const sum = (values) => values.reduce((total, value) => total + value, 0);
  const mean = (values) => sum(values) / values.length;

  // ---- what is expected ----------------------------------------------------------------
  function findBy(list, key, value) {
    return (list || []).find((row) => row[key] === value) || null;
  }

  function gravityOf(kit, placeId) {
    return findBy(kit.places, "place_id", placeId) || kit.standard_gravity;
  }

  // Torque without a drive, N·m: m · g · L · buoyancy · cos θ.
  function torque(kit, row) {
    const total = (row.mass_kg || 0) + (row.hanger_mass_kg || 0);
    if (!total || !row.crank_length_mm) return null;
    const gravity = gravityOf(kit, row.place_id).gravity_ms2;
    const angle = ((row.crank_angle_deg || 0) * Math.PI) / 180;
    return total * gravity * row.crank_length_mm * 1e-3 * kit.rules.buoyancy * Math.cos(angle);
  }

  function throughChain(kit, meter, row) {
    return kit.kinds[meter.kind].through_chain && throughTheChain(row);
  }

  const throughTheChain = (row) => (row.loading_path || "crank") === "crank";

  // What of the torque the chain keeps back: nothing in the mean of both ways.
  function chainLoss(kit, directions) {
    if (directions.includes("up") && directions.includes("down")) return 0;
    const oneWayDown = directions.length > 0 && directions.every((way) => way === "down");
    return oneWayDown ? -kit.rules.chain_loss : kit.rules.chain_loss;
  }

  function ringTeeth(meter, chainring) {
    if (/^\d+$/.test(String(chainring || ""))) return Number(chainring);
    const fitted = meter.installation;
    if (!fitted) return null;
    if (chainring === "large") return fitted.large_ring;
    if (chainring === "small") return fitted.small_ring;
    const rings = [fitted.large_ring, fitted.small_ring].filter(Boolean);
    return rings.length === 1 ? rings[0] : null;
  }

  // directions: of the stage's readings with a mass.
  function expected(kit, meter, row, directions) {
    const plain = torque(kit, row);
    if (plain === null || !throughChain(kit, meter, row)) return plain;
    const ring = ringTeeth(meter, row.chainring);
    if (!row.cog_teeth || !ring) return null;
    return ((plain * row.cog_teeth) / ring) * (1 - chainLoss(kit, directions || []));
  }

  // Lowest and highest display within tolerance.
  function accept(expectedNm, tolerancePct, zeroNm) {
    const width = (tolerancePct / 100) * Math.abs(expectedNm);
    const zero = zeroNm || 0;
    return [expectedNm + zero - width, expectedNm + zero + width];
  }

  // ---- a stage's readings --------------------------------------------------------------
  // The zero at each hanging: between the zeros before and after it, else their mean.
  function zeroAt(position, zeros, hung) {
    if (!zeros.length) return null;
    const before = zeros.filter((z) => z.at <= position);
    const after = zeros.filter((z) => z.at > position);
    if (!before.length || !after.length) return mean(zeros.map((z) => z.nm));
    const last = Math.max(...before.map((z) => z.at));
    const since = Math.max(-Infinity, ...hung.filter((at) => at < last));
    const first = Math.min(...after.map((z) => z.at));
    const until = Math.min(Infinity, ...hung.filter((at) => at > first));
    const left = before.filter((z) => z.at > since);
    const right = after.filter((z) => z.at < until);
    const start = mean(left.map((z) => z.at));
    const share = (position - start) / (mean(right.map((z) => z.at)) - start);
    return (1 - share) * mean(left.map((z) => z.nm)) + share * mean(right.map((z) => z.nm));
  }

  // The ways in which a row's stage was loaded so far, its own among them; before the first
  // reading those planned.
  function ways(rows, row, planned) {
    const like = (other) => other.load === "mass" && (other.stage || "as_found") === (row.stage || "as_found");
    const loaded = rows.some(like) ? rows : planned;
    return loaded.filter(like).concat(row).map((other) => other.direction || null);
  }

  // One stage of contract rows with numbers. Null without a reading that counts.
  function stage(kit, meter, rows, name) {
    const own = rows.filter((row) => (row.stage || "as_found") === name && typed(row.torque_nm));
    const zeros = own
      .filter((row) => row.load === "zero")
      .map((row) => ({ at: row.reading, nm: row.torque_nm }));
    const hung = own.filter((row) => row.load === "mass");
    const used = [];
    for (const row of hung) {
      const nm = expected(kit, meter, row, ways(hung, row, hung));
      if (!typed(nm) || nm <= 0) continue;
      const zero = zeroAt(row.reading, zeros, hung.map((other) => other.reading));
      const ratio = (row.torque_nm - (zero || 0)) / nm;
      const limits = accept(nm, meter.tolerance_pct, zero);
      used.push({ row: row, expected: nm, zero: zero, ratio: ratio, accept: limits });
    }
    const offset = zeros.length ? mean(zeros.map((z) => z.nm)) : null;
    return used.length ? summed(kit, meter, used, offset) : { zero: offset, used: [] };
  }

  // The mean of a cell, in which up and down count alike, however often each was hung.
  function bothWays(ones) {
    const of = (way) => ones.filter((one) => (one.row.direction || null) === way).map((one) => one.ratio);
    const [up, down] = [of("up"), of("down")];
    if (up.length && down.length && up.length + down.length === ones.length) return (mean(up) + mean(down)) / 2;
    return mean(ones.map((one) => one.ratio));
  }

  function summed(kit, meter, used, offset) {
    const cells = new Map();
    for (const one of used) {
      const key = JSON.stringify([one.row.arm || null, one.row.chainring || null]);
      if (!cells.has(key)) cells.set(key, []);
      cells.get(key).push(one);
    }
    const means = Array.from(cells, ([key, ones]) => [...JSON.parse(key), bothWays(ones)]);
    const ratio = mean(means.map((cell) => cell[2]));
    const labels = ringLabels(meter, means);
    return {
      used: used,
      zero: offset,
      cells: means,
      ratio: ratio,
      error_pct: 100 * (ratio - 1),
      arm_difference_pct: difference(means, 0, "left", "right"),
      ring_difference_pct: labels ? difference(means, 1, labels[0], labels[1]) : null,
      sides: sides(kit, meter, means, ratio),
      per_nm: mean(used.map((one) => 1 / one.expected)),
    };
  }

  function ringLabels(meter, cells) {
    const labels = Array.from(new Set(cells.map((cell) => cell[1]).filter(Boolean)));
    if (labels.length < 2) return null;
    const fitted = meter.installation || {};
    const teeth = (label) => {
      if (/^\d+$/.test(label)) return Number(label);
      return label === "small" ? fitted.small_ring || 1 : fitted.large_ring || 1000;
    };
    labels.sort((a, b) => teeth(a) - teeth(b));
    return [labels[0], labels[labels.length - 1]];
  }

  function difference(cells, index, first, second) {
    const other = 1 - index;
    const of = (label) => new Map(cells.filter((c) => c[index] === label).map((c) => [c[other], c[2]]));
    const one = of(first);
    const two = of(second);
    if (!one.size || !two.size) return null;
    const shared = Array.from(one.keys()).filter((key) => two.has(key));
    if (shared.length) return 100 * mean(shared.map((key) => one.get(key) - two.get(key)));
    return 100 * (mean(Array.from(one.values())) - mean(Array.from(two.values())));
  }

  function sides(kit, meter, cells, ratio) {
    const out = {};
    const arms = kit.kinds[meter.kind].arms;
    for (const arm of ["left", "right"]) {
      const own = cells.filter((cell) => cell[0] === arm).map((cell) => cell[2]);
      if (arms.length === 1 && arms[0] === arm) out[arm] = ratio;
      else if (own.length) out[arm] = mean(own);
    }
    return out;
  }

  // ---- slopes --------------------------------------------------------------------------
  function newSlope(slope, ratio, convention) {
    if (!typed(slope) || slope <= 0 || !(ratio > 0)) return null;
    if (convention === "multiplier") return slope / ratio;
    return convention === "divisor" ? slope * ratio : null;
  }

  // Half to even, as the models round.
  function roundEven(x) {
    const low = Math.floor(x);
    const rest = x - low;
    if (rest !== 0.5) return Math.round(x);
    return low % 2 === 0 ? low : low + 1;
  }

  function slopeToEnter(meter, exact) {
    if (!typed(exact)) return null;
    let value = exact;
    if (meter.slope_step) {
      value = Number((roundEven(value / meter.slope_step) * meter.slope_step).toFixed(9));
    }
    if (typed(meter.slope_min)) value = Math.max(value, meter.slope_min);
    return typed(meter.slope_max) ? Math.min(value, meter.slope_max) : value;
  }

  // ---- the meter's own past ------------------------------------------------------------
  function programmedLn(slope, convention) {
    if (convention === "fixed") return 0;
    if (!typed(slope) || slope <= 0 || !["multiplier", "divisor"].includes(convention)) return null;
    return 100 * Math.log(slope) * (convention === "divisor" ? 1 : -1);
  }

  function programmedNow(meter, row) {
    const whole = typed(row.slope_before);
    return programmedMean(meter, whole ? [row.slope_before] : [row.slope_before_left, row.slope_before_right]);
  }

  function programmedAfter(meter, row) {
    const sides = typed(row.slope_before) ? [""] : ["_left", "_right"];
    return programmedMean(meter, sides.map((side) => row["slope_after" + side] || row["slope_before" + side]));
  }

  function programmedMean(meter, slopes) {
    const found = slopes.map((slope) => programmedLn(slope, meter.convention));
    return found.every((p) => p !== null) ? mean(found) : null;
  }

  function uOf(kit, row) {
    const set = findBy(kit.mass_sets, "bench_id", row.bench_id);
    const limit = kit.rules.length_limit_mm / Math.sqrt(3);
    return {
      bench: (set && set.u_pct) || 0,
      place: gravityOf(kit, row.place_id).u_pct,
      crank: row.crank_length_mm ? (100 * limit) / row.crank_length_mm : 0,
    };
  }

  function crankId(meter, row) {
    const fitted = meter.installation && meter.installation.crank_id;
    return fitted || meter.meter_id + " " + row.crank_length_mm + " mm";
  }

  // What error the meter is to be found with, 100\u00b7ln: mean, sd, whether a past tells (known),
  // and whether it is of the true error (of_truth): the fleet's forecast, before its first hang.
  function expectation(kit, meter, row, past) {
    const now = programmedNow(meter, row);
    const forecast = (meter.hangs || []).length ? null : meter.forecast;
    if (forecast) {
      const moved = now === null || forecast.p === null ? 0 : now - forecast.p;
      return { mean: forecast.mean - moved, sd: forecast.sd, known: true, of_truth: true };
    }
    const unknown = { mean: 0, sd: kit.rules.unknown_sd, known: false, of_truth: false };
    if (!past || !past.last) return unknown;
    const last = past.last;
    const p = now === null ? past.left : now;
    if (past.in_slope && p === null) return unknown;
    const at = Date.parse(row.measured_at) / 1000;
    const years = last.at === null ? 1 : Math.abs(at - last.at) / kit.rules.seconds_a_year;
    let variance = past.variance + past.wander * past.wander * years;
    const u = uOf(kit, row);
    const pairs = [
      [row.bench_id || null, last.bench_id, u.bench, last.u_bench],
      [row.place_id || null, last.place_id, u.place, last.u_place],
      [crankId(meter, row), last.crank_id, u.crank, last.u_crank],
    ];
    for (const [here, then, a, b] of pairs) if (here !== then) variance += a * a + b * b;
    const level = past.level + past.rate * years;
    return { mean: past.in_slope ? level - p : level, sd: Math.sqrt(variance), known: true, of_truth: false };
  }

  // How closely this technician's hangings repeat, or this place's, %: as in repeatability.py.
  function repeatability(kit, row) {
    const rules = kit.rules;
    const name = String(row.technician || "").trim().toLowerCase() || null;
    const place = row.place_id || null;
    const seen = (of, who, where) =>
      kit.hands.find((hand) => hand.of === of && hand.technician === who && hand.place_id === where) || { sum_of_squares: 0, dof: 0 };
    const atMost = (squares, dof, most) => (dof <= most ? [squares, dof] : [(squares * most) / dof, most]);
    const here = seen("where", null, place);
    const both = seen("both", name, place);
    const mine = seen("who", name, null);
    let [squares, dof] = atMost(...(name ? [mine.sum_of_squares, mine.dof] : [here.sum_of_squares, here.dof]), rules.repeat_learnt_dof);
    if (name && dof < rules.repeat_enough_dof) {
      const rest = atMost(Math.max(here.sum_of_squares - both.sum_of_squares, 0), here.dof - both.dof, rules.repeat_enough_dof - dof);
      squares += rest[0];
      dof += rest[1];
    }
    if (dof >= rules.repeat_enough_dof) return { sd: 100 * Math.sqrt(squares / dof), dof: dof };
    const total = dof + rules.repeat_prior_dof;
    return { sd: Math.sqrt((1e4 * squares + rules.repeat_prior_dof * rules.repeat_prior_pct ** 2) / total), dof: total };
  }

  // What a hub's chain may hide, %: more where it was loaded one way only.
  function chainU(kit, meter, rows) {
    if (!throughChain(kit, meter, rows[0])) return 0;
    const loaded = new Set(rows.map((row) => row.direction));
    const limit = loaded.has("up") && loaded.has("down") ? kit.rules.chain_loss_left : kit.rules.chain_loss_limit;
    return (100 * limit) / Math.sqrt(3);
  }

  // A usual session's uncertainty with these hands, mass set, place and crank, %.
  // rows: all that hang in the row's stage
  function usualU(kit, meter, row, rows) {
    const u = uOf(kit, row);
    const kind = kit.kinds[meter.kind];
    const repeat = repeatability(kit, row);
    const hanging = kind.repeat_weight * repeat.sd;
    const total = Math.hypot(u.bench, u.place, u.crank, kind.u_rest_pct, hanging, chainU(kit, meter, rows || [row]));
    const few = hanging ** 4 / repeat.dof + (kind.dof_rest ? kind.u_rest_pct ** 4 / kind.dof_rest : 0);
    const whole = Math.max(Math.floor(total ** 4 / few + 1e-9), 1);
    const k = kit.rules.coverage[whole - 1] || kit.rules.coverage_infinite;
    return { u: total, session: Math.hypot(kind.u_rest_pct, hanging), expanded: k * total };
  }

  Object.assign(bench, {
    parse: parse,
    decimals: decimals,
    typed: typed,
    mean: mean,
    findBy: findBy,
    gravityOf: gravityOf,
    expected: expected,
    throughChain: throughChain,
    ringTeeth: ringTeeth,
    accept: accept,
    ways: ways,
    stage: stage,
    newSlope: newSlope,
    slopeToEnter: slopeToEnter,
    expectation: expectation,
    repeatability: repeatability,
    programmedLn: programmedLn,
    programmedNow: programmedNow,
    programmedAfter: programmedAfter,
    throughTheChain: throughTheChain,
    usualU: usualU,
    uOf: uOf,
  });
})();
