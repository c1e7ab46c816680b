"""CSV recordings: time (ISO 8601, or seconds), power_w, cadence_rpm, temperature_c.

A mistaken unit is worse than a missing file: a column that looks like one is refused, with what
was found and what to do.
"""

import numpy as np
import polars as pl

from ingest.readers.recordings.csv_columns import COLUMNS, NEEDED, sounds_like
from ingest.readers.recordings.frame import LATEST, Decoded, Numbers, Samples, unix_seconds
from ingest.readers.tables import RawTable, UnreadableError, read_csv
from ingest.schema import UserError

BALANCE = "balance_pct"
EXPECTED = "the columns time (ISO 8601, or seconds), power_w, cadence_rpm, temperature_c"
MAX_CSV_BYTES = 20_000_000
"""A day at one row a second is 2 to 6 MB."""
MOST_BROKEN = 1000
"""With more lines whose quotation marks do not close, a file is no CSV recording."""
EPOCH_SECONDS = 631_152_000.0
"""Numbers above this count from 1970: 1990-01-01."""


class RecordingError(UserError):
    """Not a recording, or one in units that would mislead; the text says what was expected."""


def read_csv_recording(data: bytes, name: str, *, time_zone: str = "UTC") -> Decoded:
    """Return a CSV recording decoded; single cells that cannot be read are left out and counted.

    time_zone  of times without an offset
    RecordingError: columns are missing, or a unit is mistaken.
    """
    broken = sum(line.count(b'"') & 1 for line in data[:MAX_CSV_BYTES].split(b"\n"))
    if broken > MOST_BROKEN:
        raise RecordingError(
            f"{name}: found {broken} lines whose quotation marks do not close, expected {EXPECTED}."
        )
    try:
        table = read_csv(name, data[:MAX_CSV_BYTES])
    except UnreadableError as error:
        raise RecordingError(
            f"{name}: found {error.found}, expected a recording as FIT, TCX or CSV with {EXPECTED}."
        ) from None
    places = _places(table, name)
    content = Decoded(Samples(np.empty(0)), "csv", notices=list(table.notices))
    if len(data) > MAX_CSV_BYTES:
        content.faults.append(
            f"it has more than {MAX_CSV_BYTES // 1_000_000} MB: the rest was left"
        )
    if table.ragged:
        row = table.ragged[0].row
        content.faults.append(f"{len(table.ragged)} rows are not whole, the first is row {row}")
    if not table.rows:
        raise RecordingError(f"{name}: found a header without rows below it, expected {EXPECTED}.")
    cells = {column: table.frame[f"c{place}"] for column, place in places.items()}
    seconds, dated = _times(cells.pop("time"), table, name, time_zone)
    values = {column: _numbers(series, column, table, content) for column, series in cells.items()}
    content.samples = Samples(seconds, values, dated)
    _note_lost_rows(content)
    _refuse_mistaken_units(content, name)
    return content


def _places(table: RawTable, name: str) -> dict[str, int]:
    """Return column → position in the table; the other columns are named in a notice."""
    header = [cell.strip().lower() for cell in table.header]
    places = {c: header.index(c) for c in (*COLUMNS, BALANCE) if c in header}
    spare = [cell for cell in table.header if cell.strip().lower() not in places]
    for column in NEEDED:
        if column not in places:
            raise RecordingError(
                f"{name}: found no column {column}, expected {EXPECTED}.{_hint(column, spare)}"
            )
    if spare:
        table.notices.append(f"columns kept out: {', '.join(spare)}")
    return places


def _hint(column: str, spare: list[str]) -> str:
    """Return what to do about a missing column, from the names of the others; may be empty."""
    for cell in spare:
        low = cell.strip().lower()
        if column == "power_w" and ("kj" in low or "joule" in low):
            return f" {cell} looks like work in kilojoules: export the power in watts, as power_w."
        if sounds_like(cell, column):
            return (
                f" Rename {cell} to {column} if that is what it holds, choose it where the file is "
                f"dropped, or say compare --column {column}={cell}."
            )
    return ""


def _times(cells: pl.Series, table: RawTable, name: str, zone: str) -> tuple[Numbers, bool]:
    """Return seconds, and whether they are Unix seconds."""
    numbers = _as_numbers(cells, table)
    given = cells.drop_nulls().len()
    if given and np.isfinite(numbers).sum() >= 0.5 * given:
        return _checked_seconds(numbers, name)
    instants = np.array([unix_seconds(cell, zone) for cell in cells], dtype=np.float64)
    if np.isfinite(instants).sum() < 0.5 * given or not given:
        found = next((cell for cell in cells if cell), "nothing")
        raise RecordingError(
            f'{name}, column time: found "{found}", expected ISO 8601 '
            "(2026-03-14T09:30:00) or seconds from the start."
        )
    return instants, True


def _checked_seconds(seconds: Numbers, name: str) -> tuple[Numbers, bool]:
    """Return the seconds, and whether they count from 1970; RecordingError for other units."""
    finite = seconds[np.isfinite(seconds)]
    step = float(np.median(np.abs(np.diff(finite)))) if len(finite) > 1 else 1.0
    if step >= 200 or finite.max() > LATEST:
        raise RecordingError(
            f"{name}, column time: found numbers {step:g} apart, expected seconds. "
            "They look like milliseconds: divide by 1000."
        )
    if 0 < step < 1e-3:
        raise RecordingError(
            f"{name}, column time: found numbers {step:.3g} apart, expected seconds. They look "
            "like a spreadsheet's days: multiply by 86400, or format them as ISO 8601."
        )
    return seconds, bool(np.median(finite) > EPOCH_SECONDS)


def _as_numbers(cells: pl.Series, table: RawTable) -> Numbers:
    text = cells.str.replace(",", ".", literal=True) if table.decimal_comma_likely else cells
    return text.cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy().astype(np.float64)


def _numbers(cells: pl.Series, column: str, table: RawTable, content: Decoded) -> Numbers:
    numbers = _as_numbers(cells, table)
    broken = np.flatnonzero(~np.isfinite(numbers) & cells.is_not_null().to_numpy())
    if len(broken):
        first = int(broken[0])
        content.notices.append(
            f'{column}: {len(broken)} cells are no numbers, the first is "{cells[first]}" '
            f"in row {table.rows[first]}"
        )
        numbers = np.where(np.isfinite(numbers), numbers, np.nan)
    return numbers


def _note_lost_rows(content: Decoded) -> None:
    lost = int((~np.isfinite(content.samples.seconds)).sum())
    if lost:
        content.notices.append(f"time: {lost} rows without a time that can be read")


def _refuse_mistaken_units(content: Decoded, name: str) -> None:
    """Raise RecordingError for work or kilowatts as power; blank other columns in a wrong unit."""
    values = content.samples.values
    power = values["power_w"][np.isfinite(values["power_w"])]
    if _adds_up(power):
        raise RecordingError(
            f"{name}, column power_w: found values that rise from {power[0]:g} to {power[-1]:g} "
            "and never fall, expected watts at each moment. They look like work in kilojoules, "
            "added up: export the power in watts."
        )
    if len(power) > 30 and 0.02 < power.max() <= 5:
        raise RecordingError(
            f"{name}, column power_w: found no value above {power.max():g}, expected watts. They "
            "look like kilowatts (kilojoules a second): multiply by 1000."
        )
    _blank(content, "cadence_rpm", 5, "revolutions a second: multiply by 60", above=False)
    _blank(content, "temperature_c", 55, "degrees Fahrenheit: take 32 off and divide by 1.8")


def _adds_up(power: Numbers) -> bool:
    """Return whether a column is a running total: from near 0, never falling, to its end."""
    if len(power) < 60 or power[-1] <= 0:
        return False
    rises = np.diff(power)
    return bool(
        (rises >= 0).all()
        and power[0] <= 0.05 * power[-1]
        and (rises > 0).mean() > 0.02
        and (rises > 0).sum() >= 30
        and (rises[-len(rises) // 4 :] > 0).any()
    )


def _blank(content: Decoded, column: str, limit: float, looks: str, *, above: bool = True) -> None:
    """Blank a column whose median above 0 is on the wrong side of `limit`."""
    numbers = content.samples.values.get(column)
    if numbers is None or not np.isfinite(numbers).any():
        return
    turning = numbers[np.isfinite(numbers) & (numbers > 0)]
    if not len(turning):
        return
    typical = float(np.median(turning))
    if typical > limit if above else typical < limit:
        content.notices.append(f"{column} was left out: {typical:g} looks like {looks}")
        content.samples.values[column] = np.full(len(numbers), np.nan)
