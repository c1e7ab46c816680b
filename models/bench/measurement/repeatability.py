"""How closely a hanging repeats, learnt from the repeats of other sessions.

Nothing known: 0.15 %, worth two degrees of freedom. What a technician's other hangings show
joins a session's own scatter as a prior does, with at most LEARNT_DOF degrees of freedom, since
a hand has better and worse days; from ENOUGH_DOF on the 0.15 % no longer counts. A technician
with fewer is helped out by others at the place; where nobody is named the place speaks.
Source: moderated variances, Smyth (2004), Stat. Appl. Genet. Mol. Biol. 3, article 3, section 3.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from datetime import date
from typing import NamedTuple

import polars as pl

from models.bench.measurement.readings import Session
from models.bench.measurement.stage_means import NO_SCATTER, Scatter
from models.metrology import pooled_with_prior

PRIOR_PCT, PRIOR_DOF = 0.15, 2.0
"""Scatter of one hanging where nothing shows it."""
ENOUGH_DOF = 4
"""From here on what was seen speaks alone."""
LEARNT_DOF = 12
"""What was seen at other sessions counts at most as much: our own judgement."""


REPEATABILITY = {
    "repeat_prior_pct": PRIOR_PCT,
    "repeat_prior_dof": PRIOR_DOF,
    "repeat_enough_dof": ENOUGH_DOF,
    "repeat_learnt_dof": LEARNT_DOF,
}
"""The same for the bench page's own arithmetic."""

Key = tuple[str, str | None, str | None]
"""What is told apart (who, where or both), the technician, the place."""


class Repeats(NamedTuple):
    """What the repeated hangings of one session show. on: its day; None: not known."""

    technician: str | None
    place_id: str | None
    on: date | None
    scatter: Scatter


class Hands:
    """The scatter of all hangings that were seen, by technician, by place and by both.

    in_order: of each session only what was seen on days before its own counts
    """

    def __init__(self, seen: Iterable[Repeats], *, in_order: bool) -> None:
        self._in_order = in_order
        self._days: dict[Key, list[date]] = {}
        self._sums: dict[Key, list[Scatter]] = {}
        counted = [one for one in seen if one.scatter.dof and (one.on or not in_order)]
        for one in sorted(counted, key=lambda one: one.on or date.min):
            for key in _keys(one.technician, one.place_id):
                sums = self._sums.setdefault(key, [NO_SCATTER])
                sums.append(sums[-1].plus(one.scatter))
                self._days.setdefault(key, []).append(one.on or date.min)

    def known(self, session: Session, own: Scatter) -> Scatter:
        """Return what other sessions say of a session's hangings; own: what it shows itself."""
        mine = NO_SCATTER if self._in_order else own
        keys = _keys(session.technician, session.place_id)
        whose, where, both = (self._seen(key, day_of(session)).less(mine) for key in keys)
        if name_of(session.technician) is None:
            return where.at_most(LEARNT_DOF)
        person = whose.at_most(LEARNT_DOF)
        return person.plus(where.less(both).at_most(max(ENOUGH_DOF - person.dof, 0)))

    def seen_before(self, on: date) -> dict[Key, Scatter]:
        """Return what was seen on days before one: by technician, by place and by both."""
        found = {key: sums[bisect_left(self._days[key], on)] for key, sums in self._sums.items()}
        return {key: scatter for key, scatter in found.items() if scatter.dof}

    def _seen(self, key: Key, on: date | None) -> Scatter:
        sums = self._sums.get(key, [NO_SCATTER])
        if not self._in_order:
            return sums[-1]
        return sums[bisect_left(self._days.get(key, []), on or date.min)]


def hands_of(
    ours: Sequence[tuple[Session, Scatter]], earlier: pl.DataFrame | None, *, in_order: bool
) -> Hands:
    """Return what sessions show: ours with their repeats, and rows of `session_frame`."""
    seen = [Repeats(s.technician, s.place_id, day_of(s), scatter) for s, scatter in ours]
    if earlier is not None and {"repeat_sd_pct", "repeat_dof"} <= set(earlier.columns):
        names = {session.session_id for session, _ in ours}
        rows = earlier.filter(pl.col("repeat_dof") > 0, ~pl.col("session_id").is_in(list(names)))
        seen += [
            Repeats(technician, place_id, on, Scatter((sd / 100) ** 2 * dof, dof))
            for technician, place_id, on, sd, dof in rows.select(
                "technician", "place_id", pl.col("measured_at").dt.date(), "repeat_sd_pct",
                "repeat_dof",
            ).iter_rows()
        ]  # fmt: skip
    return Hands(seen, in_order=in_order)


def day_of(session: Session) -> date | None:
    """Return the day a session was measured on, UTC."""
    return None if session.measured_at is None else session.measured_at.date()


def _keys(technician: str | None, place_id: str | None) -> tuple[Key, Key, Key]:
    name = name_of(technician)
    return ("who", name, None), ("where", None, place_id), ("both", name, place_id)


def name_of(technician: str | None) -> str | None:
    """Return a technician's name in one spelling; None for nobody."""
    return (technician or "").strip().casefold() or None


def repeatability(scatter: Scatter) -> tuple[float, float, str]:
    """Return the scatter of one hanging as a ratio, its dof, and whether it was seen (type A)."""
    return pooled_with_prior(
        *scatter, prior_sd=PRIOR_PCT / 100, prior_dof=PRIOR_DOF, enough=ENOUGH_DOF
    )
