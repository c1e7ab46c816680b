"""Compare the workshops: variance components, degrees of equivalence, meters that travel.

Everything is told beside the whole fleet model: a meter's drift, resets and rides between two
sessions, and what the budgets state of mass sets and places, are all taken into account.
"""

import math
from datetime import date
from typing import NotRequired, TypedDict

import numpy as np
import polars as pl

from models.fleet import BENCH, FleetFit, condition, effect_information, fit_sds
from models.metrology import COVERAGE, Array, Equivalence, from_information

PARTS = (("workshop", "workshop"), ("technician", "technician"), ("mass set", "bench_id"))


class SpreadPart(TypedDict):
    """Spread between workshops, technicians or mass sets (n: how many), or of one session's noise.

    part: workshop, technician, mass set (what it adds beyond its own statement) or repeat
    """

    part: str
    sd_pct: float | None
    interval90_pct: list[float] | None
    n: int


class Degree(TypedDict):
    """A degree of equivalence: the difference, its U (k = 2), and whether |E_n| ≤ 1."""

    difference_pct: float
    expanded_uncertainty_pct: float
    e_n: float | None
    agrees: bool | None


class Workshop(Degree):
    """A workshop's difference from the weighted mean of all."""

    workshop: str
    n_sessions: int
    n_meters: int


class Traveller(Degree):
    """A meter's difference at one workshop from all that is known of it otherwise."""

    meter_id: str
    workshop: str
    n_sessions: int


class WorkshopsDocument(TypedDict):
    """The report on the workshops; chi2, p: of their agreement as a whole; as_of: of a store's."""

    as_of: NotRequired[date]
    parts: list[SpreadPart]
    workshops: list[Workshop]
    travellers: list[Traveller]
    chi2: float | None
    p: float | None
    notes: list[str]
    text: str


def workshops_document(fleet: FleetFit, sessions: pl.DataFrame) -> WorkshopsDocument:
    """Return the report on the workshops.

    In   sessions: session_results (workshop, technician, bench_id, meter_id, session_id)
    """
    fleet = as_stated(fleet)
    rows = _rows(fleet, sessions)
    names = rows["workshop"].drop_nulls().unique().sort().to_list()
    several = len(names) >= 2
    agreement = _agreement(fleet, rows, names) if several else None
    listed = _workshops(agreement, rows, names) if agreement else []
    return {
        "parts": _parts(fleet, rows),
        "workshops": listed,
        "travellers": _travellers(fleet, rows) if several else [],
        "chi2": agreement.chi2 if agreement else None,
        "p": agreement.p if agreement else None,
        "notes": _notes(rows, names),
        "text": _text(listed),
    }


def as_stated(fleet: FleetFit) -> FleetFit:
    """Return the fit without the alarms' effects on mass sets: they are held to their statement."""
    kept = [effect for effect in fleet.effects if effect.device_kind != BENCH]
    if len(kept) == len(fleet.effects):
        return fleet
    data, settings = fleet.prepared.data, fleet.prepared.settings
    return condition(
        data, fleet.hyper, today=fleet.today, settings=settings, effects=kept, weights=fleet.weights
    )


def _rows(fleet: FleetFit, sessions: pl.DataFrame) -> pl.DataFrame:
    """Return bench observations in the model's order: row, meter_id, workshop, technician, …"""
    obs = fleet.prepared.obs
    at = pl.DataFrame({"session_id": obs.name, "is_bench": obs.is_bench}).with_row_index("row")
    about = sessions.select("session_id", "meter_id", "workshop", "technician", "bench_id")
    return at.filter("is_bench").join(about, on="session_id", how="inner").sort("row")


def _indicator(fleet: FleetFit, rows: pl.DataFrame, column: str, names: list[str]) -> Array:
    """Return the design of effects of a column's values, [observations, names]."""
    Z = np.zeros((len(fleet.prepared.obs), len(names)))
    index = {name: k for k, name in enumerate(names)}
    for row, value in rows.select("row", column).iter_rows():
        if value in index:
            Z[row, index[value]] = 1.0
    return Z


def _information(fleet: FleetFit, Z: Array) -> tuple[Array, Array]:
    return effect_information(fleet.posterior.state, Z)


def _parts(fleet: FleetFit, rows: pl.DataFrame) -> list[SpreadPart]:
    """Return the spread between workshops, technicians, mass sets, all at once, and the noise."""
    designs, part = [], []
    out: list[SpreadPart] = []
    for name, column in PARTS:
        values = rows[column].drop_nulls().unique().sort().to_list()
        out.append({"part": name, "sd_pct": None, "interval90_pct": None, "n": len(values)})
        if len(values) >= 2:
            designs.append(_indicator(fleet, rows, column, values))
            part += [len(out) - 1] * len(values)
    if designs:
        used, code = np.unique(part, return_inverse=True)
        sds, ends = fit_sds(*_information(fleet, np.hstack(designs)), code)
        for k, i in enumerate(used):
            out[i]["sd_pct"], out[i]["interval90_pct"] = float(sds[k]), ends[k].tolist()
    return [*out, _repeat(fleet, rows)]


def _repeat(fleet: FleetFit, rows: pl.DataFrame) -> SpreadPart:
    """Return the typical noise of one session: its stated random part and what is beyond it."""
    obs = fleet.prepared.obs
    at = rows["row"].to_numpy()
    if not len(at):
        return {"part": "repeat", "sd_pct": None, "interval90_pct": None, "n": 0}
    beyond = fleet.hyper.sd("bench")[fleet.prepared.devices.group[obs.owner[at]]]
    sd = float(np.sqrt(np.median(obs.u2[at] + beyond**2)))
    return {"part": "repeat", "sd_pct": sd, "interval90_pct": None, "n": len(at)}


def _agreement(fleet: FleetFit, rows: pl.DataFrame, names: list[str]) -> Equivalence:
    return from_information(*_information(fleet, _indicator(fleet, rows, "workshop", names)))


def _workshops(found: Equivalence, rows: pl.DataFrame, names: list[str]) -> list[Workshop]:
    counts = rows.group_by("workshop").agg(n=pl.len(), meters=pl.col("meter_id").n_unique())
    seen = {name: (n, meters) for name, n, meters in counts.iter_rows()}
    return [
        {
            "workshop": name,
            "n_sessions": seen[name][0],
            "n_meters": seen[name][1],
            **_degree(found.difference[k], found.u_difference[k]),
        }
        for k, name in enumerate(names)
    ]


def _degree(difference: float, u: float) -> Degree:
    expanded = COVERAGE * u
    e_n = difference / expanded if expanded > 0 and math.isfinite(expanded) else None
    return {
        "difference_pct": float(difference),
        "expanded_uncertainty_pct": float(expanded),
        "e_n": None if e_n is None else float(e_n),
        "agrees": None if e_n is None else bool(abs(e_n) <= 1),
    }


def _travellers(fleet: FleetFit, rows: pl.DataFrame) -> list[Traveller]:
    """Return each meter that was at two workshops or more, at each that it visited less often."""
    visits = rows.filter(pl.col("workshop").is_not_null()).group_by("meter_id", "workshop").len()
    travelled = visits.filter(pl.len().over("meter_id") > 1).sort(
        "meter_id", "len", "workshop", descending=[False, True, False]
    )
    out: list[Traveller] = []
    for (meter_id,), part in travelled.group_by("meter_id", maintain_order=True):
        for workshop, n in part[1:].select("workshop", "len").iter_rows():
            mine = (rows["meter_id"] == meter_id) & (rows["workshop"] == workshop)
            Z = np.zeros((len(fleet.prepared.obs), 1))
            Z[rows.filter(mine)["row"].to_numpy(), 0] = 1.0
            M, b = _information(fleet, Z)
            out.append(
                {
                    "meter_id": str(meter_id),
                    "workshop": workshop,
                    "n_sessions": n,
                    **_degree(b[0] / M[0, 0], 1 / math.sqrt(M[0, 0])),
                }
            )
    return out


def _notes(rows: pl.DataFrame, names: list[str]) -> list[str]:
    unnamed = rows["workshop"].null_count()
    notes = []
    if unnamed:
        notes.append(f"{unnamed} of {rows.height} sessions name no workshop (places.workshop).")
    if len(names) == 1:
        notes.append(f"All others are of {names[0]}: there is nobody to compare it with.")
    travelled = rows.group_by("meter_id").agg(pl.col("workshop").drop_nulls().n_unique())
    if len(names) > 1 and travelled["workshop"].max() == 1:
        notes.append(
            "No meter was at two workshops: they are compared through rides and groups only. Send "
            "two or three meters round, and do not touch their slopes on the way."
        )
    return notes


def _text(listed: list[Workshop]) -> str:
    if not listed:
        return "Fewer than two workshops have bench sessions: nothing to compare."
    off = [row for row in listed if row["agrees"] is False]
    if not off:
        widest = max(row["expanded_uncertainty_pct"] for row in listed)
        return f"The {len(listed)} workshops agree within what they state (± {widest:.2f} %)."
    named = ", ".join(
        f"{row['workshop']} by {row['difference_pct']:+.2f} % (± "
        f"{row['expanded_uncertainty_pct']:.2f}, E_n {row['e_n']:+.1f})"
        for row in off
    )
    return f"Not all workshops agree: {named}. Look at its masses, gravity and way of hanging."
