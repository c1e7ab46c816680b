"""Cells as people write them."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from ingest.schema import BENCH
from ingest.schema.tables import METERS
from ingest.validate.cell_parsing import (
    Style,
    chosen,
    days,
    instants,
    number_style,
    numbers,
    settled,
    typed,
)
from ingest.validate.suggestions import fix_for


def cells(*texts: str | None) -> pl.Series:
    return pl.Series("x", texts, dtype=pl.String)


@pytest.mark.parametrize(
    ("text", "point", "comma"),
    [
        ("1", 1, 1),
        ("172.5", 172.5, 172.5),
        ("-.5", -0.5, -0.5),
        ("1e3", 1000, 1000),
        ("33,92", 33.92, 33.92),
        ("1.234,5", 1234.5, 1234.5),
        ("1,234.5", 1234.5, 1234.5),
        ("1.234.567", 1234567, 1234567),
        ("1,234", 1234, 1.234),
        ("1.234", 1.234, 1234),
        ("0.123", 0.123, 0.123),
        ("0,123", 0.123, 0.123),
        ("1 234,5", 1234.5, 1234.5),
        ("12'000", 12000, 12000),
        ("−3", -3, -3),
        ("5 5", None, None),
        ("abc", None, None),
        ("nan", None, None),
        ("inf", None, None),
        ("1_000", None, None),
        ("", None, None),
    ],
)
def test_numbers(text: str, point: float | None, comma: float | None) -> None:
    assert numbers(cells(text), Style()).to_list() == [point]
    assert numbers(cells(text), Style(comma=True, points_group=True)).to_list() == [comma]


@pytest.mark.parametrize(
    ("texts", "typed_file", "style"),
    [
        (["33.92", "1.234"], False, Style()),
        (["33,92", "1.234"], False, Style(comma=True, points_group=True)),
        (["33,92", "1.234"], True, Style(comma=True)),
        (["33,92", "33.92"], False, Style()),
        (["1.234", "2"], False, Style()),
    ],
)
def test_number_style(texts: list[str], typed_file: bool, style: Style) -> None:
    assert number_style(cells(*texts), likely=Style(), typed=typed_file) == style


def test_settled_to_ten_digits() -> None:
    values = pl.Series([33.91734562934872, 0.1 + 0.2, 33.92, -0.0, 1 / 3 * 1e-6, None])
    got = settled(values).to_list()
    assert got == [33.91734563, 0.3, 33.92, 0.0, 3.333333333e-07, None]
    assert str(got[3]) == "0.0"


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2024-03-14", date(2024, 3, 14)),
        ("20240314", date(2024, 3, 14)),
        ("2024-03-14T23:59", date(2024, 3, 14)),
        ("2024-03-14 00:00:00", date(2024, 3, 14)),
        ("2024-02-30", None),
        ("14.03.2024", None),
        ("2024-3-14", None),
        ("20249999", None),
    ],
)
def test_days(text: str, day: date | None) -> None:
    assert days(cells(text)).to_list() == [day]


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=ZoneInfo("UTC"))  # type: ignore[arg-type, misc]


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("2024-03-14T09:30", utc(2024, 3, 14, 8, 30)),
        ("2024-03-14 9:30", utc(2024, 3, 14, 8, 30)),
        ("2024-03-14", utc(2024, 3, 13, 23)),
        ("2024-03-14T09:30:15.1234", utc(2024, 3, 14, 8, 30, 15, 123000)),
        ("2024-03-14T09:30Z", utc(2024, 3, 14, 9, 30)),
        ("2024-03-14T09:30:00+05:30", utc(2024, 3, 14, 4, 0)),
        ("2024-03-14T09:30-0530", utc(2024, 3, 14, 15, 0)),
        ("2024-03-14T09:30+01", utc(2024, 3, 14, 8, 30)),
        ("2024-10-27T02:30", utc(2024, 10, 27, 0, 30)),  # twice on that night: the first
        ("2024-03-31T02:30", None),  # not at all on that night
        ("2024-02-30T10:00", None),
        ("2024-03-14T25:00", None),
        ("1899-12-31 09:30:00", None),
        ("14.03.2024 09:30", None),
    ],
)
def test_instants(text: str, at: datetime | None) -> None:
    column = BENCH.column("measured_at")
    got = typed(column, cells(text), style=Style(), zone="Europe/Madrid")
    assert got.to_list() == [at]
    assert got.dtype == pl.Datetime("us", "UTC")


def test_instants_of_nothing() -> None:
    assert instants(cells(None), "UTC").to_list() == [None]
    assert instants(cells(), "UTC").to_list() == []


def test_choices_forgive_case_and_spaces() -> None:
    assert chosen(BENCH.column("stage"), cells("As found", "as-left", "x")).to_list() == [
        *("as_found", "as_left"),
        None,
    ]
    rings = chosen(BENCH.column("chainring"), cells("Large", "53", "53.0", "9", "81"))
    assert rings.to_list() == ["large", "53", "53", None, None]
    assert chosen(BENCH.column("mass_class"), cells("m1", "M1–2")).to_list() == ["M1", "M1-2"]


def test_yes_and_no() -> None:
    column = METERS.column("static_check")
    got = typed(column, cells("yes", "No", "TRUE", "0", "maybe"), style=Style(), zone="UTC")
    assert got.to_list() == [True, False, True, False, None]


@pytest.mark.parametrize(
    ("column", "text", "value", "words"),
    [
        ("crank_length_mm", "0.1725", 0.1725, "looks like metres: multiply by 1000 (172.5 mm)"),
        ("crank_length_mm", "1725", 1725, "a decimal sign may be missing: is it 172.5?"),
        ("temperature_c", "68", 68, "Fahrenheit (20 °C)"),
        ("gravity_ms2", "981", 981, "looks like cm/s²: divide by 100 (9.81 m/s²)"),
        ("crank_angle_deg", "355", 355, "is it -5?"),
        ("torque_nm", "25 lbft", None, "25 lbft is 33.8954 N·m"),
        ("torque_nm", "33.9 N·m", None, "without the unit: 33.9"),
        ("torque_nm", "n/a", None, 'needs a value, and "n/a" is none'),
        ("soak_min", "-", None, "leave the cell empty"),
        ("measured_at", "2024-03-31T02:30", None, "the clocks were put forward"),
        ("measured_at", "31/14/2024", None, "there is no such day"),
        ("chainring", "9", None, "the number of teeth, 10 to 80"),
    ],
)
def test_fixes(column: str, text: str, value: float | None, words: str) -> None:
    assert words in fix_for(BENCH.column(column), text, value, zone="Europe/Madrid")
