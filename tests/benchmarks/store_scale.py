"""What a store costs as it grows: load, the same again, export, backup, merge, undo.

    python -m tests.benchmarks.store_scale FOLDER [METERS …]

Run by hand, in an empty folder; sizes without numbers: 1,000, 3,000, 10,000 and 30,000 meters, the
largest with a million readings and half a million steps of comparisons. Prints seconds of CPU (of
the processes it begins, too) by size, peak memory, and how each figure grows with the meters.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

from ingest.admin import back_up
from ingest.load import load_paths, undo_import
from ingest.store import Store, export_tables
from tests.benchmarks.page import exponent
from tests.simulate.contract_tables import expected_torque

SIZES = (1_000, 3_000, 10_000, 30_000)
SESSIONS, READINGS = 4, 8  # of a meter, of a session
RIDES, STEPS = 2, 9
MOST_ROWS = 250_000  # of a file
START = datetime(2025, 1, 6, 8, tzinfo=UTC)


def ids(prefix: str, n: int, each: int) -> pl.Series:
    """A name a thing, `each` rows long."""
    return (
        pl.Series(np.repeat(np.arange(n), each))
        .cast(pl.String)
        .str.zfill(6)
        .str.pad_start(7, prefix)
    )


def instants(n: int, each: int, *, minutes: int, seed: int) -> pl.Series:
    """An instant a session, with a minute or none from row to row."""
    rng = np.random.default_rng(seed)
    start = np.repeat(rng.integers(0, 700 * 24 * 60, n), each) + minutes * np.tile(
        np.arange(each), n
    )
    day = pl.Series(start.astype(np.int64) * 60_000_000).cast(pl.Duration("us"))
    return (pl.Series([START]).cast(pl.Datetime("us", "UTC"))) + day


def bench(n_meters: int) -> pl.DataFrame:
    """Bench sessions: a zero, hangings, a zero."""
    n, rng = n_meters * SESSIONS, np.random.default_rng(1)
    loads = ["zero", *["mass"] * (READINGS - 2), "zero"]
    gain = np.repeat(1 + rng.normal(0, 0.008, n), READINGS)
    torque = expected_torque(9.8112, 172.5) * gain * (1 + rng.normal(0, 0.001, gain.size))
    load = pl.Series(loads * n)
    shown = np.where(load == "mass", torque, rng.normal(0, 0.1, len(load)))
    return pl.DataFrame(
        {
            "session_id": ids("S", n, READINGS),
            "meter_id": ids("M", n_meters, SESSIONS * READINGS),
            "measured_at": instants(n, READINGS, minutes=0, seed=2),
            "bench_id": "B1",
            "place_id": "P1",
            "reading": np.tile(np.arange(1, READINGS + 1), n),
            "load": load,
            "torque_nm": np.round(shown, 3),
            "crank_length_mm": 172.5,
            "mass_kg": 20.0,
            "hanger_mass_kg": 0.35,
            "temperature_c": 20.0,
        }
    )


def comparisons(n_meters: int) -> pl.DataFrame:
    """Steady steps of rides beside one of six trainers."""
    n, rng = n_meters * RIDES, np.random.default_rng(3)
    reference = np.tile(np.linspace(110, 330, STEPS), n) + rng.normal(0, 4, n * STEPS)
    gain = np.repeat(1 + rng.normal(0, 0.008, n), STEPS)
    return pl.DataFrame(
        {
            "comparison_id": ids("C", n, STEPS),
            "meter_id": ids("M", n_meters, RIDES * STEPS),
            "reference_id": pl.Series(np.repeat(np.arange(n) % 6, STEPS)).cast(pl.String),
            "measured_at": instants(n, STEPS, minutes=0, seed=4),
            "step": np.tile(np.arange(1, STEPS + 1), n),
            "duration_s": 120,
            "meter_w": np.round(reference * gain + rng.normal(0, 1, n * STEPS), 1),
            "reference_w": np.round(reference, 1),
            "cadence_rpm": 90.0,
            "temperature_c": 20.0,
        }
    )


def tables(n_meters: int) -> dict[str, pl.DataFrame]:
    """A fleet's tables."""
    return {
        "meters": pl.DataFrame({"meter_id": ids("M", n_meters, 1)}).with_columns(
            kind=pl.lit("crank_spider"),
            model_group=pl.lit("alder"),
            in_service_date=pl.lit("2024-06-01"),
            slope_convention=pl.lit("multiplier"),
            factory_slope=pl.lit(5.69),
            crank_length_mm=pl.lit(172.5),
        ),
        "references": pl.DataFrame({"reference_id": [str(k) for k in range(6)]}).with_columns(
            kind=pl.lit("trainer")
        ),
        "mass_sets": pl.DataFrame({"bench_id": ["B1"]}).with_columns(
            mass_kg=pl.lit(20.0),
            hanger_mass_kg=pl.lit(0.35),
            mass_tolerance_g=pl.lit(5.0),
            source=pl.lit("certificate"),
        ),
        "places": pl.DataFrame({"place_id": ["P1"], "gravity_ms2": [9.8112]}),
        "bench": bench(n_meters),
        "comparisons": comparisons(n_meters),
    }


def cpu() -> float:
    """Seconds of CPU of this process and of those that it began."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def timed(found: dict[str, float], name: str, job: Callable[[], object]) -> object:
    """Run, and note the seconds of CPU."""
    start, wall = cpu(), time.monotonic()
    result = job()
    found[name] = cpu() - start
    print(f"  {name}: {found[name]:.2f} s of CPU, {time.monotonic() - wall:.2f} s", flush=True)
    return result


def measured(folder: Path, n_meters: int) -> dict[str, float]:
    """Measure one size."""
    print(f"{n_meters:,} meters", flush=True)
    home = folder / str(n_meters)
    home.mkdir(parents=True)
    files = []
    for name, frame in tables(n_meters).items():
        for k, part in enumerate(frame.iter_slices(MOST_ROWS)):
            files.append(str(home / f"{name}-{k}.csv"))
            part.write_csv(files[-1], datetime_format="%Y-%m-%dT%H:%M:%SZ")
    store, other = Store(home / "a.duckdb"), Store(home / "b.duckdb")
    found: dict[str, float] = {}
    report = timed(found, "load", lambda: load_paths(store, files))
    for problem in getattr(report, "set_aside", [])[:3]:
        print("   ", problem)
    timed(found, "same again", lambda: load_paths(store, files))
    timed(found, "export", lambda: export_tables(store, home / "out"))
    timed(found, "backup", lambda: back_up(store, home / "copy.duckdb"))
    load_paths(other, [file for file in files if "comparisons" not in file])
    timed(found, "merge", lambda: load_paths(store, [str(other.path)]))
    with store.reading() as db:
        print("   rows", {t: db.frame(t).height for t in ("meters", "bench", "comparisons")})
        latest = db.frame("imports").filter(pl.col("path").str.contains("comparisons"))
    timed(found, "undo", lambda: undo_import(store, int(latest["import_id"].min())))
    found["GiB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    return found


def main(folder: str, *sizes: str) -> None:
    """Measure each size; print how the figures grow."""
    meters = [int(n) for n in sizes] or list(SIZES)
    rows = [measured(Path(folder), n) for n in meters]
    for name in rows[0]:
        values = [row[name] for row in rows]
        told = ", ".join(f"{value:.2f}" for value in values)
        print(f"{name}: {told}; grows with the power {exponent(meters, values)}")


if __name__ == "__main__":
    main(*sys.argv[1:])
