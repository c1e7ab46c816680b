"""CSV recordings whose columns go by other names: which may be which, and the same file renamed."""

import csv
import io
from collections.abc import Mapping
from difflib import get_close_matches

from ingest.readers.tables import UnreadableError, csv_rows, read_csv

NEEDED = ("time", "power_w")
COLUMNS = (*NEEDED, "cadence_rpm", "temperature_c")
OTHER_NAMES = {
    "watts": "power_w",
    "watt": "power_w",
    "power": "power_w",
    "cadence": "cadence_rpm",
    "rpm": "cadence_rpm",
    "temperature": "temperature_c",
    "temp": "temperature_c",
    "timestamp": "time",
    "secs": "time",
    "seconds": "time",
    "date": "time",
}
HEAD = 65_536  # bytes that hold the header of any file


def sounds_like(heading: str, column: str) -> bool:
    """Return whether a heading is another name of a column, or nearly its own."""
    low = heading.strip().lower()
    near = get_close_matches(low, [column], cutoff=0.75)
    return bool(OTHER_NAMES.get(low) == column or near)


def unnamed_columns(data: bytes, name: str) -> dict[str, list[str]]:
    """Return the needed columns that a CSV recording has not, and the headings each may go by.

    Headings that sound like it come first. Nothing where the file is no CSV.
    """
    try:
        header = [cell.strip() for cell in read_csv(name, data[:HEAD]).header]
    except UnreadableError:
        return {}
    known = {cell.lower() for cell in header}
    spare = [cell for cell in header if cell and cell.lower() not in COLUMNS]
    return {
        column: sorted(spare, key=lambda cell: not sounds_like(cell, column))
        for column in NEEDED
        if column not in known
    }


def with_columns_named(data: bytes, name: str, columns: Mapping[str, str]) -> bytes:
    """Return a CSV recording with headings renamed: column → the heading it goes by.

    What the file has already stays; a heading that it has not is left for the reader to refuse.
    """
    separator, rows, _ = csv_rows(data)
    header_row = read_csv(name, data[:HEAD]).header_row
    heading = {old.strip().lower(): new for new, old in columns.items()}
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    for record in rows:
        cells = list(record.cells)
        if record.row == header_row:
            there = {cell.strip().lower() for cell in cells}
            cells = [_renamed(cell, heading, there) for cell in cells]
        writer.writerow(cells)
    return out.getvalue().encode()


def _renamed(cell: str, heading: Mapping[str, str], there: set[str]) -> str:
    column = heading.get(cell.strip().lower())
    return cell if column is None or column in there else column
