"""Simulated fleets with meters of every kind: error and coverage by kind, beside naive means.

python -m tests.benchmarks.kinds [--fleets 8] [--first 1]

Each fleet is the demo team drawn with another seed (seeds.generate): sensors that walk from day
to day, masses, cranks and places that differ from what is stated, riders' legs, an oval ring, a
wrong setting, a replaced pedal, loose bolts, a mirrored trainer. None of it is the fleet model's
own simulator. Naive: the last found error as entered; the last 120 days' two power columns
averaged, less what the fleet's rides give on average; the mean of both.
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ingest.load import read_tables
from ingest.schema import TABLES
from models.fleet import FleetFit
from models.records import Records, Settings
from models.run.known import pipeline as assess
from seeds.generate import Larkmoor, write
from seeds.known import END, naive_numbers, pct
from seeds.scenario import LAST

Z90 = 1.6448536269514722


@dataclass
class Row:
    """One meter of one fleet, today; percent."""

    kind: str
    true: float
    mean: float
    sd: float
    bench: float | None
    rides: float | None

    @property
    def inside(self) -> bool:
        """Whether the 90 % interval holds the truth."""
        return abs(self.mean - self.true) <= Z90 * self.sd

    @property
    def naive(self) -> float | None:
        """The mean of what there is."""
        known = [v for v in (self.bench, self.rides) if v is not None]
        return sum(known) / len(known) if known else None


def fitted(team: Larkmoor) -> tuple[Records, FleetFit]:
    """The team's tables through the whole chain."""
    with tempfile.TemporaryDirectory() as folder:
        write(Path(folder), team)
        read = read_tables([Path(folder) / "tables"])
    tables = {n: read.frames.get(n, t.empty()) for n, t in TABLES.items()}
    settings = Settings()
    evaluated = assess.evaluate(tables, settings)
    found = assess.records(tables, evaluated, everything=tables, as_of=LAST, settings=settings)
    return found, assess.fitted(found, settings)


def team_of(seed: int) -> Larkmoor | None:
    """The team of a seed; None where its happenings do not fit the meters drawn (one of them
    would be benched before it came into service)."""
    try:
        return Larkmoor(seed)
    except AssertionError:
        return None


def rows_of(team: Larkmoor) -> list[Row]:
    """Every meter of one fleet."""
    fleet = fitted(team)[1]
    ids = [m for m, meter in team.meters.items() if meter.in_use(END)]
    mean, sd = fleet.gain_error([("meter", m) for m in ids], LAST)
    rows = []
    for meter_id, m, s in zip(ids, mean.tolist(), sd.tolist(), strict=True):
        meter = team.meters[meter_id]
        rides, bench = naive_numbers(meter, team.sessions, team.rides)
        true, middle = pct(meter.error(END)), 100 * math.expm1(m / 100)
        rows.append(Row(meter.model.kind, true, middle, s * math.exp(m / 100), bench, rides))
    return rows


def _rms(values: list[float]) -> str:
    return f"{math.sqrt(float(np.mean(np.square(values)))):6.2f}" if values else "     –"


def line(kind: str, rows: list[Row]) -> str:
    """One line a kind."""
    parts = {
        name: _rms([v - r.true for r in rows for v in [getattr(r, name)] if v is not None])
        for name in ("mean", "bench", "rides", "naive")
    }
    inside = sum(r.inside for r in rows)
    bias = float(np.mean([r.mean - r.true for r in rows]))
    return (
        f"{kind:16s} {len(rows):5d}  ours {parts['mean']} (bias {bias:+.2f}, sd "
        f"{float(np.mean([r.sd for r in rows])):.2f})  last bench {parts['bench']}  "
        f"rides {parts['rides']}  both {parts['naive']}  coverage {inside / len(rows):.3f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fleets", type=int, default=8)
    parser.add_argument("--first", type=int, default=1)
    asked = parser.parse_args()
    begun, rows, seed, done = time.process_time(), [], asked.first, 0
    while done < asked.fleets:
        team = team_of(seed)
        seed += 1
        if team is not None:
            rows += rows_of(team)
            done += 1
    print(f"{asked.fleets} fleets (seeds {asked.first} to {seed - 1})")
    print("root mean square error in %, coverage of 90 % intervals")
    for kind in dict.fromkeys(r.kind for r in rows):
        print(line(kind, [r for r in rows if r.kind == kind]))
    print(line("all", rows))
    print(f"{(time.process_time() - begun) / asked.fleets:.1f} s of CPU a fleet")


if __name__ == "__main__":
    main()
