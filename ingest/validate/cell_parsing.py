"""Parse text cells into typed values, a whole column at a time; null where that fails.

Numbers are kept to ten significant digits and instants to the millisecond, so that a table has
the same rows in every file format.
"""

import re
from datetime import date, datetime
from typing import NamedTuple

import polars as pl

from ingest.schema import Column

PLAIN = r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?$"
COMMA_DECIMAL = r"^[+-]?(?:\d*|\d{1,3}(?:\.\d{3})+),\d+(?:[eE][+-]?\d+)?$"
COMMA_DECIMAL_FOR_SURE = r"^[+-]?(?:0?,\d+|\d+,(?:\d{1,2}|\d{4,})|\d{1,3}(?:\.\d{3})+,\d+)$"
POINT_DECIMAL_FOR_SURE = r"^[+-]?(?:0?\.\d+|\d+\.(?:\d{1,2}|\d{4,})|\d{1,3}(?:,\d{3})+\.\d+)$"
POINT_THOUSANDS = r"^[+-]?[1-9]\d{0,2}(?:\.\d{3})+$"
POINT_THOUSANDS_FOR_SURE = r"^[+-]?[1-9]\d{0,2}(?:\.\d{3}){2,}$"
COMMA_THOUSANDS = r"^[+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)?$"
DAY = r"^(\d{4}-\d{2}-\d{2})(?:[T ]\d{1,2}:\d{2}.*)?$"
BASIC_DAY = r"^(?:19|20)\d{6}$"
INSTANT = (
    r"^(?<day>\d{4}-\d{2}-\d{2})(?:[Tt ](?<hours>\d{1,2}:\d{2})(?::(?<seconds>\d{2}(?:\.\d+)?))?)?"
    r"\s*(?<zone>[Zz]|(?<sign>[+-])(?<off_h>\d{2})(?::?(?<off_m>\d{2}))?)?$"
)
YES = ("yes", "y", "true", "1")
NO = ("no", "n", "false", "0")
FIRST_DAY, LAST_DAY = date(1990, 1, 1), date(2099, 12, 31)
TEETH = (10, 80)
DIGITS = 10


class Style(NamedTuple):
    """How numbers are written: with a decimal comma, and with points between thousands."""

    comma: bool = False
    points_group: bool = False


def typed(column: Column, cells: pl.Series, *, style: Style, zone: str) -> pl.Series:
    """Return a column of cells as its type; null where a cell is none, or out of range.

    cells   text, or values that only have to be held against the column's range
    style   how the column's numbers are written (see `number_style`)
    zone    time zone of instants without an offset
    """
    if is_blank(cells):
        return pl.Series(cells.name, [None], dtype=column.dtype).new_from_index(0, len(cells))
    text = cells.dtype == pl.String
    if column.kind is str:
        cells = cells if text else cells.cast(pl.String)
        return chosen(column, cells) if column.choices else cells
    if column.kind is bool:
        return _yes_no(cells) if text else cells.cast(pl.Boolean)
    if column.kind is date:
        return _in_days(days(cells) if text else cells.cast(pl.Date))
    if column.kind is datetime:
        return _in_days(instants(cells, zone) if text else cells.cast(column.dtype).dt.round("1ms"))
    read = numbers(cells, style) if text else cells.cast(pl.Float64)
    values = _in_range(column, settled(read))
    if column.kind is int:
        whole = pl.when(values.floor() == values).then(values)
        return pl.select(whole).to_series().cast(pl.Int64).alias(cells.name)
    return values.alias(cells.name)


def is_blank(cells: pl.Series) -> bool:
    """Return whether a column holds nothing: most of a table's columns do, in most files."""
    return cells.null_count() == len(cells)


def plain_digits(cells: pl.Series) -> pl.Series:
    """Return cells without signs that only group digits, and with a plain minus."""
    return (
        cells.str.replace_all("[−–]", "-")
        .str.replace_all(r"(\d)[ '’](\d{3})", "$1$2")
        .str.replace_all(r"(\d)[ '’](\d{3})", "$1$2")
    )


def numbers(cells: pl.Series, style: Style) -> pl.Series:
    """Return numbers, written with a point or comma, with or without marks between thousands."""
    return pointed(cells, style).cast(pl.Float64, strict=False).alias(cells.name)


def decimals(cells: pl.Series, style: Style) -> pl.Series:
    """Return with how many decimals numbers were written that end in a zero, which no number
    keeps: 33.0 has one; null for any other."""
    digits = pointed(cells, style).str.extract(r"^[^.eE]*\.(\d*0)$", 1)
    return digits.str.len_chars().cast(pl.Int64).alias(cells.name)


def pointed(cells: pl.Series, style: Style) -> pl.Series:
    """Return numbers as text with a decimal point and nothing between thousands."""
    text = pl.col("t")
    no_points = text.str.replace_all(".", "", literal=True)
    comma_to_point = no_points.str.replace(",", ".", literal=True)
    no_commas = text.str.replace_all(",", "", literal=True)
    points_group = POINT_THOUSANDS if style.points_group else POINT_THOUSANDS_FOR_SURE
    comma_decimal = COMMA_DECIMAL if style.comma else COMMA_DECIMAL_FOR_SURE
    read = (
        pl.when(text.str.contains(points_group))
        .then(no_points)
        .when(text.str.contains(PLAIN))
        .then(text)
        .when(text.str.contains(comma_decimal))
        .then(comma_to_point)
        .when(text.str.contains(COMMA_THOUSANDS))
        .then(no_commas)
    )
    frame = plain_digits(cells).alias("t").to_frame()
    return frame.select(read).to_series()


def number_style(cells: pl.Series, *, likely: Style, typed: bool) -> Style:
    """Return how the numbers of a column are written; `likely` where its cells do not tell.

    typed   the file knows numbers from text, so a point is a decimal point
    """
    if is_blank(cells):
        return Style(likely.comma, points_group=likely.comma and not typed)
    text = plain_digits(cells)
    if text.str.contains(POINT_DECIMAL_FOR_SURE).any():
        return Style(comma=likely.comma)
    comma = bool(text.str.contains(COMMA_DECIMAL_FOR_SURE).any()) or likely.comma
    return Style(comma=comma, points_group=comma and not typed)


def settled(values: pl.Series) -> pl.Series:
    """Return values to ten significant digits; minus zero is zero."""
    text = values.cast(pl.String)
    long = (text.str.len_chars() > DIGITS + 1).fill_null(False)
    rounded = [float(f"{value:.{DIGITS}g}") for value in values.filter(long)]
    values = values.scatter(long.arg_true(), rounded) if rounded else values
    return pl.select(pl.when(values == 0).then(0.0).otherwise(values)).to_series()


def days(cells: pl.Series) -> pl.Series:
    """Return calendar days written as ISO 8601; a time of day after it is left out."""
    basic = cells.str.contains(BASIC_DAY)
    dashed = cells.str.replace(r"^(\d{4})(\d{2})(\d{2})$", "$1-$2-$3")
    day = pl.select(pl.when(basic).then(dashed).otherwise(cells)).to_series()
    return day.str.extract(DAY, 1).str.to_date("%Y-%m-%d", strict=False).alias(cells.name)


def instants(cells: pl.Series, zone: str) -> pl.Series:
    """Return instants in UTC; without an offset they are local times of `zone`.

    Of a local time that occurs twice the first is taken; one that does not exist is null.
    """
    parts = cells.str.extract_groups(INSTANT).struct.unnest()
    local = pl.concat_str(
        pl.col("day"),
        pl.lit("T"),
        pl.col("hours").fill_null("00:00").str.zfill(5),
        pl.lit(":"),
        pl.col("seconds").fill_null("00"),
    ).str.to_datetime("%Y-%m-%dT%H:%M:%S%.f", time_unit="us", strict=False)
    sign = pl.when(pl.col("sign") == "-").then(-1).otherwise(1)
    minutes = sign * (
        pl.col("off_h").cast(pl.Int64).fill_null(0) * 60
        + pl.col("off_m").cast(pl.Int64).fill_null(0)
    )
    fixed = (local - pl.duration(minutes=minutes)).dt.replace_time_zone("UTC")
    wall = local.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    found = pl.when(pl.col("zone").is_null()).then(wall.dt.convert_time_zone("UTC"))
    return parts.select(found.otherwise(fixed).dt.round("1ms").alias(cells.name)).to_series()


def chosen(column: Column, cells: pl.Series) -> pl.Series:
    """Return the column's choice that each cell names, in any case, with spaces or hyphens."""
    plain = cells.str.to_lowercase().str.replace_all(r"[\s\-–_]+", "_")
    names = {re.sub(r"[\s\-–_]+", "_", choice.lower()): choice for choice in column.choices}
    found = plain.replace_strict(names, default=None, return_dtype=pl.String)
    if not column.or_teeth:
        return found.alias(cells.name)
    teeth = plain.str.extract(r"^(\d+)(?:\.0+)?$", 1).cast(pl.Int64, strict=False)
    inside = teeth.is_between(*TEETH)
    number = pl.select(pl.when(inside).then(teeth.cast(pl.String))).to_series()
    return pl.select(pl.coalesce(found, number)).to_series().alias(cells.name)


def _yes_no(cells: pl.Series) -> pl.Series:
    words = dict.fromkeys(YES, True) | dict.fromkeys(NO, False)
    plain = cells.str.to_lowercase()
    return plain.replace_strict(words, default=None, return_dtype=pl.Boolean).alias(cells.name)


def _in_days(values: pl.Series) -> pl.Series:
    day = values.dt.date() if values.dtype != pl.Date else values
    inside = day.is_between(FIRST_DAY, LAST_DAY)
    return pl.select(pl.when(inside).then(values)).to_series().alias(values.name)


def _in_range(column: Column, values: pl.Series) -> pl.Series:
    inside = values.is_finite()
    if column.positive:
        inside &= values > 0
    if column.low is not None:
        inside &= values >= column.low
    if column.high is not None:
        inside &= values <= column.high
    return pl.select(pl.when(inside).then(values)).to_series().alias(values.name)
