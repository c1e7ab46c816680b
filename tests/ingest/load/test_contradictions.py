"""Contradictions load all the same, and are said: where, and what to do."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from ingest.load import read_tables
from ingest.load.contradictions import NAMED_IN, contradictions
from ingest.schema import TABLES
from tests.ingest import team

NAMES = ("meters", "references", "mass_sets", "places", "riders", "installations", "bench")


def notices(folder: Path, **tables: list[team.Row]) -> list[str]:
    """What is said of the team's tables with some of them replaced, rows numbered as in a file."""
    everything = {name: team.TEAM[name] for name in NAMES} | tables
    found = read_tables([team.write_team(folder / "tables", everything)])
    assert found.problems == []
    frames = {name: table.empty() for name, table in TABLES.items()} | found.frames
    devices = {
        name
        for frame in found.frames.values()
        for column in NAMED_IN
        if column in frame.columns
        for name in frame[column].drop_nulls()
    }
    return contradictions(
        lambda table: frames[table].with_row_index("row_id", 1).cast({"row_id": pl.Int64}),
        devices=devices,
        source=lambda table: pl.DataFrame(
            [(i + 1, f"tables/{table}.csv", i + 2) for i in range(frames[table].height)],
            schema={"row_id": pl.Int64, "path": pl.String, "row": pl.Int64},
            orient="row",
        ),
        today=date(2026, 3, 14),
    )


def one(said: list[str], words: str) -> str:
    (found,) = [notice for notice in said if words in notice]
    return found


def session(
    name: str, day: str, before: float, after: float | None = None, **cells: Any
) -> team.Row:
    return team.reading(
        name, 1, measured_at=f"{day}T09:00", slope_before=before, slope_after=after, **cells
    )


def test_a_clean_team_says_nothing(tmp_path: Path) -> None:
    assert notices(tmp_path) == []


def test_unknown_names(tmp_path: Path) -> None:
    bench = [team.reading(meter_id="M01", bench_id="B2", place_id="P2")]
    zeros = [{"meter_id": "M01", "measured_at": "2024-03-14", "zero_nm": 0.1}]
    said = notices(tmp_path, bench=bench, zeros=zeros)
    meter = one(said, "meter M01 is not in meters")
    assert "bench.csv row 2" in meter
    assert "1 row of bench, 1 row of zeros" in meter
    assert "did you mean M1?" in meter
    assert "add it there" in one(said, "mass set B2 is not in mass_sets")
    assert "9.80665" in one(said, "place P2 is not in places")


def test_no_meters_at_all_is_one_sentence(tmp_path: Path) -> None:
    bench = [team.reading(), team.reading("S2", 1, meter_id="M2")]
    said = notices(tmp_path, meters=[], installations=[], bench=bench)
    assert "2 are named (M1, M2)" in one(said, "there is no table meters yet")


def test_comparison_with_an_unknown_reference(tmp_path: Path) -> None:
    rows = [row | {"reference_id": "T9", "rider_id": "R9"} for row in team.COMPARISONS]
    said = notices(tmp_path, comparisons=rows)
    assert "3 rows of comparisons" in one(said, "reference T9 is not in references")
    one(said, "rider R9 is not in riders")


def test_event_of_an_unknown_device(tmp_path: Path) -> None:
    said = notices(tmp_path, events=[{"meter_id": "M8", "date": "2024-03-01", "event": "crash"}])
    assert "1 row of events" in one(said, "meter M8 is not in meters")


def test_slope_chain(tmp_path: Path) -> None:
    bench = [
        session("S1", "2024-03-01", 5.69, 5.61),
        session("S2", "2024-04-01", 5.61),
        session("S3", "2024-05-01", 5.61, 5.65),
        session("S4", "2024-06-01", 5.56, 5.60),
        session("S5", "2024-07-01", 5.60),
    ]
    said = notices(tmp_path, bench=bench)
    (found,) = said
    assert found.startswith("bench.csv row 5: meter M1, session S4: slope_before is 5.56")
    assert "the session of 2024-05-01 left 5.65" in found


def test_slope_chain_of_one_side(tmp_path: Path) -> None:
    bench = [
        session("S1", "2024-03-01", 5.69, slope_before_left=1.0, slope_after_left=1.1),
        session("S2", "2024-04-01", 5.69, slope_before_left=1.0),
    ]
    one(notices(tmp_path, bench=bench), "slope_before_left is 1, but")


def test_before_in_service_and_after_retirement(tmp_path: Path) -> None:
    meters = [team.METERS[0] | {"retired_date": "2024-12-31"}]
    bench = [session("S1", "2023-12-01", 5.69), session("S2", "2025-01-02", 5.69)]
    said = notices(tmp_path, meters=meters, bench=bench)
    early = one(said, "before its in_service_date 2024-01-10")
    assert "first 2023-12-01" in early
    assert "after its retired_date 2024-12-31" in one(said, "after its retired_date")


@pytest.mark.parametrize(
    ("installed", "own", "entered", "says"),
    [
        (172.5, None, 172.5, None),
        (172.5, None, 170.0, "its installation says 172.5 mm"),
        (172.5, 170.0, 172.5, None),  # the installation wins over the meter's own
        (172.5, 170.0, 170.0, "its installation says 172.5 mm"),
        (None, 170.0, 170.0, None),
        (None, 170.0, 172.5, "its row in meters says 170 mm"),
        (None, None, 172.5, None),
    ],
)
def test_crank_length(
    tmp_path: Path, installed: float | None, own: float | None, entered: float, says: str | None
) -> None:
    said = notices(
        tmp_path,
        meters=[team.METERS[0] | {"crank_length_mm": own}],
        installations=[team.INSTALLATIONS[0] | {"crank_length_mm": installed}],
        bench=[team.reading(crank_length_mm=entered)],
    )
    assert len(said) == (0 if says is None else 1)
    if says:
        assert says in said[0]
        assert said[0].startswith("bench.csv row 2: meter M1, session S1")


def spell(since: str, until: str | None, rider: str | None = "R1") -> team.Row:
    return {"meter_id": "M1", "from_date": since, "to_date": until, "rider_id": rider}


@pytest.mark.parametrize(
    ("spells", "overlap"),
    [
        ([spell("2024-02-01", "2024-02-10"), spell("2024-02-11", None, None)], False),
        ([spell("2024-02-01", "2024-02-10"), spell("2024-02-10", None, None)], False),  # handover
        ([spell("2024-02-01", "2024-02-10"), spell("2024-02-09", None, None)], True),
        ([spell("2024-02-01", None), spell("2024-03-01", None, None)], True),
        ([spell("2024-02-01", "2024-02-01"), spell("2024-02-01", "2024-02-01", None)], False),
        ([spell("2024-02-01", "2024-02-28"), spell("2024-02-02", "2024-02-03", None)], True),
    ],
)
def test_overlapping_assignments(tmp_path: Path, spells: list[team.Row], overlap: bool) -> None:
    said = notices(tmp_path, assignments=spells)
    assert len(said) == int(overlap)
    if overlap:
        assert "the assignment from" in said[0]
        assert "give the earlier one its to_date" in said[0]


def test_overlapping_installations(tmp_path: Path) -> None:
    rows = [
        team.INSTALLATIONS[0],
        team.INSTALLATIONS[0] | {"from_date": "2024-03-01", "bike_id": "K2"},
    ]
    assert "it is open" in one(notices(tmp_path, installations=rows), "the installation from")


def test_a_fixed_slope_that_was_changed(tmp_path: Path) -> None:
    bench = [session("S1", "2024-03-01", 1.0, 1.1, meter_id="M2", crank_length_mm=170)]
    one(notices(tmp_path, bench=bench), "its slope is fixed")


def test_same_serial_twice(tmp_path: Path) -> None:
    meters = [row | {"serial_number": "4711"} for row in team.METERS]
    one(notices(tmp_path, meters=meters), "meters M1, M2 have the same serial number 4711")


def test_after_today(tmp_path: Path) -> None:
    one(notices(tmp_path, bench=[session("S1", "2094-03-01", 5.69)]), "check the year")


def test_only_what_the_files_name(tmp_path: Path) -> None:
    """A load says nothing of meters that it has nothing to do with."""
    tables = {name: team.TEAM[name] for name in NAMES}
    folder = team.write_team(tmp_path / "a", tables | {"bench": [team.reading(meter_id="M7")]})
    _, report = team.load(tmp_path, folder)
    assert one(report.notices, "meter M7 is not in meters").startswith("bench.csv row 2: ")
    _, report = team.load(tmp_path, team.write_csv(tmp_path / "bench-2.csv", team.BENCH))
    assert report.notices == []
