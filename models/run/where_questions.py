"""Where a meter is: lent, moved to another bike, retired, brought back.

Each is written as rows of `meters`, `assignments`, `installations` and `events` that say the same,
all or none. A period that ends on a day includes it, so a handover may fall on one day.
"""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import polars as pl

from ingest.load import commit_tables, take_back
from ingest.schema import in_force, newest_in_force
from ingest.store import Database, claims_of, marks_of
from models.bench import rule_of
from models.run.documents import Noted, Row
from models.run.known import MECHANIC, Fleet, change, question
from models.wording import NoAnswerError

TABLES = ("meters", "assignments", "installations", "events")
RIDDEN = ("assignments", "installations")
OF_A_METER = (*TABLES, "bench", "comparisons", "pairs")
CLAIMED = ("bench", claims_of("bench"))
WAYS_OUT = ("written_off", "sold", "returned", "lost")
PROGRAMMED = ("programmed_crank_length_mm",)
CRANK = ("crank_id", "crank_length_mm", "large_ring", "small_ring", "ring_shape")
Rows = Sequence[Mapping[str, Any]]


@question(MECHANIC, watts=False, reads=TABLES[:3])
def whereabouts(fleet: Fleet, meter_id: str) -> Row:
    """Return where a meter is by its tables, and all riders and bikes; empty: not listed."""
    tables = _tables(fleet, TABLES[:3])
    listed = _of(tables["meters"], meter_id)
    if listed.is_empty():
        return {}
    meter = listed.row(0, named=True)
    assigned = newest_in_force(_of(tables["assignments"], meter_id), date.max)
    fitted = newest_in_force(_of(tables["installations"], meter_id), date.max)
    bikes = pl.concat([tables[name]["bike_id"] for name in ("assignments", "installations")])
    return {
        **{name: meter[name] for name in ("state", "location", "return_by", "retired_date")},
        "rider_id": assigned["rider_id"][0] if assigned.height else None,
        "bike_id": (fitted["bike_id"][0] if fitted.height else None)
        or (assigned["bike_id"][0] if assigned.height else None),
        "riders": tables["assignments"]["rider_id"].drop_nulls().unique().sort().to_list(),
        "bikes": bikes.drop_nulls().unique().sort().to_list(),
    }


@question(watts=False, legs=False, reads=(*OF_A_METER, *CLAIMED, "derived_pair_results"))
def rows_of_meters(fleet: Fleet) -> Mapping[str, str]:
    """Return a mark a meter of what the store holds of it; it differs when any of it does.

    Under the empty name: of what no meter's own rows tell, who rides which bike.
    """
    if not fleet.store.exists():
        return {}
    with fleet.store.reading() as db:
        parts = [db.contents(table, "meter_id") for table in OF_A_METER]
        parts.append(db.kept("claims of meters", CLAIMED, lambda: _claims_of_meters(db)))
        pairs = db.derived("pair_results", only=("meter_id", "comparison_id"))
        ridden = repr(marks_of(db.marks(), RIDDEN))
    held = {
        meter_id: ", ".join(part.get(meter_id, "") for part in parts)
        for meter_id in set().union(*parts)
    }
    compared = () if pairs is None else pairs.sort("comparison_id").iter_rows()
    for meter_id, comparison_id in compared:
        held[meter_id] = f"{held.get(meter_id)}, {comparison_id}"
    return {**held, "": ridden}


def _claims_of_meters(db: Database) -> dict[str, str]:
    return dict(db.query("imports/claims_of_meters").iter_rows())


@change("meter added", MECHANIC, then="fit soon")
def add_meter(
    fleet: Fleet, meter_id: str, kind: str, convention: str, crank_mm: str, since: str
) -> None:
    """Add a meter as the table of meters would; NoAnswerError where there is one of that name.

    crank_mm: as typed, may be empty; since: the first day in use, ISO
    """
    _required(meter_id, "what the meter is called")
    if fleet.store.exists() and not _of(_tables(fleet, ("meters",))["meters"], meter_id).is_empty():
        raise NoAnswerError(f'found "{meter_id}" among the meters, expected a new name')
    row = {
        **{"meter_id": meter_id, "kind": kind, "slope_convention": convention},
        **{"crank_length_mm": crank_mm or None, "in_service_date": since},
    }
    _noted(fleet, f"{meter_id} added", ("meters", [row]))


@change("meter lent", MECHANIC, then="follow")
def lend_meter(
    fleet: Fleet, meter_id: str, to: str, on: str, return_by: str | None = None
) -> Noted:
    """Lend a meter from a day on: it leaves its bike; a rider of the team becomes its rider."""
    _required(to, "whom it is lent to")
    tables, day = _tables(fleet), _day(on)
    _meter(tables, meter_id)
    rider = to if to in tables["assignments"]["rider_id"].to_list() else None
    new = [{"meter_id": meter_id, "from_date": on, "rider_id": to, "to_date": None}]
    return _noted(
        fleet,
        f"{meter_id} lent",
        ("meters", [_state(meter_id, "lent", location=to, return_by=return_by or None)]),
        *_ended(tables, meter_id, day, but=new if rider else ()),
        ("assignments", new if rider else ()),
    )


@change("meter moved", MECHANIC, then="follow")
def move_meter(
    fleet: Fleet, meter_id: str, bike_id: str, on: str, rider_id: str | None = None
) -> Noted:
    """Move a meter to another bike on a day: installation, assignment and event say so.

    What goes along with it: a crank with its rings, the length programmed in a pedal. A pedal or
    hub has the crank that was last fitted to that bike.
    """
    _required(bike_id, "the bike it moves to")
    tables, day = _tables(fleet), _day(on)
    meter = _meter(tables, meter_id)
    fitted = newest_in_force(_of(tables["installations"], meter_id), day)
    assigned = newest_in_force(_of(tables["assignments"], meter_id), day)
    old = fitted["bike_id"][0] if fitted.height else None
    rider = rider_id or (assigned["rider_id"][0] if assigned.height else None)
    place = {"meter_id": meter_id, "bike_id": bike_id, "from_date": on, "to_date": None}
    ridden = {**place, "rider_id": rider, "role": assigned["role"][0] if assigned.height else None}
    mounted = {**place, **_fitted_there(tables, meter["kind"], fitted, bike_id)}
    note = f"from bike {old} to bike {bike_id}" if old else f"to bike {bike_id}"
    event = {"meter_id": meter_id, "date": on, "event": "moved", "note": note, "state": "confirmed"}
    return _noted(
        fleet,
        f"{meter_id} moved",
        *_ended(tables, meter_id, day, but=(ridden, mounted)),
        ("installations", [mounted]),
        ("assignments", [ridden]),
        ("events", [event]),
    )


@change("meter retired", MECHANIC, then="follow")
def retire_meter(fleet: Fleet, meter_id: str, how: str, on: str) -> Noted:
    """Retire a meter on a day: one of WAYS_OUT."""
    if how not in WAYS_OUT:
        raise NoAnswerError(f'found "{how}", expected one of: {", ".join(WAYS_OUT)}')
    tables = _tables(fleet)
    _meter(tables, meter_id)
    return _noted(
        fleet,
        f"{meter_id} retired",
        ("meters", [_state(meter_id, how, retired_date=on)]),
        *_ended(tables, meter_id, _day(on)),
    )


@change("meter brought back", MECHANIC, then="follow")
def bring_meter_back(
    fleet: Fleet, meter_id: str, on: str, rider_id: str | None = None, bike_id: str | None = None
) -> Noted:
    """Bring a lent or retired meter back on a day: to a rider and a bike, or as a spare.

    Raise a UserError where an event says that it was lost, sold or returned: that stands first.
    """
    tables, day = _tables(fleet), _day(on)
    meter = _meter(tables, meter_id)
    left = _of(tables["events"], meter_id).filter(
        pl.col("event").is_in(["lost", "sold", "returned"]) & (pl.col("state") != "rejected")
    )
    if left.height:
        raise NoAnswerError(
            f"an event says that {meter_id} was {left['event'][-1]} on {left['date'][-1]}: take "
            "that back on the intake page first, or give the meter a new id"
        )
    place = {"meter_id": meter_id, "from_date": on, "to_date": None, "bike_id": bike_id or None}
    last = _of(tables["installations"], meter_id).sort("from_date").tail(1)
    mounted = {**place, **_fitted_there(tables, meter["kind"], last, bike_id)}
    ridden = {**place, "rider_id": rider_id or None}
    return _noted(
        fleet,
        f"{meter_id} back",
        ("meters", [_state(meter_id, "active" if rider_id or bike_id else "spare")]),
        *_ended(tables, meter_id, day, but=(ridden, mounted)),
        ("assignments", [ridden] if rider_id or bike_id else ()),
        ("installations", [mounted] if bike_id else ()),
    )


@change("whereabouts taken back", MECHANIC, then="follow")
def take_back_whereabouts(fleet: Fleet, import_ids: list[int]) -> None:
    """Take back what one of the questions above wrote, the newest first."""
    for import_id in sorted(import_ids, reverse=True):
        take_back(fleet.store, import_id, tables=TABLES)


def _noted(fleet: Fleet, name: str, *entries: tuple[str, Rows]) -> Noted:
    made = commit_tables(fleet.store, entries, name=name)
    return {"import_ids": list(made), "tables": [table for table, rows in entries if rows]}


def _tables(fleet: Fleet, names: Sequence[str] = TABLES) -> dict[str, pl.DataFrame]:
    with fleet.store.reading() as db:
        return {name: db.frame(name) for name in names}


def _of(frame: pl.DataFrame, meter_id: str) -> pl.DataFrame:
    return frame.filter(pl.col("meter_id") == meter_id)


def _meter(tables: Mapping[str, pl.DataFrame], meter_id: str) -> Row:
    found = _of(tables["meters"], meter_id)
    if found.is_empty():
        raise NoAnswerError(
            f"{meter_id} is not in the table meters: load it there first, with its kind"
        )
    return found.row(0, named=True)


def _day(on: str) -> date:
    try:
        return date.fromisoformat(on)
    except ValueError:
        raise NoAnswerError(f'found "{on}", expected a day such as 2026-05-20') from None


def _required(text: str, what: str) -> None:
    if not text.strip():
        raise NoAnswerError(f"found nothing, expected {what}")


def _state(meter_id: str, state: str, **cells: object) -> Row:
    """Return a row of `meters` with its state, and nothing of an earlier one left."""
    none = dict.fromkeys(("location", "return_by", "retired_date"))
    return {"meter_id": meter_id, "state": state, **none, **cells}


def _ended(
    tables: Mapping[str, pl.DataFrame], meter_id: str, day: date, but: Rows = ()
) -> list[tuple[str, Rows]]:
    """Return the rows that end what holds on a day; but: rows that are written anew."""
    entries: list[tuple[str, Rows]] = []
    for table, last in (("installations", "bike_id"), ("assignments", "rider_id")):
        key = ("meter_id", "from_date", last)
        later = _of(tables[table], meter_id).filter(pl.col("from_date") > day)["from_date"]
        if len(later):
            raise NoAnswerError(
                f"the table {table} says where {meter_id} is from {later.sort()[0]} on: give that "
                "day or a later one"
            )
        anew = {tuple(str(row.get(name)) for name in key) for row in but}
        held = _of(tables[table], meter_id).filter(in_force(day)).select(key).iter_rows()
        rows = [dict(zip(key, row, strict=True)) for row in held]
        ended = [
            {**row, "to_date": day} for row in rows if tuple(map(str, row.values())) not in anew
        ]
        entries.append((table, ended))
    return entries


def _fitted_there(
    tables: Mapping[str, pl.DataFrame], kind: str, last: pl.DataFrame, bike_id: str | None
) -> Row:
    """Return crank, rings and setting of a meter on a bike. last: its last installation."""
    rule = rule_of(kind)
    there = tables["installations"].filter(
        (pl.col("bike_id") == pl.lit(bike_id, pl.String)) & pl.col("crank_length_mm").is_not_null()
    )
    crank = there.sort("from_date").tail(1) if rule.uses_length or rule.through_chain else last
    return {**_cells(crank, CRANK), **_cells(last, PROGRAMMED)}


def _cells(frame: pl.DataFrame, names: Sequence[str]) -> Row:
    return {name: frame[name][0] if frame.height else None for name in names}
