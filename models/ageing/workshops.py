"""Do the workshops agree? Variance parts, and degrees of equivalence through meters that travel.

Everything is told beside the whole fleet model: a meter's drift, resets and rides between two
sessions, and what the budgets state of mass sets and places, are all taken into account.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import polars as pl

from models.fleet import BENCH, FleetFit, condition, effect_information, fit_sds
from models.metrology import COVERAGE, Array, from_information

Document = dict[str, Any]
PARTS = (("workshop", "workshop"), ("technician", "technician"), ("mass set", "bench_id"))


def workshops_document(fleet: FleetFit, sessions: pl.DataFrame) -> Document:
    """The report.

    In   sessions: session_results (workshop, technician, bench_id, meter_id, session_id)
    Out  parts: part, sd_pct with its 90 % ends, n (how many there are); mass set: what it adds
         beyond its own statement. repeat: a session's own noise.
         workshops: workshop, n_sessions, n_meters, difference_pct (from the weighted mean of all),
         expanded_uncertainty_pct (k = 2), e_n, agrees.
         travellers: meter_id, workshop, n_sessions, difference_pct (of its sessions there from all
         that is known of it otherwise), expanded_uncertainty_pct, e_n, agrees.
         chi2, p: of the workshops' agreement as a whole. text: one sentence; notes.
    """
    fleet = as_stated(fleet)
    rows = _rows(fleet, sessions)
    names = rows["workshop"].drop_nulls().unique().sort().to_list()
    document: Document = {"parts": _parts(fleet, rows), "workshops": [], "travellers": []}
    document |= {"chi2": None, "p": None, "notes": _notes(rows, names)}
    if len(names) >= 2:
        document |= _agreement(fleet, rows, names)
        document["travellers"] = _travellers(fleet, rows)
    return document | {"text": _text(document)}


def as_stated(fleet: FleetFit) -> FleetFit:
    """The fit without what alarms have granted to mass sets: they are held to their statement."""
    kept = [effect for effect in fleet.effects if effect.device_kind != BENCH]
    if len(kept) == len(fleet.effects):
        return fleet
    data, settings = fleet.prepared.data, fleet.prepared.settings
    return condition(
        data,
        fleet.hyper,
        today=fleet.today,
        settings=settings,
        effects=kept,
        weights=fleet.weights,
    )


def _rows(fleet: FleetFit, sessions: pl.DataFrame) -> pl.DataFrame:
    """Bench observations in the model's order: row, meter_id, workshop, technician, bench_id."""
    obs = fleet.prepared.obs
    at = pl.DataFrame({"session_id": obs.name, "is_bench": obs.is_bench}).with_row_index("row")
    about = sessions.select("session_id", "meter_id", "workshop", "technician", "bench_id")
    return at.filter("is_bench").join(about, on="session_id", how="inner").sort("row")


def _indicator(fleet: FleetFit, rows: pl.DataFrame, column: str, names: list[str]) -> Array:
    """Design of effects of a column's values on the bench observations, [observations, names]."""
    Z = np.zeros((len(fleet.prepared.obs), len(names)))
    index = {name: k for k, name in enumerate(names)}
    for row, value in rows.select("row", column).iter_rows():
        if value in index:
            Z[row, index[value]] = 1.0
    return Z


def _information(fleet: FleetFit, Z: Array) -> tuple[Array, Array]:
    return effect_information(fleet.posterior.state, Z)


def _parts(fleet: FleetFit, rows: pl.DataFrame) -> list[Document]:
    """Spread between workshops, technicians and mass sets, all at once."""
    designs, part, out = [], [], []
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
            out[i] |= {"sd_pct": float(sds[k]), "interval90_pct": ends[k].tolist()}
    return [*out, _repeat(fleet, rows)]


def _repeat(fleet: FleetFit, rows: pl.DataFrame) -> Document:
    """Typical noise of one session: its stated random part and what was found beyond it."""
    obs = fleet.prepared.obs
    at = rows["row"].to_numpy()
    if not len(at):
        return {"part": "repeat", "sd_pct": None, "interval90_pct": None, "n": 0}
    extra = fleet.hyper.sd("bench")[fleet.prepared.devices.group[obs.owner[at]]]
    sd = float(np.sqrt(np.median(obs.u2[at] + extra**2)))
    return {"part": "repeat", "sd_pct": sd, "interval90_pct": None, "n": len(at)}


def _agreement(fleet: FleetFit, rows: pl.DataFrame, names: list[str]) -> Document:
    found = from_information(*_information(fleet, _indicator(fleet, rows, "workshop", names)))
    counts = {
        row["workshop"]: row
        for row in rows.group_by("workshop")
        .agg(n=pl.len(), meters=pl.col("meter_id").n_unique())
        .iter_rows(named=True)
    }
    listed = [
        {
            "workshop": name,
            "n_sessions": counts[name]["n"],
            "n_meters": counts[name]["meters"],
            **_degree(found.difference[k], found.u_difference[k]),
        }
        for k, name in enumerate(names)
    ]
    return {"workshops": listed, "chi2": found.chi2, "p": found.p}


def _degree(difference: float, u: float) -> Document:
    expanded = COVERAGE * u
    e_n = difference / expanded if expanded > 0 and math.isfinite(expanded) else None
    return {
        "difference_pct": float(difference),
        "expanded_uncertainty_pct": float(expanded),
        "e_n": None if e_n is None else float(e_n),
        "agrees": None if e_n is None else bool(abs(e_n) <= 1),
    }


def _travellers(fleet: FleetFit, rows: pl.DataFrame) -> list[Document]:
    """Each meter that was at two workshops or more, at each of those it visited less often."""
    visits = rows.filter(pl.col("workshop").is_not_null()).group_by("meter_id", "workshop").len()
    travelled = visits.filter(pl.len().over("meter_id") > 1).sort(
        "meter_id", "len", "workshop", descending=[False, True, False]
    )
    out = []
    for (meter_id,), part in travelled.group_by("meter_id", maintain_order=True):
        for workshop, n in part[1:].select("workshop", "len").iter_rows():
            mine = (rows["meter_id"] == meter_id) & (rows["workshop"] == workshop)
            Z = np.zeros((len(fleet.prepared.obs), 1))
            Z[rows.filter(mine)["row"].to_numpy(), 0] = 1.0
            M, b = _information(fleet, Z)
            head = {"meter_id": meter_id, "workshop": workshop, "n_sessions": n}
            out.append(head | _degree(b[0] / M[0, 0], 1 / math.sqrt(M[0, 0])))
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


def _text(document: Document) -> str:
    listed = document["workshops"]
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
