"""What was known before an instant is made of nothing later: the demo team, cut or not."""

from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

import seeds
from ingest.load import read_tables
from ingest.schema import TABLES
from models.fleet import FleetData
from models.records import Records, Settings, Tables, up_to, zero_steps
from models.run.known import pipeline
from models.run.known.past import data_before

LAST, CUT = date(2026, 7, 1), datetime(2026, 1, 20, tzinfo=UTC)
SETTINGS = Settings()


@dataclass(frozen=True)
class Team:
    tables: Tables
    found: Records

    @classmethod
    def known(cls, tables: Tables, day: date) -> "Team":
        then = up_to(tables, as_of=day, time_zone="UTC")
        evaluated = pipeline.evaluate(then, SETTINGS)
        return cls(
            tables,
            pipeline.records(then, evaluated, everything=tables, as_of=day, settings=SETTINGS),
        )

    def before(self, instant: datetime) -> FleetData:
        return data_before(instant, self.tables, pairs=None, found=self.found, settings=SETTINGS)


@pytest.fixture(scope="module")
def tables() -> Tables:
    read = read_tables([Path(seeds.__file__).parent / "tables"]).frames
    return {name: table.conform(read.get(name, table.empty())) for name, table in TABLES.items()}


@pytest.fixture(scope="module")
def team(tables: Tables) -> Team:
    return Team.known(tables, LAST)


def same(one: FleetData, other: FleetData) -> None:
    for field in fields(FleetData):
        assert_frame_equal(getattr(one, field.name), getattr(other, field.name), check_exact=True)


def test_later_rows_change_nothing_that_was_known(tables: Tables, team: Team) -> None:
    """To the last bit, whether the later rows are not there yet or say something else."""
    early = Team.known(up_to(tables, as_of=CUT.date(), time_zone="UTC"), CUT.date())
    late = pl.col("measured_at") >= CUT
    wild = tables | {
        name: tables[name].with_columns(pl.when(late).then(9 * pl.col(value)).otherwise(value))
        for name, value in (
            ("comparisons", "meter_w"),
            ("zeros", "zero_nm"),
            ("bench", "torque_nm"),
        )
    }
    ours = team.before(CUT)
    assert ours.comparisons.height > 20
    same(ours, early.before(CUT))
    same(ours, Team.known(wild, LAST).before(CUT))


def test_the_whole_table_would_have_told_of_later_rows(team: Team) -> None:
    """Comparisons pool their noise: cut from the last day's they are not what was known."""
    then = team.before(CUT)
    now = team.found.data.completed().until(CUT - timedelta(microseconds=1))
    assert then.comparisons["comparison_id"].equals(now.comparisons["comparison_id"])
    assert not then.comparisons["u"].equals(now.comparisons["u"])
    assert then.bench.equals(now.bench)


def test_a_jump_of_a_zero_is_dated_by_the_readings_until_then(tables: Tables, team: Team) -> None:
    """The last reading before the cut is the first of a jump: later ones would date it better."""
    zeros = tables["zeros"].sort("measured_at")
    known = zeros.filter((pl.col("measured_at") < CUT) & pl.col("zero_nm").is_not_null())
    meter_id = known["meter_id"].value_counts(sort=True)["meter_id"][0]
    mine = pl.col("meter_id") == meter_id
    jumped = mine & (pl.col("measured_at") >= known.filter(mine)["measured_at"].max())
    size = pl.when(jumped).then(2.0).otherwise(0.0)
    blow = zeros.with_columns(pl.col("zero_nm") + size)
    until, whole = (
        zero_steps(table).filter(mine)["at"].to_list()
        for table in (blow.filter(pl.col("measured_at") < CUT), blow)
    )
    assert until != whole
    assert max(whole) < CUT
    events = Team(tables | {"zeros": blow}, team.found).before(CUT).events
    assert events.filter(mine & (pl.col("event") == "zero_step"))["latest"].to_list() == until
