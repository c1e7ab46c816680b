"""The plan carried elsewhere: a calendar file, and the bench list for the day.

The calendar file is iCalendar (RFC 5545): CRLF line ends, lines folded at 75 octets, one all-day
event a bench week, whose UID stays the same from plan to plan so that a calendar replaces it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from typing import Any

import polars as pl

from ingest.schema import in_force
from models.metrology import accept_limits_nm, expected_torque_nm, local_gravity
from models.season.documents import BenchListRow, PlanDocument, Visit

FOLD_OCTETS = 75  # RFC 5545, 3.1


# --- iCalendar --------------------------------------------------------------------------------


def calendar_text(document: PlanDocument, *, stamp: datetime) -> str:
    """The plan's visits as an iCalendar object.

    stamp: when the plan was made (DTSTAMP). Each visit is an all-day event from its week's Monday
    to its Friday. The UID is made of the meter and the visit's turn in the plan's season.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Slopewatch//bench plan//EN"]
    lines += ["CALSCALE:GREGORIAN", "METHOD:PUBLISH"]
    turn: dict[str, int] = {}
    today = document.get("as_of", document["from"])
    for visit in document["visits"]:
        meter = visit["meter_id"]
        turn[meter] = turn.get(meter, 0) + 1
        lines += _event(visit, _uid(meter, document["from"].year, turn[meter]), stamp, today)
    lines.append("END:VCALENDAR")
    return "".join(f"{folded}\r\n" for line in lines for folded in fold(line))


def _uid(meter: str, year: int, turn: int) -> str:
    digest = sha256(f"{meter}|{year}|{turn}".encode()).hexdigest()[:24]
    return f"{digest}@slopewatch.invalid"


def _event(visit: Visit, uid: str, stamp: datetime, today: date) -> list[str]:
    week: date = visit["week"]
    rider = f" ({visit['rider_id']})" if visit["rider_id"] else ""
    deadline = visit["deadline"]
    text = visit["reason"]
    if deadline:
        before = f"Before: {deadline.isoformat()}"
        text += f"\n{before if deadline >= today else 'Overdue: below the target already'}"
    return [
        "BEGIN:VEVENT",
        f"UID:{uid}",
        f"DTSTAMP:{stamp.astimezone(UTC):%Y%m%dT%H%M%SZ}",
        f"DTSTART;VALUE=DATE:{week:%Y%m%d}",
        f"DTEND;VALUE=DATE:{week + timedelta(days=5):%Y%m%d}",
        f"SUMMARY:{escaped('Bench: ' + visit['meter_id'] + rider)}",
        f"DESCRIPTION:{escaped(text)}",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]


def escaped(text: str) -> str:
    """A TEXT value: backslash, semicolon, comma and line ends escaped (RFC 5545, 3.3.11)."""
    for plain, code in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\r\n", "\\n")):
        text = text.replace(plain, code)
    return text.replace("\r", "\\n").replace("\n", "\\n")


def fold(line: str) -> list[str]:
    """A content line cut so that none exceeds 75 octets; continuations begin with a space and
    no character is torn."""
    out, current, size = [], "", 0
    for character in line:
        octets = len(character.encode())
        if size + octets > FOLD_OCTETS:
            out.append(current)
            current, size = " ", 1
        current += character
        size += octets
    return [*out, current]


# --- the bench list ---------------------------------------------------------------------------


def bench_list(
    document: PlanDocument,
    tables: Mapping[str, pl.DataFrame],
    *,
    week: date,
    bench_id: str | None = None,
    place_id: str | None = None,
) -> list[BenchListRow]:
    """What the mechanic needs on the spot, a row a meter planned for the week of a day.

    In   tables: meters, assignments, installations, mass_sets, places; bench_id, place_id: what
         is used (else the only, or the first with a certificate; the only place)
    Out  meter_id, rider_id, bike_id, crank_length_mm, bench_id, mass_kg (with hanger),
         gravity_ms2, expected_torque_nm, lowest_nm, highest_nm (display that keeps the gain
         error within tolerance, zero offset taken off), tolerance_pct, slope_convention, why,
         lacks (what had to be left out)
    """
    monday = week - timedelta(days=week.weekday())
    mass_set = _mass_set(tables["mass_sets"], bench_id)
    place, gravity_ms2 = _gravity(tables["places"], place_id)
    return [
        _bench_row(visit, tables, mass_set=mass_set, gravity_ms2=gravity_ms2, place=place)
        for visit in document["visits"]
        if visit["week"] == monday
    ]


def _mass_set(mass_sets: pl.DataFrame, bench_id: str | None) -> pl.DataFrame:
    """Return the mass set that is used, as a frame of at most one row."""
    if bench_id is not None:
        mass_sets = mass_sets.filter(pl.col("bench_id") == bench_id)
    certified = pl.col("source").eq_missing(pl.lit("certificate"))
    return mass_sets.sort(certified, descending=True, maintain_order=True).head(1)


def _gravity(places: pl.DataFrame, place_id: str | None) -> tuple[str | None, float]:
    """Return the place that is used, if there is no doubt which, and its gravity in m/s²."""
    if place_id is not None:
        places = places.filter(pl.col("place_id") == place_id)
    place = places if places.height == 1 else places.clear()
    found = local_gravity(
        place_ms2=_first(place, "gravity_ms2"),
        latitude_deg=_first(place, "latitude_deg"),
        altitude_m=_first(place, "altitude_m"),
    )
    return _first(place, "place_id"), found.value_ms2


def _bench_row(
    visit: Visit,
    tables: Mapping[str, pl.DataFrame],
    *,
    mass_set: pl.DataFrame,
    gravity_ms2: float,
    place: str | None,
) -> BenchListRow:
    meter_id, week = visit["meter_id"], visit["week"]
    meter = tables["meters"].filter(pl.col("meter_id") == meter_id)
    fitted = _on(tables["installations"], meter_id, week)
    assigned = _on(tables["assignments"], meter_id, week)
    crank = _first(fitted, "crank_length_mm") or _first(meter, "crank_length_mm")
    mass = _first(mass_set, "mass_kg")
    if mass is not None:
        mass += _first(mass_set, "hanger_mass_kg") or 0.0
    tolerance = visit["tolerance_pct"]
    expected = low = high = None
    if crank is not None and mass is not None:
        expected = expected_torque_nm(mass, crank, gravity_ms2=gravity_ms2)
        low, high = accept_limits_nm(expected, tolerance)
    return {
        "meter_id": meter_id,
        "rider_id": _first(assigned, "rider_id") or visit["rider_id"],
        "bike_id": _first(fitted, "bike_id") or _first(assigned, "bike_id"),
        "crank_length_mm": crank,
        "bench_id": _first(mass_set, "bench_id"),
        "mass_kg": mass,
        "place_id": place,
        "gravity_ms2": gravity_ms2,
        "expected_torque_nm": expected,
        "lowest_nm": low,
        "highest_nm": high,
        "tolerance_pct": tolerance,
        "slope_convention": _first(meter, "slope_convention"),
        "why": visit["reason"],
        "lacks": list(_lacks(_first(meter, "kind"), crank, mass, place)),
    }


def _lacks(
    kind: str | None, crank_mm: float | None, mass_kg: float | None, place: str | None
) -> Iterable[str]:
    if crank_mm is None:
        yield "crank length unknown: measure it from axle to pedal axle"
    if mass_kg is None:
        yield "no mass set listed: weigh what hangs"
    if place is None:
        yield "place not named: standard gravity, good to 0.3 % (name it with --place)"
    if kind == "hub":
        yield "a hub: multiply the expected torque by cog / ring"


def _on(frame: pl.DataFrame, meter_id: str, monday: date) -> pl.DataFrame:
    """Return the rows of a meter that hold in the week from a Monday on, the latest first."""
    week = in_force(monday, monday + timedelta(days=6))
    return frame.filter(pl.col("meter_id") == meter_id, week).sort("from_date", descending=True)


def _first(frame: pl.DataFrame, column: str) -> Any:
    """Return the first value of a column; None where the frame is empty."""
    return frame.item(0, column) if frame.height else None
