"""Writes the demo's tables, recordings and known truth: `python -m seeds.generate [FOLDER]`.

The same code writes the same files, byte for byte.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import polars as pl

from seeds import known, scenario
from seeds.bench_days import Session, bench_days
from seeds.devices import Meter, Trainer, draw_meters, draw_trainers
from seeds.happenings import Happening, befall, events_table
from seeds.ride_files import recordings
from seeds.rides import Legs, Ride, draw_legs, efforts_table, rides, zeros_table
from seeds.roster import assign
from seeds.scenario import FIRST, N_DAYS, Row, date_of

SEED = 20260930
HERE = Path(__file__).parent
AT_FORMAT = "%Y-%m-%dT%H:%M:%SZ"
BENCH_COLUMNS = (
    *("session_id", "meter_id", "measured_at", "bench_id", "place_id", "technician"),
    *("mass_kg", "hanger_mass_kg", "crank_length_mm", "temperature_c", "soak_min", "stage"),
    *("reading", "load", "direction", "loading_path", "cog_teeth", "chainring", "arm"),
    *("torque_nm", "slope_before", "slope_after", "slope_before_left", "slope_after_left"),
    *("slope_before_right", "slope_after_right"),
)


class Larkmoor:
    """The whole invented team, drawn once; another seed draws another course of the same team."""

    def __init__(self, seed: int = SEED) -> None:
        streams = [np.random.default_rng([seed, k]) for k in range(8)]
        self.meters: dict[str, Meter] = draw_meters(streams[0])
        self.trainers: dict[str, Trainer] = draw_trainers(streams[1])
        assign(self.meters, streams[2])
        self.happenings: list[Happening] = befall(self.meters, self.trainers, streams[2])
        names = sorted({m.crank_id for meter in self.meters.values() for m in meter.mounts})
        self.cranks = {c: float(streams[3].uniform(-0.45, 0.45)) for c in names}
        self.sessions: list[Session] = bench_days(self.meters, self.cranks, streams[4])
        self.legs: Legs = draw_legs(streams[5])
        self.rides: list[Ride] = rides(self.meters, self.trainers, self.legs, streams[5])
        self.zeros = zeros_table(self.meters, streams[6])
        self.efforts, self.efforts_truth = efforts_table(self.meters, self.legs, streams[6])
        self.recorded = recordings(self.meters, self.trainers, self.legs, streams[7])


def tables(team: Larkmoor) -> dict[str, pl.DataFrame]:
    """Return the team's tables as it would hand them in."""
    rows: dict[str, list[Row]] = {
        "meters": [_meter_row(m) for m in team.meters.values()],
        "references": scenario.references_table(),
        "mass_sets": scenario.mass_sets_table(),
        "places": scenario.places_table(),
        "riders": scenario.riders_table(),
        "installations": _installations(team.meters),
        "assignments": _assignments(team.meters),
        "events": events_table(team.meters, team.trainers),
        "zeros": team.zeros,
        "comparisons": [row for ride in team.rides for row in ride.rows],
        "efforts": team.efforts,
        "calendar": scenario.calendar_table(),
        "capacity": scenario.capacity_table(),
        "costs": scenario.costs_table(),
    }
    frames = {name: _frame(r) for name, r in rows.items()}
    bench = _frame([row for session in team.sessions for row in session.rows])
    return frames | {"bench": bench.select(BENCH_COLUMNS)}


def truth(team: Larkmoor) -> dict[str, pl.DataFrame]:
    """Return what is known beside the tables."""
    rows: dict[str, list[Row]] = {
        "gain_errors": known.gain_errors(team.meters),
        "references": known.reference_errors(team.trainers),
        "sessions": known.session_truth(team.sessions, team.cranks),
        "comparisons": known.ride_truth(team.rides),
        "places": known.places_truth(),
        "happenings": known.happenings_table(team.happenings),
        "cases": known.cases(
            team.happenings, (team.meters, team.trainers), team.sessions, team.rides
        ),
        "efforts": team.efforts_truth,
        "recordings": team.recorded[2],
    }
    return {name: _frame(r) for name, r in rows.items()}


def write(folder: Path, team: Larkmoor | None = None) -> None:
    """Write tables/, truth/ and recordings/ into a folder."""
    team = team or Larkmoor()
    files, pairs, _ = team.recorded
    for name, frames in (
        ("tables", tables(team)),
        ("truth", truth(team)),
        ("recordings", {"pairs": _frame(pairs)} | {n[:-4]: f for n, f in files.items()}),
    ):
        (folder / name).mkdir(parents=True, exist_ok=True)
        for stem, frame in frames.items():
            path = folder / name / f"{stem}.csv"
            path.write_text(
                frame.write_csv(datetime_format="%Y-%m-%dT%H:%M:%SZ"), "utf-8", newline="\n"
            )


def _frame(rows: Sequence[Row]) -> pl.DataFrame:
    return pl.DataFrame(rows, infer_schema_length=None)


def _meter_row(meter: Meter) -> Row:
    model, number = meter.model, int(meter.meter_id[3:])
    start = date_of(meter.in_service)
    fixed = model.convention == "fixed"
    return {
        "meter_id": meter.meter_id,
        "kind": model.kind,
        "model_group": model.group,
        "serial_number": f"{ord(model.prefix[0])}{ord(model.prefix[1])}{7301 + 37 * number}",
        "in_service_date": start,
        "retired_date": None if meter.stop is None else date_of(meter.stop),
        "replaces_meter_id": meter.replaces,
        "slope_convention": model.convention,
        "factory_slope": None if fixed else meter.sides[0].factory,
        "slope_step": None if fixed else model.step,
        "crank_length_mm": meter.mounts[-1].crank_mm,
        "tolerance_pct": model.tolerance,
        "stated_accuracy_pct": model.accuracy,
        "static_check": "no" if model.kind == "other" else "yes",
        "battery_type": model.battery,
        "owner": meter.owner,
        "state": meter.state,
        "location": "truck" if meter.state == "spare" else "with the rider",
        "purchase_date": start,
        "purchase_cost": model.cost,
        "warranty_until": start.replace(year=start.year + 2, day=min(start.day, 28)),
    }


def _installations(meters: dict[str, Meter]) -> list[Row]:
    rows: list[Row] = []
    for meter in meters.values():
        for mount in meter.mounts:
            last = meter.stop if mount.stop is None else mount.stop
            rows.append(
                {
                    "meter_id": meter.meter_id,
                    "bike_id": mount.bike_id,
                    "from_date": date_of(mount.start),
                    "to_date": None if last is None else date_of(last),
                    "crank_id": mount.crank_id,
                    "crank_length_mm": mount.crank_mm,
                    "programmed_crank_length_mm": (
                        mount.programmed_mm if meter.model.kind == "pedal_pair" else None
                    ),
                    "large_ring": mount.rings[0],
                    "small_ring": mount.rings[1],
                    "ring_shape": mount.shape,
                }
            )
    return rows


def _assignments(meters: dict[str, Meter]) -> list[Row]:
    return [
        {
            "meter_id": meter.meter_id,
            "from_date": date_of(start),
            "to_date": None if stop is None else date_of(stop),
            "rider_id": rider,
            "bike_id": meter.mounts[-1].bike_id,
            "role": role,
        }
        for meter in meters.values()
        for start, stop, rider, role in meter.held
    ]


def main() -> None:
    """Write beside this file, or into the folder named on the command line."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    write(folder)
    print(f"{N_DAYS} days from {FIRST} written to {folder.name}/", file=sys.stderr)


if __name__ == "__main__":
    main()
