"""The ordinary slips at a bench, each with what it would do to the shown torque.

A share is how often a slip happens, of all sessions: our own judgement, kept on the high side,
for looking costs seconds and a slope reset on a slip costs the rides until somebody finds out.
About one session in eight carries a slip that is not caught while it is typed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import NamedTuple

from models.bench.causes.own_past import Observed, programmed_ln
from models.bench.measurement import Installation, Session
from models.metrology import ln_from_ratio
from models.wording import Reason, slope_text

COMMON_LENGTHS_MM = tuple(150 + 2.5 * k for k in range(13))
SAME_LENGTH_MM = 0.4

LENGTH_SHARE = 0.05
"""Cranks come in steps of 2.5 mm, look alike, and their stamp is on the inside."""
LENGTH_SHARE_CONFIRMED = 0.02
"""Where the installation (or the meter's row) agrees with what was entered."""
LENGTH_SHARE_CONTRADICTED = 0.3
"""Of the length that the installation names, where another was entered."""
LENGTH_SHARE_UNLIKE_LAST = 0.15
"""Of the length of the meter's last session, where another was entered and nothing else tells."""
PROGRAMMED_SHARE = 0.03
HANGER_SHARE = 0.04
"""Counted and not hung, or hung and not counted: a form filled in once serves all day."""
OTHER_SET_SHARE = 0.02
"""Of all other sets together: they stand side by side."""
SAME_MASS = 2e-3
"""Relative difference of two masses that nobody would look for: 0.2 %."""
PLATE_SHARE = 0.01
UNIT_SHARE = 0.003
TENFOLD_SHARE = 0.003
DOUBLED_SHARE, DOUBLED_SHARE_ELSE = 0.03, 0.001
ANGLE_SHARE = 0.015
TEETH_SHARE = 0.02
NO_ZERO_SHARE = 0.1
"""Of a sizeable offset, where no zero was read."""
SLOPE_SHARE_UNLIKE_LAST = 0.3
"""Of the slope that was last left, where another is entered: misread, or typed from an old list."""
WRONG_WAY_SHARE = 0.01
"""Of a meter whose slope acts the other way than its row says, after a change of the slope."""

PLATES_KG = (1.25, 2.5, 5.0, 10.0)
LB = 0.45359237
TORQUE_UNITS = {"lb·ft": 0.737562, "lb·in": 8.850746, "kgf·m": 0.101972}
"""How many of each make 1 N·m."""
POINTS = (10.0, 0.1)
UNLEVEL_DEG = tuple(range(4, 26))
UNLEVEL_SD_DEG = 8.0
COGS_OFF = ((1, 0.4), (-1, 0.4), (2, 0.1), (-2, 0.1))
"""Teeth that a cog may be off, and each one's part of the share."""
SAME_SLOPE_LN = 0.1
"""100·ln within which two slopes are one, written with different care."""


@dataclass(frozen=True)
class Mistake:
    """One slip that may have been made.

    factor  shown torque over what it would be without the mistake
    share   of sessions in which it happens
    entered, would_explain  what stands there and what would be right, in the input's own unit
    what    the mistake in words; fix: what is to be mended, entry or setting
    detail  which one, of a slip of the setup: it is made once for all meters that follow
    of_slope  whether the reading is right and the slope is not what it is taken for
    """

    kind: str
    factor: float
    share: float
    entered: float | str | None
    would_explain: float | str | None
    what: Reason
    fix: str = "entry"
    detail: str | None = None
    of_slope: bool = False

    @cached_property
    def shift(self) -> float:
        """What the slip adds to what is found, 100·ln."""
        return ln_from_ratio(self.factor)

    @property
    def setup(self) -> bool:
        """Whether it is made once for all meters that follow."""
        return self.detail is not None

    @cached_property
    def key(self) -> str:
        """Name of the slip, the same at each session in which it is made."""
        return f"{self.what.kind} {self.detail or ''}"


class Surroundings(NamedTuple):
    """What else is known beside a session's own inputs.

    sets: other mass sets with their total, kg; hanger_kg: the hanger known to belong to this
    session's mass set; last: the meter's last session; left: programmed slope as last left, see
    `own_past`; times: how many times its share each kind has
    """

    sets: tuple[tuple[str, float], ...] = ()
    hanger_kg: float | None = None
    last: Observed | None = None
    left: float | None = None
    times: Mapping[str, float] = {}


def plausible(session: Session, around: Surroundings) -> Iterator[Mistake]:
    """Yield every mistake that the session's inputs allow."""
    for mistake in _all(session, around):
        times = around.times.get(mistake.kind, 1.0)
        yield mistake if times == 1.0 else replace(mistake, share=mistake.share * times)


def _all(session: Session, around: Surroundings) -> Iterator[Mistake]:
    last, rule, installed = around.last, session.rule, session.installation
    entered = session.crank_length_mm
    if entered:
        last_mm = None if last is None else last.crank_length_mm
        programmed = installed.programmed_mm if installed else None
        setting = (True, programmed) if rule.uses_length else (False, None)
        yield from _lengths(entered, session.known_length_mm, last_mm, *setting)
    hung = next((r.hung for r in session.readings if r.hung is not None), None)
    if hung is not None:
        yield from _hangers(hung.mass_kg, hung.hanger_kg, around.hanger_kg)
        yield from _masses(hung.mass_kg, hung.hanger_kg, around.sets)
    yield from _display(rule.may_show_double)
    yield from _angles(max((abs(r.angle_deg) for r in session.readings if r.angle_deg), default=0))
    if rule.through_chain:
        labels = frozenset(r.chainring for r in session.readings if r.chainring)
        yield from _rings(labels, installed)
        yield from _cogs(session.cog_teeth)
    if last is not None:
        yield from _slopes(session, last, around.left)


def _kept(make: Callable[..., Iterator[Mistake]]) -> Callable[..., tuple[Mistake, ...]]:
    """Keep the slips that some inputs allow: most sessions share their inputs."""

    def made(*inputs: object) -> tuple[Mistake, ...]:
        return tuple(make(*inputs))

    return lru_cache(maxsize=512)(made)


@_kept
def _lengths(
    entered: float, known: float | None, last_mm: float | None, pedals: bool, set_mm: float | None
) -> Iterator[Mistake]:
    shares = _length_shares(known, entered, last_mm=last_mm)
    if pedals:
        total = PROGRAMMED_SHARE if set_mm is None else LENGTH_SHARE_CONFIRMED
        setting = _by_distance(entered, total)
        shares = {mm: shares.get(mm, 0.0) + setting.get(mm, 0.0) for mm in shares | setting}
    for mm, share in shares.items():
        slip = known is not None and abs(mm - known) < SAME_LENGTH_MM
        what, fix = Reason("other_crank", true_mm=mm, entered_mm=entered), "entry"
        if pedals and not slip:
            what, fix = Reason("other_length_set", set_mm=mm, entered_mm=entered), "setting"
        yield Mistake("crank_length", mm / entered, share, entered, mm, what, fix)


def _length_shares(
    known: float | None, entered: float, *, last_mm: float | None
) -> dict[float, float]:
    """Return for each other length, mm, the share of sessions in which it was the true one."""
    if known is None:
        shares = _by_distance(entered, LENGTH_SHARE)
        if last_mm is not None and abs(last_mm - entered) >= SAME_LENGTH_MM:
            shares[last_mm] = LENGTH_SHARE_UNLIKE_LAST
        return shares
    shares = _by_distance(entered, LENGTH_SHARE_CONFIRMED)
    if abs(known - entered) >= SAME_LENGTH_MM:
        shares[known] = LENGTH_SHARE_CONTRADICTED
    return shares


def _by_distance(entered: float, total: float) -> dict[float, float]:
    """Return each common length's share: half as often with every 2.5 mm further off."""
    others = [mm for mm in COMMON_LENGTHS_MM if abs(mm - entered) >= SAME_LENGTH_MM]
    weights = [2 ** (-abs(mm - entered) / 2.5) for mm in others]
    return {mm: total * w / sum(weights) for mm, w in zip(others, weights, strict=True)}


@_kept
def _hangers(mass: float, hanger: float, known: float | None) -> Iterator[Mistake]:
    total = mass + hanger
    if known and not hanger:
        what = Reason("hanger_left_out", hanger_kg=known)
        factor = (total + known) / total
        yield Mistake("hanger_mass", factor, HANGER_SHARE, 0.0, known, what, detail="")
    if hanger and mass:
        what = Reason("hanger_counted_twice", hanger_kg=hanger)
        yield Mistake("hanger_mass", mass / total, HANGER_SHARE, hanger, 0.0, what, detail="")


@_kept
def _masses(mass: float, hanger: float, sets: tuple[tuple[str, float], ...]) -> Iterator[Mistake]:
    total = mass + hanger
    others = [(n, kg) for n, kg in sets if kg > 0 and not _same_mass(kg, total)]
    unit_share, as_pounds = UNIT_SHARE, mass * LB + hanger
    for name, other in others:
        share = OTHER_SET_SHARE / len(others)
        if _same_mass(other, as_pounds):
            unit_share += share
            continue
        what = Reason("other_set", bench_id=name, true_kg=other, entered_kg=total)
        yield Mistake("mass", other / total, share, total, other, what, detail=name)
    share = PLATE_SHARE / 2 / len(PLATES_KG)
    for plate in PLATES_KG:
        for other, what in (
            (total + plate, Reason("plate_more", plate_kg=plate)),
            (total - plate, Reason("plate_less", plate_kg=plate)),
        ):
            if other > 0:
                yield Mistake("mass", other / total, share, total, other, what, detail=f"{plate:g}")
    pounds, kilograms = Reason("mass_in_pounds", mass=mass), Reason("mass_converted")
    in_pounds, converted = as_pounds / total, (mass / LB + hanger) / total
    yield Mistake("unit", in_pounds, unit_share, "kg", "lb", pounds, detail="")
    yield Mistake("unit", converted, UNIT_SHARE, "lb", "kg", kilograms, detail="")


def _same_mass(one: float, other: float) -> bool:
    return abs(one - other) <= SAME_MASS * other


@_kept
def _display(may_show_double: bool) -> Iterator[Mistake]:
    for unit, factor in TORQUE_UNITS.items():
        what = Reason("display_unit", unit=unit)
        yield Mistake("unit", factor, UNIT_SHARE, "N·m", unit, what, "setting")
    share = DOUBLED_SHARE if may_show_double else DOUBLED_SHARE_ELSE
    doubled, halved = Reason("display_doubled"), Reason("display_halved")
    yield Mistake("doubled_display", 2.0, share, 1, 2, doubled, "setting")
    yield Mistake("doubled_display", 0.5, share / 3, 1, 0.5, halved, "setting")
    for point in POINTS:
        what = Reason("tenfold")
        yield Mistake("mistyped", point, TENFOLD_SHARE, point, 1.0, what)


@_kept
def _angles(given: float) -> Iterator[Mistake]:
    weights = [math.exp(-((deg / UNLEVEL_SD_DEG) ** 2) / 2) for deg in UNLEVEL_DEG]
    for deg, weight in zip(UNLEVEL_DEG, weights, strict=True):
        factor = math.cos(math.radians(deg)) / math.cos(math.radians(given))
        share = ANGLE_SHARE * weight / sum(weights)
        yield Mistake("angle", factor, share, given, deg, Reason("off_level", angle_deg=deg))
    if given >= 2:
        factor = 1 / math.cos(math.radians(given))
        what = Reason("level_after_all", angle_deg=given)
        yield Mistake("angle", factor, ANGLE_SHARE, given, 0.0, what)


@_kept
def _rings(labels: frozenset[str], installed: Installation | None) -> Iterator[Mistake]:
    """Yield a hub's other ring, taken for the one the chain was on."""
    large = installed.large_ring if installed else None
    small = installed.small_ring if installed else None
    if large and small and large != small:
        on_small = "small" in labels or str(small) in labels
        factor = small / large if on_small else large / small
        entered, other = (small, large) if on_small else (large, small)
        what = Reason("other_ring", true_teeth=other, entered_teeth=entered)
        yield Mistake("swapped", factor, TEETH_SHARE, entered, other, what)


@_kept
def _cogs(entered: int | None) -> Iterator[Mistake]:
    """Yield the cogs beside the one that was entered for a hub."""
    if not entered:
        return
    for off, part in COGS_OFF:
        other = entered + off
        what = Reason("other_cog", true_teeth=other, entered_teeth=entered)
        yield Mistake("cog_teeth", other / entered, TEETH_SHARE * part, entered, other, what)


def _slopes(session: Session, last: Observed, left: float | None) -> Iterator[Mistake]:
    """Yield a slope that is not the one last left, or one that acts the other way."""
    convention, shown = session.meter.convention, session.slopes.before
    p = programmed_ln(shown, convention)
    if shown and p is not None and left is not None and abs(p - left) > SAME_SLOPE_LN:
        slope = math.exp((left if convention == "divisor" else -left) / 100)
        step = session.meter.slope_step
        what = Reason("other_slope", shown=slope_text(shown, step), left=slope_text(slope, step))
        yield Mistake(
            "slope",
            math.exp((p - left) / 100),
            SLOPE_SHARE_UNLIKE_LAST,
            shown,
            slope,
            what,
            of_slope=True,
        )
    changed = 0.0
    if last.p_before is not None and last.p_after is not None and last.as_left is None:
        changed = last.p_after - last.p_before
    if abs(changed) > SAME_SLOPE_LN:
        factor = math.exp(2 * changed / 100)
        other = "divisor" if convention == "multiplier" else "multiplier"
        yield Mistake(
            "slope_direction",
            factor,
            WRONG_WAY_SHARE,
            convention,
            other,
            Reason("slope_acts_otherwise", convention=other, entered=convention),
            "setting",
            of_slope=True,
        )
