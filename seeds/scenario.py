"""The invented team: its people, places, mass sets, trainers, calendar and prices.

Larkmoor is a made-up team at a made-up place; every name here is invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

Row = dict[str, Any]

FIRST = date(2023, 11, 1)
LAST = date(2026, 9, 30)
N_DAYS = (LAST - FIRST).days + 1
YEAR = 365.25


def day_of(day: date) -> int:
    """Return the days since the data's first day."""
    return (day - FIRST).days


def date_of(day: float) -> date:
    """Return the calendar day of day t."""
    return FIRST + timedelta(days=math.floor(day))


RIDERS = (
    *("Aldo", "Bruna", "Casper", "Delphine", "Edda", "Florian", "Greta", "Hanno"),
    *("Ilse", "Jorun", "Kaspar", "Leonie", "Marek", "Nadja", "Orla", "Pavel"),
    *("Quirin", "Rosa", "Sander", "Tilda", "Ulf", "Vesna", "Wanja", "Ylva"),
)
COACHES = ("Halina", "Bertil", "Sorrel")
JOINED = {"Wanja": date(2024, 12, 1), "Ylva": date(2024, 12, 1)}
LEFT = {"Quirin": date(2025, 11, 30)}
TECHNICIANS = ("Maud", "Tibor")


@dataclass(frozen=True)
class Place:
    """A bench's place with its true gravity; what the team states may be less."""

    place_id: str
    latitude_deg: float | None
    altitude_m: float | None
    gravity_ms2: float | None
    true_gravity: float
    workshop: str


PLACES = (
    Place("moor-workshop", 52.1, 45, None, 9.81243, "Larkmoor"),
    Place("fjord-base", 59.6, 10, 9.8186, 9.81861, "Larkmoor"),
    Place("high-camp", 36.9, 1950, None, 9.79285, "high camp"),
    Place("race-truck", None, None, None, 9.8098, "truck"),
)


@dataclass(frozen=True)
class MassSet:
    """Masses and hanger as stated, and what they really weigh together."""

    bench_id: str
    mass_kg: float
    hanger_kg: float
    true_total_kg: float
    source: str
    mass_class: str | None = None
    tolerance_g: float | None = None
    certificate_no: str | None = None
    calibrated_on: date | None = None
    due_on: date | None = None

    @property
    def error_ln(self) -> float:
        """What a found value is off by because of these masses, 100·ln."""
        return 100 * math.log(self.true_total_kg / (self.mass_kg + self.hanger_kg))


MASS_SETS = (
    MassSet("set-A", 20.0, 0.38, 20.3803, "certificate", "M1", None, "LM-2231",
            date(2025, 10, 6), date(2027, 10, 5)),
    MassSet("set-B", 20.0, 0.35, 20.3540, "weighed", None, 10.0),
    MassSet("set-C", 20.0, 0.40, 20.2590, "stamped"),
)  # fmt: skip

TRAINERS = ("TR-1", "TR-2", "TR-3", "TR-4")
JUMPED_TRAINER, JUMP_ON, JUMP_SIZE = "TR-3", date(2025, 6, 10), 2.4
LENT_AS_REFERENCE = {"ref-FS-03": "FS-03", "ref-FS-09": "FS-09"}

SEASONS = (2024, 2025, 2026, 2027)


def riders_table() -> list[Row]:
    """Return the table riders: who coaches whom; one coach hands over at the end of 2025."""
    rows: list[Row] = []
    for i, rider in enumerate(RIDERS):
        start, stop = JOINED.get(rider, FIRST), LEFT.get(rider)
        coach = COACHES[i % 3]
        if rider == "Greta":
            rows.append(_rider(rider, coach, start, date(2025, 12, 31)))
            start, coach = date(2026, 1, 1), COACHES[(i + 1) % 3]
        rows.append(_rider(rider, coach, start, stop))
    return rows


def _rider(rider: str, coach: str, start: date, stop: date | None) -> Row:
    return {"rider_id": rider, "coach": coach, "from_date": start, "to_date": stop}


def places_table() -> list[Row]:
    """places: two by latitude and altitude, one with measured gravity, one with nothing."""
    return [
        {
            "place_id": p.place_id,
            "gravity_ms2": p.gravity_ms2,
            "latitude_deg": None if p.gravity_ms2 else p.latitude_deg,
            "altitude_m": None if p.gravity_ms2 else p.altitude_m,
            "workshop": p.workshop,
        }
        for p in PLACES
    ]


def mass_sets_table() -> list[Row]:
    """Return the table mass_sets: a certified, a weighed and a stamped one."""
    return [
        {
            "bench_id": m.bench_id,
            "mass_kg": m.mass_kg,
            "hanger_mass_kg": m.hanger_kg,
            "mass_class": m.mass_class,
            "mass_tolerance_g": m.tolerance_g,
            "source": m.source,
            "certificate_no": m.certificate_no,
            "calibrated_on": m.calibrated_on,
            "due_on": m.due_on,
        }
        for m in MASS_SETS
    ]


def references_table() -> list[Row]:
    """Return the table references: four trainers, and two meters that others are ridden beside."""
    rows: list[Row] = [
        {"reference_id": t, "kind": "trainer", "meter_id": None, "stated_accuracy_pct": 1.0}
        for t in TRAINERS
    ]
    rows += [
        {"reference_id": r, "kind": "meter", "meter_id": m, "stated_accuracy_pct": 1.5}
        for r, m in LENT_AS_REFERENCE.items()
    ]
    return rows


_RACES = (
    # name, month, day, days, priority
    ("Moorland Opening", 2, 24, 2, "C"),
    ("Weir Valley Classic", 3, 16, 1, "B"),
    ("Three Bridges", 4, 6, 1, "B"),
    ("Tour of the Seven Weirs", 5, 4, 8, "A"),
    ("Slate Hills Stages", 6, 1, 5, "B"),
    ("Regional Championships", 6, 22, 2, "A"),
    ("Grand Loop", 7, 6, 21, "A"),
    ("Harbour Criterium", 8, 9, 1, "C"),
    ("Coastal Stages", 8, 24, 6, "B"),
    ("Autumn Laurel", 9, 28, 1, "A"),
    ("Chestnut Classic", 10, 12, 1, "B"),
)


def calendar_table() -> list[Row]:
    """calendar: races, camps, tests and closed weeks of four seasons (the last is to come)."""
    rows: list[Row] = []
    for year in SEASONS:
        for name, month, day, days, priority in _RACES:
            start = date(year, month, day) + timedelta(days=(year - 2024) % 3)
            rows.append(_entry(f"{name} {year}", start, days, "race", priority))
        rows.append(_entry(f"Fjord base {year}", date(year, 1, 8), 14, "camp", None))
        rows.append(_entry(f"High camp {year}", date(year, 5, 20), 18, "camp", None))
        rows.append(_entry(f"Spring tests {year}", date(year, 3, 1), 3, "test", None))
        rows.append(_entry(f"Autumn break {year}", date(year, 10, 20), 14, "closed", None))
        rows.append(_entry(f"Year's end {year}", date(year, 12, 22), 12, "closed", None))
    for row in rows:
        row.setdefault("rider_id", None)
    rows.append(_entry("Hour attempt", date(2026, 11, 14), 1, "race", "A") | {"rider_id": "Nadja"})
    return sorted(rows, key=lambda r: (r["from_date"], r["name"]))


def _entry(name: str, start: date, days: int, kind: str, priority: str | None) -> Row:
    return {
        "name": name,
        "from_date": start,
        "to_date": start + timedelta(days=days - 1),
        "kind": kind,
        "priority": priority,
    }


def capacity_table() -> list[Row]:
    """Return the table capacity: bench sessions a week; few in the season, none in the breaks."""
    rows: list[Row] = []
    for year in SEASONS:
        for start, stop, slots in (
            (date(year, 1, 3), date(year, 2, 28), 8),
            (date(year, 3, 1), date(year, 6, 30), 4),
            (date(year, 7, 1), date(year, 9, 30), 2),
            (date(year, 10, 1), date(year, 12, 21), 6),
        ):
            rows.append({"from_date": start, "to_date": stop, "slots": slots, "workshop": None})
    for row in rows:
        row["workshop"] = "Larkmoor"
    return rows


def costs_table() -> list[Row]:
    """Return the table costs: unit prices, in euro."""
    prices: tuple[tuple[str, str | None, float], ...] = (
        ("bench_session", None, 38.0),
        ("bench_hour", None, 46.0),
        ("transport", None, 22.0),
        ("out_of_tolerance_day", None, 9.0),
        ("battery", "felsite", 2.5),
        ("battery", "olivine", 3.0),
        ("battery", "gypsum", 6.0),
        ("replacement", "felsite", 690.0),
        ("replacement", "olivine", 340.0),
        ("replacement", "gypsum", 820.0),
        ("replacement", None, 700.0),
    )
    return [
        {"item": item, "model_group": group, "unit_cost": cost, "currency": "EUR"}
        for item, group, cost in prices
    ]
