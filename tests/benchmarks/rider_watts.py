"""What a coach is told, against what the rider put out: coverage, false claims, power.

python -m tests.benchmarks.rider_watts [--fleets 4] [--first 41] [--stores FOLDER]
    [--save FILE] [--before FILE]

Each fleet is the demo team drawn with another seed, loaded and fitted through the whole chain.
Efforts are drawn from the physics (tests.simulate.rider_days) and asked about as a coach would,
without saying whether the meter was zeroed; `zeroed said` says it. Besides them the team's own
efforts table, the rider's bikes, the ledger and carried watts. `sensor`: what an errorless meter
shows; `rider`: what the rider put out, where the answer gives it. Ledger rows, bikes and carried
watts are held against single rides of a zeroed meter, each with its own day. At the end a table:
kind of meter, and the share of what is told of the rider's watts that holds the truth; --before
sets the shares of a file that an earlier run has saved beside them.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from ingest.load import load_paths
from ingest.store import Store
from models.run import EffortAsk, Fleet, effort, ledger, refit, rider
from seeds.generate import Larkmoor, write
from seeds.scenario import LAST, RIDERS, date_of, day_of
from tests.benchmarks.kinds import team_of
from tests.simulate.rider_days import Shown, pair_of, ride_error

SURE = 0.95
GAIN = 0.03
TODAY = day_of(LAST)
ANSWERS = (
    "effort, zeroed said",
    "effort, not said",
    "own effort",
    "bikes",
    "carried",
    "ledger",
)
Tally = dict[tuple[str, str], list[float]]


def store_of(team: Larkmoor, folder: Path, seed: int) -> Store:
    """The team's tables loaded and fitted, kept under its seed."""
    store = Store(folder / f"{seed}.duckdb")
    if store.exists():
        return store
    with tempfile.TemporaryDirectory() as written:
        write(Path(written), team)
        with store.writing() as db:
            db.set_setting("today", LAST.isoformat())
        load_paths(store, [Path(written) / "tables"])
    refit(Fleet(store))
    return store


def asked(one: Shown, *, said: bool) -> EffortAsk:
    ask = EffortAsk(date=date_of(one.day).isoformat(), meter_id=one.meter.meter_id, watts=one.watts)
    return EffortAsk(**ask, zeroed="yes" if one.zeroed else "no") if said else ask


def holds(interval: Iterable[float], true: float) -> bool:
    low, high = interval
    return low <= true <= high


def rider_interval(row: Mapping[str, Any]) -> list[float]:
    """The rider's interval; before there was one, the sensor's stood for both."""
    found: list[float] = row.get("rider_interval90_w") or row["interval90_w"]
    return found


def pairs(fleet: Fleet, team: Larkmoor, rng: np.random.Generator, out: Tally) -> None:
    """Null pairs and true gains, on one meter and across two."""
    for k in range(160):
        name, same, gain = RIDERS[k % len(RIDERS)], k % 2 == 0, GAIN if k % 4 > 1 else 0.0
        for said in (False, True):
            found = pair_of(team, name, rng, same=same, gain=gain)
            if found is not None:
                _pair(fleet, found, same=same, said=said, gain=gain, out=out)


def _pair(
    fleet: Fleet, found: tuple[Shown, Shown], *, same: bool, said: bool, gain: float, out: Tally
) -> None:
    document = effort(fleet, [asked(one, said=said) for one in found])
    [row] = document["differences"]
    where = f"{'one meter' if same else 'two meters'}, {'zeroed said' if said else 'not said'}"
    true = found[1].true_w - found[0].true_w
    p = row.get("rider_p_increase", row["p_increase"])
    out[where, "rider"].append(holds(rider_interval(row), true))
    out[where, "sensor"].append(holds(row["interval90_w"], found[1].sensor_w - found[0].sensor_w))
    if gain:
        out[where, "gain found"].append(p >= SURE)
    else:
        out[where, "false claims"].append(p >= SURE or p <= 1 - SURE)
    for one, told in zip(found, document["efforts"], strict=True):
        kind = one.meter.model.kind
        answer = f"effort, {'zeroed said' if said else 'not said'}, {kind}"
        out[answer, "sensor"].append(holds(told["interval90_w"], one.sensor_w))
        out[answer, "rider"].append(holds(rider_interval(told), one.true_w))


def own_efforts(fleet: Fleet, team: Larkmoor, out: Tally) -> None:
    """The team's own table, whose watts carry no zero offset."""
    for row in team.efforts_truth:
        ask = EffortAsk(
            date=row["date"].isoformat(), meter_id=row["meter_id"], watts=row["watts"], zeroed="yes"
        )
        [told] = effort(fleet, [ask])["efforts"]
        kind = team.meters[row["meter_id"]].model.kind
        old = told.get("rider_total_interval90_w") or told["interval90_w"]
        out[f"own effort, {kind}", "rider"].append(
            holds(told.get("rider_interval90_w", old), row["true_w"])
        )
        out[f"own effort, {kind}", "as shown first"].append(
            holds(told.get("rider_interval90_w", told["interval90_w"]), row["true_w"])
        )


def bikes(fleet: Fleet, team: Larkmoor, rng: np.random.Generator, out: Tally) -> None:
    """What one of a rider's meters shows more than the other, and watts carried between them."""
    for name in RIDERS:
        for row in rider(fleet, name)["bikes"]:
            both = [team.meters[row[key]] for key in ("meter_id", "other_meter_id")]
            more, less = (ride_error(team, m, name, TODAY, rng)[1] for m in both)
            where = f"bikes, {_kinds(both)}"
            out[where, "rider"].append(
                holds(row["interval90_pct"], 100 * math.expm1((more - less) / 100))
            )
            right = (row["difference_pct"] > 0) == (more > less)
            if abs(more - less) > 1.0:
                out[where, "sign right"].append(right)
            _carried(fleet, team, name, both, rng, out)


def _kinds(both: Iterable[Any]) -> str:
    return " + ".join(sorted({m.model.kind for m in both}))


def _carried(
    fleet: Fleet, team: Larkmoor, name: str, both: list[Any], rng: np.random.Generator, out: Tally
) -> None:
    on = LAST
    first, second = both
    errors = [ride_error(team, m, name, TODAY, rng)[1] for m in both]
    watts = 300.0
    true = watts * math.exp((errors[1] - errors[0]) / 100)
    ask = EffortAsk(date=on.isoformat(), meter_id=first.meter_id, watts=watts, zeroed="yes")
    [row] = effort(fleet, [ask], carry_to=[second.meter_id])["carried"]
    out[f"carried, {_kinds(both)}", "rider"].append(holds(row["interval90_w"], true))


def ledgers(fleet: Fleet, team: Larkmoor, rng: np.random.Generator, out: Tally) -> None:
    """Factors of the last two years, each against one day of its row."""
    for name in RIDERS:
        for row in ledger(fleet, date(2025, 1, 1), LAST, rider_id=name)["ledger"]:
            first, last = day_of(row["from_date"]), day_of(row["to_date"])
            day = int(rng.integers(first, last + 1))
            meter = team.meters[row["meter_id"]]
            if not meter.in_use(day):
                continue
            own, total = ride_error(team, meter, name, day, rng)
            kind = meter.model.kind
            interval = row.get("rider_interval90", row["interval90"])
            out[f"ledger, {kind}", "rider"].append(holds(interval, math.exp(-total / 100)))
            out[f"ledger, {kind}", "sensor"].append(holds(row["interval90"], math.exp(-own / 100)))


def report(out: Tally) -> None:
    for (where, what), values in sorted(out.items()):
        print(f"{where:44s} {what:14s} {np.mean(values):.3f}  of {len(values)}")


def table(out: Tally, before: Mapping[str, float]) -> dict[str, float]:
    """Print kind of meter by answer, a share (before) each; return the shares by their names."""
    shares = {
        where: float(np.mean(values)) for (where, what), values in out.items() if what == "rider"
    }
    kinds = sorted({where.rsplit(", ", 1)[1] for where in shares if where.startswith(ANSWERS)})
    print(f"\n{'holds the rider':34s}" + "".join(f"{answer:>22s}" for answer in ANSWERS))
    for kind in kinds:
        names = [f"{answer}, {kind}" for answer in ANSWERS]
        cells = [_cell(shares.get(name), before.get(name)) for name in names]
        print(f"{kind:34s}" + "".join(f"{cell:>22s}" for cell in cells))
    return shares


def _cell(share: float | None, before: float | None) -> str:
    if share is None:
        return ""
    return f"{share:.2f}" if before is None else f"{before:.2f} -> {share:.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=4)
    parser.add_argument("--first", type=int, default=41)
    parser.add_argument("--stores", type=Path, default=None)
    parser.add_argument("--save", type=Path, default=None)
    parser.add_argument("--before", type=Path, default=None)
    given = parser.parse_args()
    out: Tally = defaultdict(list)
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.stores or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        seed, done = given.first, 0
        while done < given.fleets:
            team = team_of(seed)
            if team is not None:
                fleet = Fleet(store_of(team, folder, seed))
                rng = np.random.default_rng([7, seed])
                pairs(fleet, team, rng, out)
                own_efforts(fleet, team, out)
                bikes(fleet, team, rng, out)
                ledgers(fleet, team, rng, out)
                done += 1
            seed += 1
    report(out)
    shares = table(out, json.loads(given.before.read_text()) if given.before else {})
    if given.save:
        given.save.write_text(json.dumps(shares))


if __name__ == "__main__":
    main()
