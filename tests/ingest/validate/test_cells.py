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
from ingest.validate.day_reading import orders_in
from ingest.validate.suggestions import suggest


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
    ("column", "text", "value", "typed_instead", "words"),
    [
        ("crank_length_mm", "0.1725", 0.1725, "172.5?", "looks like metres: that is 172.5 mm"),
        ("crank_length_mm", "1725", 1725, "172.5?", "a decimal sign may be missing: is it 172.5?"),
        ("crank_length_mm", "6.79 in", None, "172.4660", "6.79 in is 172.4660 mm"),
        ("crank_length_mm", "17,25 cm", None, "172.5", "17,25 cm is 172.5 mm"),
        ("temperature_c", "68", 68, "20?", "degrees Fahrenheit: that is 20 °C"),
        ("temperature_c", "68 °F", None, "20", "68 °F is 20 °C"),
        ("temperature_c", "20°", None, "20?", "is it 20?"),
        ("gravity_ms2", "981", 981, "9.81?", "looks like cm/s²: that is 9.81 m/s²"),
        ("crank_angle_deg", "355", 355, "-5?", "is it -5?"),
        ("mass_kg", "44.1 lb", None, "20.003424", "44.1 lb is 20.003424 kg"),
        ("mass_kg", "150 g", None, "0.15", "150 g is 0.15 kg"),
        ("mass_kg", "20,010", 20010, "20.01", "write the number alone: 20.01"),
        ("mass_tolerance_g", "±1", None, "1", "write the number alone: 1"),
        ("torque_nm", "25 lbft", None, "33.895449", "25 lbft is 33.895449 N·m"),
        ("torque_nm", "24.9 lbf ft", None, "33.759867", "24.9 lbf ft is 33.759867 N·m"),
        ("torque_nm", "300 in-lb", None, "33.895449", "300 in-lb is 33.895449 N·m"),
        ("torque_nm", "3.45 kgf·m", None, "33.832943", "is 33.832943 N·m"),
        ("torque_nm", "33.9 foo", None, None, "the number alone, in N·m, without the unit"),
        ("torque_nm", "33,920 Nmm", None, None, "is 0.03392 or 33.92 N·m"),
        ("torque_nm", "~33.9", None, "33.9?", "is it 33.9?"),
        ("torque_nm", "n/a", None, None, 'needs a value, and "n/a" is none'),
        ("torque_nm", "33.9/34.1", None, None, "write the number alone"),
        ("soak_min", "-", None, "", "leave the cell empty"),
        ("soak_min", "?", None, "?", "leave the cell empty"),
        ("soak_min", "2 h", None, "120", "2 h is 120 min"),
        ("measured_at", "2024-03-31T02:30", None, None, "the clocks were put forward"),
        ("measured_at", "31/14/2024", None, None, "there is no such day"),
        ("measured_at", "14.3.26", None, "2026-03-14", "write 2026-03-14"),
        ("measured_at", "14.3.26 9.30 Uhr", None, "2026-03-14T09:30", "write 2026-03-14T09:30"),
        ("measured_at", "Sa, 14 Mar 2026 4:05 pm", None, "2026-03-14T16:05", "2026-03-14T16:05"),
        ("measured_at", "March 14, 2026", None, "2026-03-14", "write 2026-03-14"),
        ("measured_at", "2026/3/4 9:30", None, "2026-03-04T09:30", "write 2026-03-04T09:30"),
        ("measured_at", "14.3.26 or so", None, "2026-03-14?", "is it 2026-03-14?"),
        ("measured_at", "14-3-26", None, "2026-03-14?", "is it 2026-03-14?"),
        ("measured_at", "03/04/25", None, None, "write 2025-04-03 or 2025-03-04"),
        ("measured_at", "3.4.25", None, "2025-04-03?", "is it 2025-04-03?"),
        ("measured_at", "soon", None, None, "YYYY-MM-DDThh:mm"),
        ("measured_at", "14.3.1926", None, None, "check the year"),
        ("chainring", "9", None, None, "the number of teeth, 10 to 80"),
        ("chainring", "53 T", None, "53", "write the number alone: 53"),
        ("chainring", "L", None, "large", "write large"),
        ("arm", "L", None, "left", "write left"),
        ("arm", "Left  arm", None, "left", "write left"),
        ("load", "masss", None, "mass?", "did you mean mass?"),
        ("load", "unloaded", None, "zero", "write zero"),
        ("mass_class", "OIML M1", None, "M1", "write M1"),
    ],
)
def test_suggestions(
    column: str, text: str, value: float | None, typed_instead: str | None, words: str
) -> None:
    """What to type instead; with a question mark where it is not sure."""
    made = suggest(BENCH.column(column), text, value, zone="Europe/Madrid")
    assert words in made.words()
    guess = typed_instead is not None and typed_instead.endswith("?")
    wanted = typed_instead[:-1] if typed_instead and guess else typed_instead
    assert (made.value, made.sure) == (wanted, wanted is not None and not guess)


@pytest.mark.parametrize(
    ("column", "text", "word"),
    [
        ("kind", "pedals", "pedal_pair"),
        ("kind", "left arm", "crank_arm_left"),
        ("kind", "spider", "crank_spider"),
        ("state", "retired", "written_off"),
        ("state", "loan", "lent"),
        ("static_check", "ja", "yes"),
        ("in_service_date", "14.3.2026 9:30", "2026-03-14"),
    ],
)
def test_words_of_the_workshop_find_theirs(column: str, text: str, word: str) -> None:
    made = suggest(METERS.column(column), text, None, zone="UTC")
    assert (made.value, made.sure) == (word, True)


def test_a_column_may_prove_its_order_of_day_and_month() -> None:
    column = METERS.column("in_service_date")
    for other, wanted in (("14/3/26", "2026-04-03"), ("3/14/26", "2026-03-04")):
        orders = orders_in([other, "3/4/26", None])
        made = suggest(column, "3/4/26", None, zone="UTC", orders=orders)
        assert (made.value, made.sure) == (wanted, True)
    for others in (["14/3/26", "3/14/26"], ["14.3.26"], ["4/3/26"]):
        assert suggest(column, "3/4/26", None, zone="UTC", orders=orders_in(others)).value is None
