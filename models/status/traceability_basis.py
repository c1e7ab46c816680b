"""What the fleet's truth hangs on: a certificate, a weighing, a stamp, or nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

LOOK_BACK = timedelta(days=730)
BASES = ("certificate", "weighed", "stamped", "stated", "nothing")
"""From the best to none. stated: masses as entered, of which nothing says how they are known."""


@dataclass(frozen=True)
class Truth:
    """basis: one of BASES; text: the sentence for `status`."""

    basis: str
    text: str


def truth_hangs_on(sessions: pl.DataFrame, mass_sets: pl.DataFrame, *, as_of: date) -> Truth:
    """The best that the bench sessions of the last two years rest on.

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
    basis = pl.when(expired).then(pl.lit("weighed")).otherwise(pl.col("source"))
    rows = used.with_columns(basis=basis.fill_null("stated"), expired=expired.fill_null(False))
    best = min(rows["basis"].to_list(), key=BASES.index)
    chosen = rows.filter(pl.col("basis") == best)
    return Truth(best, _sentence(best, chosen, rows.height))


def _nothing(sessions: pl.DataFrame, as_of: date) -> str:
    ever = sessions.filter(pl.col("gain_error_ln").is_finite())["measured_at"].max()
    why = "no meter was ever at a bench"
    if ever is not None:
        why = f"no meter was at a bench in the two years before {as_of}"
    return (
        f"The fleet's truth hangs on nothing: {why}. Comparisons within the team only: differences "
        "between its meters hold, what they all read high or low together nobody knows."
    )


def _sentence(basis: str, chosen: pl.DataFrame, n: int) -> str:
    sets = chosen["bench_id"].drop_nulls().unique().sort().to_list()
    named = " and ".join(sets) if sets else "no named mass set"
    share = f"{chosen.height} of {n} bench sessions of the last two years"
    return f"The fleet's truth hangs on {_words(basis, chosen, named)}: {share}."


def _words(basis: str, chosen: pl.DataFrame, named: str) -> str:
    if basis == "certificate":
        numbers = chosen["certificate_no"].drop_nulls().unique().sort().to_list()
        due = max(chosen["due_on"].drop_nulls().to_list(), default=None)
        more = [f"no. {' and '.join(numbers)}"] if numbers else []
        more += [f"due {due.isoformat()}"] if due is not None else []
        return f"the certificate of {named}" + (f" ({', '.join(more)})" if more else "")
    if basis == "weighed":
        late = bool(chosen["expired"].any())
        return f"the weighing of {named}" + (" (its certificate is out of date)" if late else "")
    if basis == "stamped":
        return f"the stamp on {named}, good to ± 2 %: weigh the plates"
    return f"masses as they were entered ({named}); nothing says how they are known"
