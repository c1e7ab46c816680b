"""Documents on standard output: aligned table, JSON, or CSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

import orjson

FORMATS = ("table", "json", "csv")
# where a hundredth is much, and its interval too
FINE = {"factor", "rider_factor", "out_of_tolerance_share"}
_CONTROLS = dict.fromkeys(
    [*range(9), *range(11, 32), *range(127, 160), *range(0x202A, 0x202F), *range(0x2066, 0x206A)],
    "\ufffd",
)
_BREAKS = dict.fromkeys(map(ord, "\n\t"), " ")
DIGITS = {"new_slope": 4, "slope_before": 4, "slope_after": 4}


def to_json(document: object) -> str:
    """One JSON document, a line each for a key and for a row; an unknown number is null, dates
    are ISO 8601."""
    if not isinstance(document, Mapping) or not document:
        return _compact(document)
    lines = [f"  {_compact(str(key))}: {_by_row(value)}" for key, value in document.items()]
    return "{\n" + ",\n".join(lines) + "\n}"


def _by_row(value: Any) -> str:
    if not isinstance(value, (list, tuple)) or not value or not isinstance(value[0], Mapping):
        return _compact(value)
    return "[\n    " + ",\n    ".join(map(_compact, value)) + "\n  ]"


def _compact(value: Any) -> str:
    """Not a finite number: null; what JSON does not know goes through `plain`."""
    options = orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS | orjson.OPT_UTC_Z
    return orjson.dumps(value, default=plain, option=options).decode()


def plain(value: object) -> Any:
    """Return a document with nothing in it but what JSON knows, and bytes.

    Dates and instants are ISO texts; an unknown number is None.
    """
    if value is None or isinstance(value, (str, bytes, bool, int)):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in value]
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    if hasattr(value, "item"):  # a numpy scalar
        return plain(value.item())
    return _in_a_line(str(value))


def without_controls(text: str) -> str:
    """Return a text without what a terminal obeys: escape sequences, jumps, turned directions."""
    return text if text.isprintable() else text.translate(_CONTROLS)


def _in_a_line(text: str) -> str:
    return text if text.isprintable() else text.translate(_CONTROLS | _BREAKS)


def to_csv(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> str:
    """Comma-separated rows under one header; lists joined with '; '."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(column), digits=None) for column in columns])
    return out.getvalue().rstrip("\n")


def to_table(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> str:
    """Rows in aligned columns, numbers to the right."""
    digits = (
        dict.fromkeys([*FINE, "interval90", "rider_interval90"], 4) | DIGITS
        if FINE & set(columns)
        else DIGITS
    )
    cells = [[_cell(row.get(c), digits=digits.get(c, 2)) for c in columns] for row in rows]
    widths = [
        max([len(column), *(len(line[i]) for line in cells)]) for i, column in enumerate(columns)
    ]
    numeric = [
        bool(cells) and all(_looks_numeric(line[i]) for line in cells) for i in range(len(columns))
    ]
    lines = [
        _line(list(columns), widths, numeric),
        _line(["-" * w for w in widths], widths, numeric),
    ]
    return "\n".join([*lines, *(_line(line, widths, numeric) for line in cells)])


def _line(cells: Sequence[str], widths: Sequence[int], numeric: Sequence[bool]) -> str:
    padded = (
        cell.rjust(width) if right else cell.ljust(width)
        for cell, width, right in zip(cells, widths, numeric, strict=True)
    )
    return "  ".join(padded).rstrip()


def _looks_numeric(cell: str) -> bool:
    return cell == "" or cell.lstrip("-+").replace(".", "", 1).isdigit()


def _cell(value: object, *, digits: int | None) -> str:
    if isinstance(value, str):
        return _in_a_line(value)
    value = plain(value)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(value) if digits is None else f"{value:.{digits}f}"
    if isinstance(value, list):
        if value and all(item is None for item in value):
            return ""
        return "; ".join([_cell(item, digits=digits) for item in value])
    if isinstance(value, dict):
        return _compact(value)
    return _in_a_line(str(value))
