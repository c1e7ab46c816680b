"""Compare ways of choosing bench visits: visits against days out of tolerance, by simulation.

How the meters behave is drawn again for every simulated fleet, from what the fit knows and does
not know of its hyperparameters and group means; a policy that looks at forecasts assumes the
fit's own values, as it would in life.
"""

from collections.abc import Sequence
from concurrent.futures import Executor
from functools import partial
from itertools import chain, groupby
from operator import attrgetter

import numpy as np
import polars as pl

from models.fleet import FleetData, FleetFit
from models.metrology import DAYS_A_YEAR, Array
from models.policies.documents import (
    MishapRow,
    PoliciesDocument,
    PolicyRecord,
    PolicyRow,
    VisitsSaved,
)
from models.policies.interval_policies import control_chart, reliability, staircase
from models.policies.meter_process import (
    ProcessParameters,
    data_summary,
    joined,
    process_parameters,
)
from models.policies.mishaps import Mishap, expecting, with_mishaps
from models.policies.other_worlds import WORLDS, world_of
from models.policies.rules import Policy, by_cost, by_target, every_months
from models.policies.simulation import BURN_IN, YEARS, Draws, draw, run
from models.season import Prices
from models.status import fit_state
from models.wording import share

FLEETS, LEAST_FLEETS, MOST_METERS = 24, 12, 2000  # simulated fleets, and meters in all of them
FLEETS_ELSEWHERE = 6  # simulated fleets of each kind that the fit is wrong about
TARGETS = (0.70, 0.80, 0.90, 0.95, 0.98)
NOT_SIMULATED = (
    "In the simulation each session that finds a meter off ends with a reset, every meter counts "
    "as ridden every day, and knocks too small to be told from drift are left out: a record lies "
    "above it where meters were found off and left."
)
NAMES = {
    "knock": ("knock", "knocks"),
    "setting": ("wrong setting", "wrong settings"),
    "entry": ("wrong bench entry", "wrong bench entries"),
}
FIXED_MONTHS = (3, 6, 9, 12, 18, 24)


def policies_document(
    fleet: FleetFit,
    meters: pl.DataFrame,
    data: FleetData,
    *,
    money: Prices,
    rng: np.random.Generator,
    record: PolicyRecord | None = None,
    mishaps: Sequence[Mishap] = (),
    workers: Executor | None = None,
) -> PoliciesDocument:
    """Return the `policies` document.

    In   meters: meter_id, tolerance_pct of the M meters to be kept; money: their prices; record:
         what the team did in the last year; mishaps: what its records tell of them;
         workers: take a policy each; without them those that look alike are simulated together,
         which is quicker
    Each simulated fleet has this one's size.
    """
    fleets = max(LEAST_FLEETS, min(FLEETS, MOST_METERS // max(meters.height, 1)))
    summary = data_summary(fleet, meters, data)
    parts = [process_parameters(fleet, summary, rng=rng) for _ in range(fleets)]
    fitted = expecting(process_parameters(fleet, summary), mishaps)
    true, few = joined(parts), joined(parts[:FLEETS_ELSEWHERE])
    visit, day = float(np.mean(money.visit)), float(np.mean(money.day))
    tried = usual_policies(float(np.mean(money.visit / money.day)))
    alike = [list(some) for _, some in groupby(tried, attrgetter("forecasts"))]
    together = [[policy] for policy in tried] if workers else alike

    def rows_of(plain: Draws, true: ProcessParameters) -> list[PolicyRow]:
        n = len(true) // len(fitted)
        draws, assumed, rows = with_mishaps(plain, mishaps, n, rng), joined([fitted] * n), []
        simulated = partial(run, draws=draws, true=true, assumed=assumed)
        outcomes = chain(*(workers.map if workers else map)(simulated, together))
        for policy, found in zip(tried, outcomes, strict=True):
            visits, out = (x.reshape(n, -1).mean(axis=1) for x in (found.visits, found.out))
            rows.append(_row(policy, visits, out, visit_cost=visit, day_cost=day))
        return rows

    rows = rows_of(draw(true, BURN_IN + YEARS, rng), true)
    elsewhere = [world_of(w, rows_of(w.draw(few, BURN_IN + YEARS, rng), few)) for w in WORLDS]
    saved = visits_saved(rows)
    return {
        "policies": rows,
        "visits_saved": saved,
        "years": YEARS,
        "fleets": fleets,
        "meters": meters.height,
        "text": _sentence(rows, saved),
        "visit_cost": visit,
        "day_cost": day,
        "currency": money.currency,
        "lacks": list(money.lacks),
        "record": record,
        "mishaps": [_mishap_row(mishap) for mishap in mishaps],
        "simulated": _simulated(mishaps),
        "not_simulated": NOT_SIMULATED,
        "elsewhere": elsewhere,
        "fit": fit_state(fleet),
    }


def _mishap_row(mishap: Mishap) -> MishapRow:
    return {"kind": mishap.kind, "count": mishap.count, "over": mishap.over}


def _simulated(mishaps: Sequence[Mishap]) -> str:
    """Say how often mishaps are simulated; nothing where they are not."""
    told = [
        f"{m.count} {NAMES[m.kind][m.count != 1]} in {m.over:.0f} "
        f"{'sessions' if m.kind == 'entry' else 'meter-years'}"
        for m in mishaps
    ]
    if not told:
        return ""
    return f"Mishaps are simulated as often as the records tell of them: {', '.join(told)}."


def usual_policies(visit_days: float, target: float = 0.90) -> list[Policy]:
    """Return fixed intervals, the interval methods, by forecast at several targets and by cost.

    visit_days: days ridden out of tolerance that cost as much as a visit
    """
    methods = [staircase(), control_chart(target), reliability(target)]
    own = [*map(by_target, TARGETS), by_cost(visit_days)]
    return [*map(every_months, FIXED_MONTHS), *methods, *own]


def _row(
    policy: Policy, visits: Array, out: Array, *, visit_cost: float, day_cost: float
) -> PolicyRow:
    """Return a policy's row. visits, out [fleets]: a meter and year, share of days out."""
    per_year, share_out = float(visits.mean()), float(out.mean())
    return {
        "name": policy.name,
        "label": policy.label,
        "kind": policy.kind,
        "visits_per_meter_year": per_year,
        "visits_interval90": np.quantile(visits, [0.05, 0.95]).tolist(),
        "out_of_tolerance_share": share_out,
        "interval90": np.quantile(out, [0.05, 0.95]).tolist(),
        "cost_per_meter_year": visit_cost * per_year + day_cost * DAYS_A_YEAR * share_out,
    }


def visits_saved(rows: Sequence[PolicyRow]) -> list[VisitsSaved]:
    """Return what fixed intervals need in visits to be out as rarely as each of ours.

    Interpolated in the logarithms of visits and of the share of days out of tolerance; None
    outside the fixed intervals' range.
    """
    fixed = sorted(
        (r["out_of_tolerance_share"], r["visits_per_meter_year"])
        for r in rows
        if r["kind"] == "fixed" and r["out_of_tolerance_share"] > 0
    )
    share, visits = np.log(np.array(fixed)).T if len(fixed) > 1 else (np.zeros(0), np.zeros(0))
    out: list[VisitsSaved] = []
    for row in rows:
        if row["kind"] not in ("target", "cost"):
            continue
        own = row["out_of_tolerance_share"]
        inside = share.size > 1 and own > 0 and share[0] <= np.log(own) <= share[-1]
        need = float(np.exp(np.interp(np.log(own), share, visits))) if inside else None
        ratio = row["visits_per_meter_year"] / need if need else None
        out.append({"name": row["name"], "fixed_visits_per_meter_year": need, "ratio": ratio})
    return out


def _sentence(rows: Sequence[PolicyRow], saved: Sequence[VisitsSaved]) -> str:
    """Say what a visit a year leaves, and which of ours saves most visits."""
    year = rows[FIXED_MONTHS.index(12)]
    text = (
        f"A visit a year leaves {share(year['out_of_tolerance_share'])} of the days out of "
        "tolerance."
    )
    known = [(s["ratio"], s) for s in saved if s["ratio"] is not None]
    if known:
        best = min(known, key=lambda pair: pair[0])[1]
        [row] = [row for row in rows if row["name"] == best["name"]]
        text += (
            f" Chosen {row['name']}, {row['visits_per_meter_year']:.2f} visits a meter and year "
            f"leave {share(row['out_of_tolerance_share'])}; fixed intervals need "
            f"{best['fixed_visits_per_meter_year']:.2f} for the same."
        )
    return text
