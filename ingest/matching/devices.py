"""Meters, places, mass sets and riders that sheets name and the store does not know yet."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from ingest.matching.meaning import Known, bare
from ingest.matching.proposal import Proposal, TableRows
from ingest.matching.words import tokens
from ingest.schema import TABLES

Cells = dict[str, str | None]
# What is worth knowing of each, whether or not a row needs it.
WORTH = {
    "meters": ("kind", "in_service_date", "slope_convention", "crank_length_mm", "serial_number"),
    "mass_sets": ("mass_kg", "hanger_mass_kg", "mass_class"),
    "places": ("gravity_ms2", "latitude_deg", "altitude_m"),
    "riders": ("coach",),
}
MASSES = ("mass_kg", "hanger_mass_kg")
NAMED = {"places": "place_id", "mass_sets": "bench_id", "riders": "rider_id"}
# Words of a sheet that say where its meters sit.
_KIND_WORDS = {
    "pedal": "pedal", "pedals": "pedal", "pedale": "pedal", "pedali": "pedal", "pedalen": "pedal",
    "spider": "crank_spider", "stern": "crank_spider", "etoile": "crank_spider",
    "hub": "hub", "nabe": "hub", "moyeu": "hub", "mozzo": "hub", "buje": "hub", "naaf": "hub",
}  # fmt: skip


@dataclass
class Device:
    """A row that is proposed for a list of devices or people.

    cells    what could be told of it; None: worth knowing, and not told
    missing  required columns that have to be filled in before it loads
    likely   what the others of its kind have there, to be confirmed
    row      the first row that names it
    """

    table: str
    name: str
    cells: Cells
    missing: tuple[str, ...] = ()
    row: int = 2
    likely: dict[str, str] = field(default_factory=dict)


@dataclass
class _Named:
    """What sheets say of a mass set, place or rider."""

    row: int
    told: dict[str, set[str]] = field(default_factory=dict)


@dataclass
class _Seen:
    """What sheets say of a meter."""

    row: int
    first_day: str = ""
    arms: set[str] = field(default_factory=set)
    rings: set[str] = field(default_factory=set)
    own_slopes: bool = False
    words: set[str] = field(default_factory=set)
    cranks: set[str] = field(default_factory=set)
    convention: str | None = None


def new_devices(
    proposals: Iterable[Proposal], known: Known, answers: Mapping[str, str]
) -> list[Device]:
    """Return proposed rows for what certain sheets name and neither store nor sheets list.

    answers  `meters.A12.kind` or, for all, `meters.*.kind`
    """
    meters: dict[str, _Seen] = {}
    named: dict[tuple[str, str], _Named] = {}
    listed: set[tuple[str, str]] = set()
    for proposal in proposals:
        if not proposal.certain:
            continue
        for rows in proposal.tables:
            _note_meters(meters, rows, proposal)
            for table, column in NAMED.items():
                _note_names(named, rows, table, column)
                if rows.table == table:
                    listed |= {(table, row.get(column) or "") for row in rows.rows}
            if rows.table == "meters":
                listed |= {("meters", row.get("meter_id") or "") for row in rows.rows}
    found = [
        _meter(name, seen, answers)
        for name, seen in sorted(meters.items())
        if bare(name) not in known.meters and ("meters", name) not in listed
    ]
    _add_likely(found)
    for (table, name), seen_name in sorted(named.items()):
        if name not in known.ids.get(table, frozenset()) and (table, name) not in listed:
            found.append(_named(table, name, seen_name, answers))
    return found


def _add_likely(meters: Sequence[Device]) -> None:
    """Tell of each meter what all others of its kind have where it lacks something."""
    for column in ("kind", "slope_convention"):
        said: dict[str | None, set[str]] = {}
        for device in meters:
            if value := device.cells[column]:
                said.setdefault(_alike(device, column), set()).add(value)
        for device in meters:
            values = said.get(_alike(device, column), set())
            if column in device.missing and len(values) == 1:
                device.likely[column] = next(iter(values))


def _alike(device: Device, column: str) -> str | None:
    return None if column == "kind" else device.cells["kind"]


def _named(table: str, name: str, seen: _Named, answers: Mapping[str, str]) -> Device:
    """Return a mass set, place or rider that sheets name."""
    cells: Cells = {NAMED[table]: name, **dict.fromkeys(WORTH[table])}
    for column, values in seen.told.items():
        cells[column] = next(iter(values)) if len(values) == 1 else None
    _answered(table, name, cells, answers)
    return Device(table, name, cells, row=seen.row)


def _answered(table: str, name: str, cells: Cells, answers: Mapping[str, str]) -> None:
    """Fill in what a person said of a device, or of all that lack it."""
    for column in cells:
        own, shared = answers.get(f"{table}.{name}.{column}"), answers.get(f"{table}.*.{column}")
        cells[column] = own or cells[column] or shared


def _note_names(
    named: dict[tuple[str, str], _Named], rows: TableRows, table: str, column: str
) -> None:
    for row, number in zip(rows.rows, rows.numbers, strict=True):
        name = row.get(column)
        if not name:
            continue
        seen = named.setdefault((table, name), _Named(number))
        for told in MASSES if table == "mass_sets" and row.get("load") == "mass" else ():
            if value := row.get(told):
                seen.told.setdefault(told, set()).add(value)


def _note_meters(meters: dict[str, _Seen], rows: TableRows, proposal: Proposal) -> None:
    if rows.table == "meters":
        return
    title = {word for line in _lines(proposal) for word in tokens(line)}
    beside = _words_beside(proposal)
    for row, number in zip(rows.rows, rows.numbers, strict=True):
        name = row.get("meter_id")
        if not name:
            continue
        seen = meters.setdefault(name, _Seen(number))
        seen.first_day = min(filter(None, (seen.first_day, _day_of(row))), default="")
        seen.arms |= {row.get("arm") or ""} - {""}
        seen.rings |= {row.get("chainring") or ""} - {""}
        seen.own_slopes |= bool(row.get("slope_before_left") or row.get("slope_before_right"))
        seen.words |= title | beside.get(number, set())
        seen.cranks |= {row.get("crank_length_mm") or ""} - {""}
        seen.convention = seen.convention or proposal.conventions.get(name)


def _day_of(row: Mapping[str, str | None]) -> str:
    """Return the day of a row; "" where what stands there is none."""
    text = (row.get("measured_at") or row.get("from_date") or row.get("date") or "")[:10]
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        return ""


def _words_beside(proposal: Proposal) -> dict[int, set[str]]:
    """Return the words of kinds of meters that stand in a row, in a column that no table keeps."""
    found: dict[int, set[str]] = {}
    for a in proposal.assigned:
        if a.meaning is None and not a.column.is_numeric:
            for number, cell in zip(proposal.found.rows, a.column.cells, strict=True):
                found.setdefault(number, set()).update(set(tokens(cell)) & _KIND_WORDS.keys())
    return found


def _lines(proposal: Proposal) -> list[str]:
    found = proposal.found
    lines = list(found.around[0].lines) if found.around else []
    return [*lines, found.sheet or "", *found.headings]


def _meter(name: str, seen: _Seen, answers: Mapping[str, str]) -> Device:
    cells: Cells = {
        "meter_id": name,
        "kind": _kind(seen),
        "in_service_date": seen.first_day or None,
        "slope_convention": seen.convention,
        "crank_length_mm": next(iter(seen.cranks)) if len(seen.cranks) == 1 else None,
        "serial_number": None,
    }
    _answered("meters", name, cells, answers)
    missing = tuple(column for column in TABLES["meters"].required if not cells.get(column))
    return Device("meters", name, cells, missing, seen.row)


def _kind(seen: _Seen) -> str | None:
    """Return the kind that words, rings and arms tell: rings are told apart with a spider only."""
    said = {_KIND_WORDS[word] for word in seen.words if word in _KIND_WORDS}
    if "pedal" in said:
        said.discard("pedal")
        said |= {"pedal_pair"} if {"left", "right"} <= seen.arms else set()
        said |= {"pedal_left"} if seen.arms == {"left"} else set()
    if len(said) == 1:
        return next(iter(said))
    if said or seen.own_slopes:
        return None
    return "crank_spider" if len(seen.rings) > 1 else None


def rows_of(devices: Sequence[Device]) -> list[TableRows]:
    """Return the rows that are complete, by table."""
    tables: dict[str, TableRows] = {}
    for device in devices:
        if not device.missing:
            rows = tables.setdefault(device.table, TableRows(device.table))
            rows.rows.append(device.cells)
            rows.numbers.append(device.row)
    return list(tables.values())
