"""What is known is said by the commands: settings, what the truth hangs on, other stores."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from dashboard.cli.command_line import main

METERS = """meter_id,kind,in_service_date,slope_convention,factory_slope
P1,pedal_pair,2024-01-10,multiplier,100
P2,pedal_pair,2024-01-10,multiplier,100
H1,hub,2024-01-10,fixed,
"""
INSTALLED = """meter_id,bike_id,from_date,to_date,crank_length_mm,programmed_crank_length_mm
P1,B1,2024-01-10,2026-01-31,172.5,172.5
P1,B1,2026-02-01,,170,172.5
P2,B2,2024-01-10,,170,170
"""
REFERENCES = "reference_id,kind\nT1,trainer\n"
COLUMNS = "session_id,meter_id,measured_at,mass_kg,crank_length_mm,load,arm,torque_nm\n"
RIDE = "comparison_id,meter_id,reference_id,measured_at,step,duration_s,meter_w,reference_w\n"


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, Any, str]:
    code = main([*map(str, words), "--format", "json"])
    said = capsys.readouterr()
    return code, json.loads(said.out) if said.out else None, said.err


def session(name: str, meter: str, day: str, crank_mm: float, error_pct: float) -> str:
    torque = 20 * 9.80665 * crank_mm / 1000 * (1 - 1.2 / 8000) * (1 + error_pct / 100)
    head = f"{name},{meter},{day}T10:00:00Z"
    rows = [
        f"{head},{mass},{crank_mm},{load},{arm},{value:.2f}\n"
        for arm in ("left", "right")
        for load, mass, value in (("zero", 0, 0.0), ("mass", 20, torque), ("mass", 20, torque))
    ]
    return "".join(rows)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pedals")
    (folder / "meters.csv").write_text(METERS)
    (folder / "installations.csv").write_text(INSTALLED)
    (folder / "references.csv").write_text(REFERENCES)
    bench = session("a", "P1", "2025-06-01", 172.5, 0.2) + session(
        "b", "P1", "2026-03-01", 170, 1.7
    )
    bench += session("c", "P2", "2025-06-01", 170, -0.3) + session(
        "d", "P2", "2026-03-01", 170, -0.2
    )
    (folder / "bench.csv").write_text(COLUMNS + bench)
    rides = "".join(f"k,H1,T1,2026-03-02T17:00:00Z,{i},120,{w},{w + 5}\n" for i, w in
                    enumerate((150, 200, 250)))  # fmt: skip
    (folder / "comparisons.csv").write_text(RIDE + rides)
    store = folder / "pedals.duckdb"
    assert main(["load", str(folder), "--store", str(store)]) == 0
    return store


def test_a_wrong_programmed_length_is_named_and_no_alarm(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """P1's error rose by 1.5 % when it moved onto the shorter crank: 172.5 / 170 − 1 = 1.47 %."""
    _, document, said = run(capsys, "status", "--store", store, "--as-of", "2026-03-05")
    rows = {row["meter_id"]: row for row in document["meters"]}
    assert rows["P1"]["alarms"] == []
    assert abs(rows["P1"]["gain_error_pct"] - 1.7) < 0.35
    assert "if it says 170 mm, set that in the meter" in rows["P1"]["next_action"]
    assert "Set " not in rows["P2"]["next_action"]
    assert document["fleet"]["truth"]["basis"] == "stated"
    assert document["notes"][0] in said
    assert rows["P1"]["temperature"]["known"] is False
    low, high = rows["P1"]["temperature"]["interval90_in_use_pct"]
    assert low < rows["P1"]["interval90_pct"][0] < rows["P1"]["interval90_pct"][1] < high


def test_the_ledger_is_cut_where_the_setting_changed(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, document, _ = run(
        capsys, "correct", "--meter", "P1", "--from", "2026-01-20", "--to", "2026-02-10",
        "--store", store, "--as-of", "2026-03-05",
    )  # fmt: skip
    rows = {row["from_date"]: row["factor"] for row in document["ledger"]}
    assert list(rows) == ["2026-01-20", "2026-02-01"]
    assert rows["2026-02-01"] / rows["2026-01-20"] == pytest.approx(170 / 172.5, abs=1e-3)


def test_a_hub_on_a_trainer_is_refused(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, document, _ = run(capsys, "status", "--store", store, "--as-of", "2026-03-05")
    [hub] = [row for row in document["meters"] if row["meter_id"] == "H1"]
    assert hub["last_comparison"] is None
    assert "replaces the rear wheel" in " ".join(hub["reasons"])


def test_another_store_loads_like_a_file(
    store: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = tmp_path / "mine.duckdb"
    code, first, _ = run(capsys, "load", store, "--store", mine, "--no-fit")
    assert code == 0
    assert sum(entry["rows_loaded"] for entry in first["files"]) > 20
    code, again, _ = run(capsys, "load", store, "--store", mine, "--no-fit")
    assert (code, sum(entry["rows_loaded"] for entry in again["files"])) == (0, 0)


def test_workshops_without_names_are_asked_for(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, document, said = run(
        capsys, "report", "workshops", "--store", store, "--as-of", "2026-03-05"
    )
    assert code == 0
    assert document["workshops"] == []
    assert "name no workshop" in said
    assert math.isfinite(document["parts"][-1]["sd_pct"])
