"""What questions answer with, where no other room's document is the answer."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, Literal, NotRequired, TypedDict

from ingest.load import ReportDocument
from ingest.schema import CellProblem
from models import bench
from models.bench import Kit
from models.rides import ComparisonDocument, Drawn
from models.status import KeptFitState

Row = dict[str, Any]
"""A row of a table by column; the table's columns are declared in `ingest.schema`."""


class FitReport(TypedDict):
    """How a fit went."""

    ran: bool
    converged: bool
    seconds: float
    message: str


class Proposal(TypedDict):
    """Two recordings (sha256) that may be of one ride, of which devices, and why.

    measured_at  when the ride began, for pairs among loaded recordings
    """

    meter: str
    reference: str
    meter_id: str | None
    reference_id: str | None
    reason: str | None
    measured_at: NotRequired[datetime]


class Recording(TypedDict):
    """A readable recording. why: what makes it that device's; note: what is odd about it."""

    sha256: str
    name: str
    started_at: datetime | None
    duration_s: float
    mean_power_w: float | None
    has_cadence: bool
    meter_id: str | None
    reference_id: str | None
    why: str | None
    note: str | None


class UnnamedColumn(TypedDict):
    """A column that a dropped CSV recording lacks, and the headings that it may go by."""

    file: str
    column: str
    headings: list[str]


class LookedAt(TypedDict):
    """What dropped files hold.

    drop        the word by which they are found again
    recordings  the readable ones as they were given; problems: a sentence for each of the others
    unnamed     columns that can be chosen among other headings
    pairs       the likeliest first
    """

    drop: str
    recordings: list[Recording]
    problems: list[str]
    unnamed: list[UnnamedColumn]
    pairs: list[Proposal]


class DrawnComparison(ComparisonDocument):
    """The `compare` document, with what its charts show."""

    drawn: Drawn


class KeptRides(TypedDict):
    """A comparison that was put into the store."""

    comparison_id: str
    notices: list[str]


class RideDevices(TypedDict):
    """The devices that a ride may be of. ridden: meter_id, rider_id, bike_id, role, as of now."""

    ridden: list[Row]
    meters: list[str]
    references: list[str]


class KitOfDay(Kit):
    """What the bench page needs to judge; today where the store has a day of its own."""

    today: str | None


class EmptyKit(TypedDict):
    """What the bench page is given where there is no data."""

    meters: list[Row]
    kinds: dict[str, Row]
    mass_sets: list[Row]
    places: list[Row]
    today: None


class Saved(TypedDict):
    """An entry of the bench page. import_id takes it back; already: the store held it."""

    import_id: int
    already: bool


class SavedSession(Saved):
    """A session entered at the bench. document: its verdict."""

    session_id: str
    notices: list[str]
    document: bench.SessionDocument


class Correction(TypedDict):
    """One correction of a stored session: cells as they were and as they became, as text."""

    changed_at: datetime
    who: str
    before: dict[str, str | None]
    after: dict[str, str | None]


class OpenedSession(TypedDict):
    """A stored session to correct: its rows of `bench`, the import they came in.

    by_hand: it was entered here, so that it can be taken back; corrections: the newest first
    """

    session_id: str
    import_id: int
    by_hand: bool
    rows: list[Row]
    corrections: list[Correction]


class HappenedEvent(TypedDict):
    """An event of a meter as it was noted."""

    meter_id: str
    event: str
    date: str
    side: str | None
    note: str | None


class Noted(TypedDict):
    """What was written of a meter's whereabouts: the imports that take it back, the tables."""

    import_ids: list[int]
    tables: list[str]


class GravityUsed(TypedDict):
    """The gravity a session was evaluated with, and where it comes from."""

    value_ms2: float
    source: str


class StoredSession(TypedDict):
    """A stored session: `bench` document, its own columns, the rows of its mass set and meter."""

    document: bench.SessionDocument
    entered: Row
    crank_length_mm: float | None
    gravity: GravityUsed
    mass_set: Row
    meter: Row
    workshop: str | None


class BenchRecord(StoredSession):
    """What a calibration record says. status: the meter's row of `status`."""

    status: Row


class SetAside(TypedDict):
    """A row that waits for a correction. cells: as they are now, corrected so far."""

    set_aside_id: int
    file: str
    sheet: str | None
    table: str | None
    row: int | None
    cells: Mapping[str, str | None]
    problems: list[CellProblem]


class Loaded(ReportDocument):
    """What a load brought in. recordings: their paths."""

    recordings: list[str]


class LoadedFiles(Loaded):
    """What uploaded files brought in.

    sheets: the word by which a team's own sheets among them are found again; None: there are none
    """

    sheets: str | None


class TakenIn(TypedDict):
    """What became of a file in an inbox.

    outcome  done, or aside where nothing of it could be taken in
    note     in the first line what it brought or why not; what else is to be said below
    """

    name: str
    outcome: Literal["done", "aside"]
    note: str
    rows_loaded: int


class LoadDocument(Loaded):
    """The `load` document. fit: None where it is left for later."""

    fit: FitReport | None


class BenchDocument(TypedDict):
    """The `bench` document of files."""

    sessions: list[bench.SessionDocument]


class RiderRow(TypedDict):
    """A rider of the list.

    left    the day they went
    meters  ridden now: meter_id, bike_id, role, since, what `status` says of it, and where the
            fleet model knows it what it shows under this rider: watts_status (how far its watts
            are the rider's), example_w, shown_w, interval90_w, rider_error_pct and its sd
    """

    rider_id: str
    coach: str | None
    left: date | None
    meters: list[Row]


class CorrectedFiles(TypedDict):
    """A file of corrected summaries. without: path and note of each that has no factor."""

    file: str
    files: int
    corrected: int
    without: list[Row]


class FitOfMethod(KeptFitState):
    """The fit as the method page shows it."""

    seconds: float


class Diagnostics(TypedDict):
    """Whether the fit describes its data, where its spread comes from, how soon a step is found."""

    checks: list[Row]
    shares: list[Row]
    detection: list[Row]
    power: list[Row]


class MethodDocument(TypedDict, total=False):
    """How the numbers come about; without a fleet only an empty population."""

    fit: FitOfMethod
    hyperparameters: Mapping[str, Any]
    population: list[Row]
    observations: list[Row]
    charts: list[Row]
    diagnostics: Diagnostics
    false_alarms_per_season: float
