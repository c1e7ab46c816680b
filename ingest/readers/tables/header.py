"""Header cells: which row they are in, and which column of the schema each stands for."""

import re
from collections.abc import Sequence
from difflib import get_close_matches

from ingest.schema import TABLES

_KNOWN = {name for table in TABLES.values() for name in table.names} | {"time", "power_w"}


def plain_name(cell: str) -> str:
    """Return a header cell as the schema writes it: `Torque (N·m)` → `torque_nm`."""
    text = re.sub(r"[·°²'\u00a0]", lambda m: " " if m.group() == "\u00a0" else "", cell)
    return re.sub(r"[^0-9a-z]+", "_", text.lower().replace("%", " pct ")).strip("_")


def header_cells(cells: Sequence[str | None]) -> list[str]:
    """Return the header's cells, trimmed; empty cells at its end are no columns."""
    names = [(cell or "").replace("\ufeff", "").strip() for cell in cells]
    while len(names) > 1 and not names[-1]:
        names.pop()
    return names


def find_header(rows: Sequence[Sequence[str | None]]) -> int:
    """Return which of the first rows is the header: the first that names known columns, else 0."""
    for index, cells in enumerate(rows):
        names = [plain_name(cell) for cell in cells if cell and cell.strip()]
        known = sum(name in _KNOWN for name in names)
        if known >= 2 and known >= len(names) / 2:
            return index
    return 0


def nearest(name: str, names: Sequence[str]) -> str | None:
    """Return the name that was probably meant; None if none is like it."""
    plain = plain_name(name)
    others = {plain_name(other): other for other in names}
    close = get_close_matches(plain, list(others), n=1, cutoff=0.7)
    holding = [other for other in others if plain and (plain in other or other in plain)]
    close = close or get_close_matches(plain, holding, n=1, cutoff=0.3)
    return others[close[0]] if close else None
