"""What the fleet's numbers rest on: a certificate, a weighing, a stamp, or nothing."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from models.wording import Reason

LOOK_BACK = timedelta(days=730)
BASES = ("certificate", "weighed", "stamped", "stated", "nothing")
"""From the best to none. stated: masses as entered, without saying how they are known."""


@dataclass(frozen=True)
class Truth:
    """basis: one of BASES; reason: what rests on it."""

    basis: str
    reason: Reason


def truth_hangs_on(sessions: pl.DataFrame, mass_sets: pl.DataFrame, *, as_of: date) -> Truth:
    """Return the best that the bench sessions of the last two years rest on.

    In   sessions: session_results; mass_sets: the table
    A certificate counts while it is not out of date on the session's day; after that the set
    counts as weighed.
    """
    day = pl.col("measured_at").dt.date()
    used = sessions.filter(pl.col("gain_error_ln").is_finite() & (day > as_of - LOOK_BACK)).join(
        mass_sets.select("bench_id", "source", "certificate_no", "due_on"),
        on="bench_id",
        how="left",
        maintain_order="left",
    )
    if used.is_empty():
        return Truth("nothing", _nothing(sessions, as_of))
    expired = (pl.col("source") == "certificate") & (pl.col("due_on") < day)
    source = pl.when(expired).then(pl.lit("weighed")).otherwise(pl.col("source"))
    rows = used.with_columns(basis=source.fill_null("stated"), expired=expired.fill_null(False))
    best = min(rows["basis"].to_list(), key=BASES.index)
    chosen = rows.filter(pl.col("basis") == best)
    basis = _basis(best, chosen)
    return Truth(best, Reason("truth", basis=basis, n=chosen.height, of=rows.height))


def _nothing(sessions: pl.DataFrame, as_of: date) -> Reason:
    ever = sessions.filter(pl.col("gain_error_ln").is_finite())
    return Reason("no_truth") if ever.is_empty() else Reason("no_truth_lately", day=as_of)


def _basis(basis: str, chosen: pl.DataFrame) -> Reason:
    """Return what the chosen sessions' mass sets are known by."""
    sets = tuple(chosen["bench_id"].drop_nulls().unique().sort()) or ("no named mass set",)
    if basis == "certificate":
        return Reason("on_certificate", sets=sets, about=_certificate(chosen))
    if basis == "weighed":
        late = bool(chosen["expired"].any())
        return Reason("on_late_weighing", sets=sets) if late else Reason("on_weighing", sets=sets)
    if basis == "stamped":
        return Reason("on_stamp", sets=sets)
    return Reason("on_entry", sets=sets)


def _certificate(chosen: pl.DataFrame) -> Reason | None:
    """Return the certificates' numbers and the last day they are good for; None: not known."""
    numbers = tuple(chosen["certificate_no"].drop_nulls().unique().sort())
    due_on = max(chosen["due_on"].drop_nulls(), default=None)
    if due_on is None:
        return Reason("certificate_numbers", numbers=numbers) if numbers else None
    if not numbers:
        return Reason("certificate_due", due_on=due_on)
    return Reason("certificate_both", numbers=numbers, due_on=due_on)


def shared_scales_of(mass_sets: pl.DataFrame, used: list[str]) -> Iterator[Reason]:
    """Yield what sets in use share: a scale that weighed them, or one laboratory."""
    named = mass_sets.filter(pl.col("bench_id").is_in(used) & pl.col("weighed_on").is_not_null())
    by_scale = named.group_by("weighed_on").agg(pl.col("bench_id").sort()).sort("weighed_on")
    for scale, sets in by_scale.iter_rows():
        if len(sets) > 1:
            yield Reason("one_scale", scale=scale, sets=tuple(sets))
