"""Evidence for a claim about a group or a batch: its meters against what is stated, and the rest.

A batch is the meters of one group whose serial numbers begin alike.
"""

from datetime import date
from typing import TypedDict

import numpy as np
import polars as pl
from scipy.special import ndtr

from ingest.schema import plural
from models.budget.claims import LIKELY, added_back, sensor_excess
from models.budget.documents import (
    GroupClaim,
    GroupDifference,
    GroupSession,
    MemberClaim,
)
from models.fleet import FleetFit
from models.metrology import interval90, percent_from_ln
from models.records import typed_rows
from models.wording import NoAnswerError


def members(meters: pl.DataFrame, name: str) -> pl.DataFrame:
    """Return the meters of the group of that name, or whose serial numbers begin with it.

    NoAnswerError where there are none.
    """
    for chosen in (pl.col("group") == name, pl.col("serial_number").str.starts_with(name)):
        found = meters.filter(chosen.fill_null(False))
        if name and found.height:
            return found
    groups = ", ".join(meters["group"].unique().sort())
    raise NoAnswerError(
        f'found "{name}", expected a meter, the beginning of serial numbers, or a group: {groups}'
    )


def group_claim(
    fleet: FleetFit,
    meters: pl.DataFrame,
    sessions: pl.DataFrame,
    course: pl.DataFrame,
    *,
    name: str,
    today: date,
) -> GroupClaim:
    """Return the evidence about a group or a batch.

    In   meters: the roster; sessions: session_results; course: the known changes of the slope
    """
    mine = members(meters, name)
    ids = mine["meter_id"].to_list()
    own = typed_rows(
        mine.select("meter_id", "serial_number", "group", "in_service_on", "purchase_date"),
        _About,
    )
    excess = sensor_excess(fleet, mine, course, today=today)
    rest = meters.filter(~pl.col("meter_id").is_in(ids) & ~pl.col("gone"))
    found = sessions.filter(
        pl.col("meter_id").is_in(ids) & pl.col("gain_error_pct").is_finite()
    ).sort("meter_id", "measured_at")
    difference = _difference(fleet, mine, rest, course, today=today)
    rows: list[MemberClaim] = [{**a, **b} for a, b in zip(own, excess, strict=True)]
    return {
        "name": name,
        "as_of": today,
        "meters": rows,
        "sessions": typed_rows(found, GroupSession),
        "difference": difference,
        "lacks": _lacks(rows, found.height),
        "text": _text(name, rows, found.height, difference),
    }


class _About(TypedDict):
    meter_id: str
    serial_number: str | None
    group: str
    in_service_on: date
    purchase_date: date | None


def _difference(
    fleet: FleetFit, mine: pl.DataFrame, rest: pl.DataFrame, course: pl.DataFrame, *, today: date
) -> GroupDifference | None:
    """Return the mean error at the factory slope of these meters less that of the rest.

    What mass sets and places have in common cancels as far as both were hung on them.
    """
    if rest.is_empty():
        return None
    ids = [*mine["meter_id"], *rest["meter_id"]]
    weight = np.r_[np.full(mine.height, 1 / mine.height), np.full(rest.height, -1 / rest.height)]
    mean, covariance = fleet.joint([(("meter", name), today) for name in ids])
    raw = mean + added_back(course, ids, today)
    sd = float(np.sqrt(max(weight @ covariance @ weight, 0.0)))
    between = float(weight @ raw)
    return {
        "meters": rest.height,
        "difference_pct": percent_from_ln(between),
        "interval90_pct": interval90(between, sd),
        "p_exceeds_rest": float(ndtr(abs(between) / sd)) if sd > 0 else None,
    }


def _lacks(rows: list[MemberClaim], n_sessions: int) -> list[str]:
    lacks = []
    for column, why in (
        ("serial_number", "a maker will ask for it"),
        ("stated_accuracy_pct", "nothing to hold it against"),
        ("warranty_until", "whether a claim is open is not known"),
    ):
        without = [row["meter_id"] for row in rows if row[column] is None]  # type: ignore[literal-required]
        if without:
            lacks.append(f"meters has no {column} for {', '.join(without)}: {why}")
    if n_sessions < 2 * len(rows):
        lacks.append("fewer than two bench sessions a meter: hang them once more before a claim")
    return lacks


def _text(
    name: str, rows: list[MemberClaim], n_sessions: int, difference: GroupDifference | None
) -> str:
    beyond = [row for row in rows if (row["p_exceeds_stated"] or 0.0) >= LIKELY]
    text = (
        f"{name}: {plural(len(rows), 'meter')}, {plural(n_sessions, 'bench session')}. "
        "Likely beyond the accuracy that the maker states, at the slope as delivered: "
        f"{len(beyond)}"
    )
    text += f" ({', '.join(row['meter_id'] for row in beyond)})." if beyond else "."
    if difference is not None:
        low, high = difference["interval90_pct"]
        text += (
            f" On average they read {difference['difference_pct']:+.2f} % against the other "
            f"{difference['meters']} meters of the team (90 %: {low:+.2f} to {high:+.2f} %)."
        )
    return text
