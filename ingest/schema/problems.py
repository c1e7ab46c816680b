"""What is wrong with a cell, a row or a file: where, found, expected, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


class UserError(Exception):
    """Nothing was done; the text tells a user why and what to do, in one clear line."""


@dataclass(frozen=True)
class Problem:
    """One thing that kept a row or a file from loading.

    row     as a spreadsheet shows it, the header being row 1; None: the whole file
    column  None: the whole row
    found   the cell's text; None: an empty cell
    """

    file: str
    sheet: str | None
    row: int | None
    column: str | None
    found: str | None
    expected: str
    fix: str

    def document(self) -> dict[str, str | int | None]:
        """The entry of the load report."""
        return {
            "file": self.file,
            "sheet": self.sheet,
            "row": self.row,
            "column": self.column,
            "found": self.found,
            "expected": self.expected,
            "fix": self.fix,
        }

    def where(self) -> str:
        """`bench.csv, row 41, crank_length_mm`."""
        parts = [Path(self.file).name]
        parts += [f"sheet {self.sheet}"] if self.sheet else []
        parts += [f"row {self.row}"] if self.row is not None else []
        parts += [self.column] if self.column else []
        return ", ".join(parts)

    def sentence(self) -> str:
        """All of it in one or two sentences, for a person."""
        found = f'"{shortened(self.found)}"' if self.found is not None else "nothing"
        return f"{self.where()}: found {found}, expected {self.expected}. {capital(self.fix)}."


def shortened(text: str, most: int = 60) -> str:
    """The text on one line, cut where it is long."""
    line = " ".join(text.split())
    return line if len(line) <= most else line[: most - 1] + "…"


def capital(text: str) -> str:
    """The first letter large, the rest as it is; no full stop at the end."""
    return (text[:1].upper() + text[1:]).rstrip(".")
