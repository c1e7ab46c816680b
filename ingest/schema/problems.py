"""Problems of a cell, a row or a file: where, found, expected, and what to do."""

import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TypedDict, cast


class CellProblem(TypedDict):
    """What is wrong with a row that was set aside; the row says file and row number."""

    sheet: str | None
    column: str | None
    found: str | None
    expected: str
    fix: str
    suggested: str | None
    sure: bool
    reason: str


class ProblemDocument(CellProblem):
    """A problem as the `load` command prints it."""

    file: str
    row: int | None


class UserError(Exception):
    """Nothing was done; the text tells a user why and what to do, in one clear line."""


@dataclass(frozen=True)
class Problem:
    """One thing that kept a row or a file from loading.

    row     as a spreadsheet shows it, the header being row 1; None: the whole file
    column  None: the whole row
    found   the cell's text; None: an empty cell
    fix     what to do, in words; the rest is the same as data
    suggested  what to type instead, "" for an empty cell; None: only a person can say
    sure    the cell can mean nothing else
    reason  what kind of suggestion it is; empty: none
    """

    file: str
    sheet: str | None
    row: int | None
    column: str | None
    found: str | None
    expected: str
    fix: str
    suggested: str | None = None
    sure: bool = False
    reason: str = ""

    def document(self) -> ProblemDocument:
        """Return the entry of the load report."""
        return cast(ProblemDocument, asdict(self))

    def where(self, *, whole_path: bool = False) -> str:
        """Return where it is: `bench.csv, row 41, crank_length_mm`."""
        parts = [self.file if whole_path else Path(self.file).name]
        parts += [f"sheet {self.sheet}"] if self.sheet else []
        parts += [f"row {self.row}"] if self.row is not None else []
        parts += [self.column] if self.column else []
        return ", ".join(parts)

    def sentence(self, *, whole_path: bool = False) -> str:
        """Return where it is, what was found and expected, and what to do, in two sentences."""
        found = f'"{shortened(self.found)}"' if self.found is not None else "nothing"
        where = self.where(whole_path=whole_path)
        return f"{where}: found {found}, expected {self.expected}. {finished(self.fix)}"


def fault(error: Exception, file: str, sheet: str | None = None) -> Problem:
    """Return the problem of a file, or a sheet of it, that the program fails on by its own fault.

    Raise the error itself where SLOPEWATCH_DEBUG is set, so that its traceback can be seen.
    """
    if os.environ.get("SLOPEWATCH_DEBUG"):
        raise error
    name = f"sheet {sheet} of {Path(file).name}" if sheet else Path(file).name
    said = shortened(str(error)) or "no message"
    return Problem(
        file,
        sheet,
        None,
        None,
        f"something the program fails on ({type(error).__name__}: {said})",
        "what it can take in",
        f"the fault is the program's, not yours: set {name} aside and report it with this line; "
        "everything else loads without it",
    )


def spelled(path: Path | str) -> str:
    """Return a path as text that can be stored and shown: bytes that are not UTF-8 as \\xfc."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def grouped(value: float) -> str:
    """Return a number without decimals, its thousands apart: 18 893."""
    return f"{value:,.0f}".replace(",", "\u00a0")


def plural(count: int, noun: str) -> str:
    """Return count and noun: 1 meter, 3 meters, 2 batteries, 18 893 rows."""
    if count == 1:
        return f"1 {noun}"
    many = grouped(count)
    return f"{many} {noun[:-1]}ies" if noun.endswith("ry") else f"{many} {noun}s"


def shortened(text: str, most: int = 60) -> str:
    """Return the text on one line, cut to `most` characters."""
    line = " ".join(text.split())
    return line if len(line) <= most else line[: most - 1] + "…"


def finished(text: str) -> str:
    """Return the text as a sentence: a capital first, and a stop last where it has none."""
    return text[:1].upper() + text[1:] + ("" if text.endswith(("?", "!", ".")) else ".")
