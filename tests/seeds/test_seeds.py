"""The demo team's tables: regenerated alike, within the contract, and true to their truth.

Readings and rides are evaluated here by the contract's arithmetic, without the models.
"""

from __future__ import annotations

import csv
import math
from collections import defaultdict
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from ingest.load import load_paths
from ingest.schema import TABLES
from ingest.store import Store
from seeds.generate import write

SEEDS = Path(__file__).parents[2] / "seeds"
FOLDERS = ("tables", "truth", "recordings")


@cache
def _read(name: str) -> pl.DataFrame:
    return pl.read_csv(SEEDS / f"{name}.csv", try_parse_dates=True, infer_schema_length=None)


@pytest.fixture(scope="module")
def sessions() -> list[dict[str, Any]]:
    """Every session of the bench table, evaluated as found, with its known truth."""
    truth = {r["session_id"]: r for r in _read("truth/sessions").iter_rows(named=True)}
    gravity = {r["place_id"]: r for r in _read("tables/places").iter_rows(named=True)}
    rows = defaultdict(list)
    for row in _read("tables/bench").iter_rows(named=True):
        if row["stage"] == "as_found":
            rows[row["session_id"]].append(row)
    return [_evaluate(rows[s], truth[s], gravity) for s in truth]


def _evaluate(
    rows: list[dict[str, Any]], truth: dict[str, Any], places: dict[str, Any]
) -> dict[str, Any]:
    place = places[rows[0]["place_id"]]
    mass = next(r["mass_kg"] + r["hanger_mass_kg"] for r in rows if r["load"] == "mass")
    g, u_g = _gravity(place)
    expected = mass * g * rows[0]["crank_length_mm"] / 1000 * (1 - 1.2 / 8000)
    cells: dict[Any, list[float]] = defaultdict(list)
    zeros: dict[Any, list[float]] = defaultdict(list)
    for r in rows:
        if r["load"] == "zero":
            zeros[r["arm"]].append(r["torque_nm"])
    for r in rows:
        if r["load"] == "mass":
            zero = zeros.get(r["arm"]) or [z for zs in zeros.values() for z in zs]
            gear = r["cog_teeth"] / int(r["chainring"]) if r["cog_teeth"] else 1.0
            shown = (r["torque_nm"] - float(np.mean(zero))) / gear
            cells[(r["arm"], r["chainring"])].append(shown / expected)
    found = 100 * (float(np.mean([np.mean(c) for c in cells.values()])) - 1)
    u_mass = {"set-A": 0.004, "set-B": 0.03, "set-C": 1.15}[rows[0]["bench_id"]]
    u_crank = 100 * 0.5 / math.sqrt(3) / rows[0]["crank_length_mm"]
    hung = sum(len(c) for c in cells.values())
    resolution = 100 * (0.1 if rows[0]["meter_id"][:2] in ("OL", "GP") else 0.01) / expected
    u_random = math.sqrt((0.15**2 + resolution**2 / 12) / hung + 0.08**2 + 0.04**2)
    chain = 0.7 if any(r["cog_teeth"] for r in rows) else 0.0
    return truth | {
        "found": found,
        "u_random": u_random,
        "u": math.hypot(u_mass, u_crank, 100 * u_g / g, u_random, chain),
        "chain": chain,
    }


def _gravity(place: dict[str, Any]) -> tuple[float, float]:
    if place["gravity_ms2"]:
        return place["gravity_ms2"], 0.0001
    if place["latitude_deg"] is None:
        return 9.80665, 0.026 / math.sqrt(3)
    s = math.sin(math.radians(place["latitude_deg"])) ** 2
    surface = 9.7803253359 * (1 + 0.00193185265241 * s) / math.sqrt(1 - 0.00669437999014 * s)
    return surface - 3.086e-6 * place["altitude_m"], 0.0005


def test_regenerating_gives_the_same_files(tmp_path: Path) -> None:
    write(tmp_path)
    for folder in FOLDERS:
        made = {p.name: p.read_bytes() for p in (tmp_path / folder).iterdir()}
        kept = {p.name: p.read_bytes() for p in (SEEDS / folder).iterdir()}
        assert made.keys() == kept.keys()
        assert [n for n in made if made[n] != kept[n]] == []


def test_found_values_are_the_truth_within_the_stated_uncertainty(
    sessions: list[dict[str, Any]],
) -> None:
    """All but the wrong entry: 95 % within two standard uncertainties, none beyond four."""
    sound = [s for s in sessions if not s["entry_pct"]]
    z = np.array([(s["found"] - s["gain_error_pct"]) / s["u"] for s in sound])
    assert len(sessions) - len(sound) == 1
    assert np.mean(np.abs(z) < 2) > 0.93
    assert np.abs(z).max() < 4


def test_found_values_are_truth_plus_known_parts(sessions: list[dict[str, Any]]) -> None:
    """With mass set, place, crank and entry known, what remains is the session's own noise."""
    z = []
    for s in sessions:
        known = sum(s[f"{p}_pct"] for p in ("gain_error", "mass_set", "place", "crank", "entry"))
        z.append((s["found"] - known + s["chain"]) / s["u_random"])
    assert np.std(z) == pytest.approx(1, abs=0.2)
    assert np.mean(z) == pytest.approx(-0.2, abs=0.25)  # a level crank is only wrong one way


def test_rides_give_the_true_ratio() -> None:
    """Gain and zero offset by least squares; a mirrored ride gives 0 instead."""
    truth = {r["comparison_id"]: r for r in _read("truth/comparisons").iter_rows(named=True)}
    z, mirrored = [], []
    for (ride,), rows in _read("tables/comparisons").group_by("comparison_id"):
        omega = rows["cadence_rpm"].to_numpy() * 2 * math.pi / 60
        X = np.column_stack([rows["reference_w"].to_numpy(), omega])
        beta, left, _, _ = np.linalg.lstsq(X, rows["meter_w"].to_numpy(), rcond=None)
        cov = np.linalg.inv(X.T @ X) * left[0] / (len(rows) - 2)
        ratio = 100 * (beta[0] - 1)
        if truth[str(ride)]["mirrored"]:
            mirrored.append(ratio)
        else:
            z.append((ratio - truth[str(ride)]["gain_ratio_pct"]) / (100 * math.sqrt(cov[0, 0])))
    assert len(mirrored) == 8
    assert np.abs(mirrored).max() < 0.25
    inside = np.mean(np.abs(z) < 2)
    assert 0.85 < inside < 0.97  # t with four to six degrees of freedom


@pytest.mark.parametrize("path", sorted((SEEDS / "tables").glob("*.csv")), ids=lambda p: p.stem)
def test_tables_keep_to_the_contract(path: Path) -> None:
    table = {c.name: c for c in TABLES[path.stem].columns}
    with path.open(newline="", encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    assert rows
    assert set(rows[0]) <= set(table)
    assert {c.name for c in table.values() if c.required} <= set(rows[0])
    for row in rows:
        for name, text in row.items():
            column = table[name]
            assert text or not column.required, f"{name} is empty"
            if text and column.choices and not (column.or_teeth and text.isdigit()):
                assert text in column.choices, f"{name}: {text}"
            if text and column.low is not None and column.kind in (int, float):
                assert column.low <= float(text), f"{name}: {text}"
            if text and column.high is not None and column.kind in (int, float):
                assert float(text) <= column.high, f"{name}: {text}"


def test_tables_refer_to_what_exists() -> None:
    known = {
        "meter_id": set(_read("tables/meters")["meter_id"]),
        "reference_id": set(_read("tables/references")["reference_id"]),
        "bench_id": set(_read("tables/mass_sets")["bench_id"]),
        "place_id": set(_read("tables/places")["place_id"]),
        "rider_id": set(_read("tables/riders")["rider_id"]),
    }
    for path in (SEEDS / "tables").glob("*.csv"):
        frame = _read(f"tables/{path.stem}")
        for column, ids in known.items():
            if column in frame.columns:
                assert set(frame[column].drop_nulls()) <= ids, f"{path.stem}, {column}"


def test_scenario_is_what_the_readme_says() -> None:
    meters = _read("tables/meters")
    groups = meters["model_group"].value_counts().filter(pl.col("count") > 5)
    assert groups.height == 3
    assert 55 <= meters.height <= 65
    assert _read("tables/riders")["rider_id"].n_unique() == 24
    assert set(meters["slope_convention"]) == {"multiplier", "divisor", "fixed"}
    trainers = _read("tables/references").filter(pl.col("kind") == "trainer")
    assert trainers.height == 4


def test_the_wrong_entry_contradicts_the_installation(sessions: list[dict[str, Any]]) -> None:
    wrong = next(s for s in sessions if s["entry_pct"])
    rows = _read("tables/bench").filter(pl.col("session_id") == wrong["session_id"])
    mounts = _read("tables/installations").filter(pl.col("meter_id") == wrong["meter_id"])
    assert rows["crank_length_mm"].unique().to_list() == [170.0]
    assert mounts["crank_length_mm"].to_list() == [172.5]
    assert rows["slope_after"].drop_nulls().len() > 0
    today = _read("truth/gain_errors").filter(pl.col("meter_id") == wrong["meter_id"])
    assert today.sort("date")["gain_error_pct"][-1] < -1.0


def test_slopes_chain_but_for_the_known_breaks() -> None:
    """One unrecorded reset; a new pedal at the factory's slope, which an event tells of."""
    bench = _read("tables/bench").unique("session_id").sort("meter_id", "measured_at")
    breaks = set()
    for side in ("", "_left", "_right"):
        left: dict[str, float] = {}
        for row in bench.iter_rows(named=True):
            before, after = row[f"slope_before{side}"], row[f"slope_after{side}"]
            if before is None:
                continue
            if left.get(row["meter_id"], before) != before:
                breaks.add((row["meter_id"], side))
            left[row["meter_id"]] = before if after is None else after
    assert breaks == {("FS-15", ""), ("GP-08", "_right")}


def test_sizes() -> None:
    files = [p for folder in FOLDERS for p in (SEEDS / folder).iterdir()]
    assert sum(p.stat().st_size for p in files) < 6e6
    recorded = [p for p in (SEEDS / "recordings").iterdir() if p.name != "pairs.csv"]
    assert len(recorded) == 6
    assert max(p.stat().st_size for p in recorded) < 150_000
    for path in recorded:
        assert pl.read_csv(path)["power_w"].dtype == pl.Int64


def test_pairs_name_their_files() -> None:
    pairs, truth = _read("recordings/pairs"), _read("truth/recordings")
    for row in pairs.iter_rows(named=True):
        assert (SEEDS / "recordings" / row["meter_file"]).exists()
        assert (SEEDS / "recordings" / row["reference_file"]).exists()
    assert truth["void"].to_list() == [False, False, True]


def test_the_tables_load_without_a_row_set_aside(tmp_path: Path) -> None:
    """Three contradictions are said, each of them one of the known cases."""
    report = load_paths(Store(tmp_path / "demo.duckdb"), [SEEDS / "tables", SEEDS / "recordings"])
    assert [p.document() for p in report.set_aside] == []
    told = " ".join(report.notices)
    for case in ("FS-15", "GP-08", "FS-19"):
        assert case in told
    assert len(report.notices) == 3
