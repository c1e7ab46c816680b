"""What `match` answers, as JSON has it."""

from typing import TypedDict

from ingest.schema import ProblemDocument


class ColumnMatch(TypedDict):
    """A column of a sheet and what it was taken for; meaning null: it is kept out."""

    heading: str
    meaning: str | None
    unit: str | None
    confidence: float
    why: str


class Undecided(TypedDict):
    """Something to ask. key: what the answer is given under; default: marked, not taken.

    examples: what each choice makes of the sheet, if that can be shown
    """

    key: str
    what: str
    choices: list[str]
    default: str | None
    examples: list[str]


class Example(TypedDict):
    """Some rows under their headings."""

    headings: list[str]
    rows: list[list[str | None]]


class SheetMatch(TypedDict):
    """What is proposed for one table of a sheet.

    rows       how many the table has
    proposed   rows by table of the schema
    before     the first rows as they stand; after: as they would load
    set_aside  rows that would be set aside
    saved_as   the saved mapping whose headings these are
    loaded     whether its rows are in the store now
    """

    path: str
    sheet: str | None
    heading_rows: list[int]
    layout: str
    columns: list[ColumnMatch]
    undecided: list[Undecided]
    rows: int
    proposed: dict[str, int]
    before: Example
    after: Example
    set_aside: list[ProblemDocument]
    saved_as: str | None
    loaded: bool


class DeviceProposal(TypedDict):
    """A row proposed for a list of devices or people that a sheet names.

    cells    what could be told of it, by column; null: worth knowing, and not told
    missing  what has to be filled in before it loads
    likely   what the others of its kind have there, to be confirmed
    """

    path: str
    table: str
    name: str
    cells: dict[str, str | None]
    missing: list[str]
    likely: dict[str, str]


class MatchDocument(TypedDict):
    """The answer of `match`. notices: what else is to be said, a sentence each."""

    sheets: list[SheetMatch]
    devices: list[DeviceProposal]
    notices: list[str]


class MappedColumn(TypedDict):
    """What a column with this heading means. unit: of its bare numbers."""

    heading: str
    meaning: str
    unit: str | None


class MappingDocument(TypedDict):
    """A mapping as it is exported and read again."""

    name: str
    table: str
    columns: list[MappedColumn]
    answers: dict[str, str]
