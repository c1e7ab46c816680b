"""Files that a page hands out or takes in."""

import base64
import binascii
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypedDict

from dash import dcc, html

from dashboard import service

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")  # a spreadsheet would run what begins with one


class Download(TypedDict):
    """A file as dcc.Download takes it."""

    filename: str
    content: str
    type: str
    base64: bool


def csv_file(name: str, rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> Download:
    """Return rows as a CSV file; what a spreadsheet would take for a formula is kept a text."""
    safe = [{column: _safe(row.get(column)) for column in columns} for row in rows]
    return text_file(f"{name}.csv", service.to_csv(safe, columns) + "\n", "text/csv")


def _safe(value: object) -> object:
    if isinstance(value, str) and value.startswith(FORMULA_SIGNS):
        return f"'{value}"
    return value


def text_file(name: str, content: str, kind: str) -> Download:
    """Return a text as a file of a MIME type."""
    return {"filename": name, "content": content, "type": kind, "base64": False}


def dropzone(name: str, words: str) -> dcc.Upload:
    """Return the place where files are chosen or dropped."""
    return dcc.Upload(
        html.Button(words, type="button", className="quiet drop"),
        id=name,
        multiple=True,
        className="dropzone",
        className_active="dropzone over",
    )


def decoded(contents: Sequence[str], names: Sequence[str]) -> list[tuple[str, bytes]]:
    """Return uploaded files by name; one that did not arrive whole is left out."""
    files = []
    for content, name in zip(contents, names, strict=False):
        try:
            files.append((name, base64.b64decode(content.partition(",")[2], validate=True)))
        except (binascii.Error, ValueError):
            continue
    return files
