"""Files that a page hands out: what dcc.Download takes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from dashboard import service

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would run what begins with one


def csv_file(
    name: str, rows: Iterable[Mapping[str, Any]], columns: Sequence[str]
) -> dict[str, Any]:
    """Rows as a CSV file; texts that a spreadsheet would take for a formula are kept texts."""
    safe = [{column: _safe(row.get(column)) for column in columns} for row in rows]
    return text_file(f"{name}.csv", service.to_csv(safe, columns) + "\n", "text/csv")


def _safe(value: object) -> object:
    if isinstance(value, str) and value.startswith(FORMULA_SIGNS):
        return f"'{value}"
    return value


def text_file(name: str, content: str, kind: str) -> dict[str, Any]:
    """A text as a file of a MIME type."""
    return {"filename": name, "content": content, "type": kind, "base64": False}
