"""A table that was found on a sheet."""

from dataclasses import dataclass, field

from ingest.matching.sheets.surroundings import Surroundings


@dataclass(frozen=True)
class FoundTable:
    """A table as it stands on a sheet, its headings told from its rows.

    headings       one text a column, two lines joined; "" where there is none
    heading_rows   their row numbers, as a spreadsheet shows them
    body           rows of text cells, one a column
    rows           their row numbers; of a turned table the numbers of its columns
    around         what is said of each row outside the table, parallel to `body`
    notes          lines of words below the table
    turned         the sheet has a column where a table has a row
    facts          what is said of each column in a row of its own: its label, a cell a column
    spread         names of meters or days that each had columns of their own, now rows
    doubtful       whether these are names of meters is to be asked
    cut            the file ends within the last row
    """

    file: str
    sheet: str | None
    headings: list[str]
    heading_rows: list[int]
    body: list[list[str]]
    rows: list[int]
    around: list[Surroundings]
    notes: Surroundings = field(default_factory=Surroundings)
    turned: bool = False
    facts: list[tuple[str, list[str]]] = field(default_factory=list)
    spread: tuple[str, ...] = ()
    doubtful: bool = False
    cut: bool = False
    typed: bool = False
    commas_likely: bool = False

    def column(self, at: int) -> list[str]:
        """Return the cells of a column."""
        return [row[at] for row in self.body]
