"""The plausible mistakes at a bench, each with what it would do to the shown torque.

Shares are our own judgement of how often each happens, not measured: about one session in
thirty carries a mistake. They matter little where a mistake explains an error that the meter
could hardly have by itself, and much where it could; see `suspicions`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from models.bench.measurement import Session
from models.wording import Reason

COMMON_LENGTHS_MM = tuple(150 + 2.5 * k for k in range(13))
SAME_LENGTH_MM = 0.4

LENGTH_SHARE = 0.02
LENGTH_SHARE_CONFIRMED = 0.007
"""Where the installation (or the meter's row) agrees with what was entered."""
LENGTH_SHARE_CONTRADICTED = 0.3
"""Of the length that the installation names, where another was entered."""
LENGTH_SHARE_UNLIKE_LAST = 0.15
"""Of the length of the meter's last session, where another was entered and nothing else tells."""
PROGRAMMED_SHARE = 0.03
HANGER_SHARE = 0.02
HANGER_TWICE_SHARE = 0.01
OTHER_SET_SHARE = 0.01
PLATE_SHARE = 0.01
UNIT_SHARE = 0.002
DOUBLED_SHARE, DOUBLED_SHARE_ELSE = 0.03, 0.001
ANGLE_SHARE = 0.015
TEETH_SHARE = 0.01
NO_ZERO_SHARE = 0.1
"""Of a sizeable offset, where no zero was read."""

PLATES_KG = (1.25, 2.5, 5.0, 10.0)
LB = 0.45359237
TORQUE_UNITS = {"lb·ft": 0.737562, "lb·in": 8.850746, "kgf·m": 0.101972}
"""How many of each make 1 N·m."""
UNLEVEL_DEG = tuple(range(4, 26))
UNLEVEL_SD_DEG = 8.0


class Mistake(NamedTuple):
    """One slip that may have been made.

    factor  shown torque over what it would be without the mistake
    share   of sessions in which it happens
    entered, would_explain  what stands there and what would be right, in the input's own unit
    what    the mistake in words; fix: what is to be mended, entry or setting
    """

    kind: str
    factor: float
    share: float
    entered: float | str | None
    would_explain: float | str | None
    what: Reason
    fix: str = "entry"


def plausible(
    session: Session,
    *,
    sets: tuple[tuple[str, float], ...],
    hanger_kg: float | None,
    last_length_mm: float | None,
) -> Iterator[Mistake]:
    """Yield every mistake that the session's inputs allow.

    sets: other mass sets with their total in kg; hanger_kg: the hanger known to belong to
    this session's mass set; last_length_mm: crank length of the meter's last session.
    """
    yield from _lengths(session, last_length_mm)
    hung = next((r.hung for r in session.readings if r.hung is not None), None)
    if hung is not None:
        yield from _masses(hung.mass_kg, hung.hanger_kg, sets, hanger_kg)
    yield from _display(session)
    yield from _angles(session)
    if session.rule.through_chain:
        yield from _teeth(session)


def _lengths(session: Session, last_mm: float | None) -> Iterator[Mistake]:
    entered = session.crank_length_mm
    if not entered:
        return
    shares = _length_shares(session.known_length_mm, entered, last_mm=last_mm)
    pedals = session.rule.uses_length
    if pedals:
        programmed = session.installation.programmed_mm if session.installation else None
        total = PROGRAMMED_SHARE if programmed is None else LENGTH_SHARE_CONFIRMED
        setting = _by_distance(entered, total)
        shares = {mm: shares.get(mm, 0.0) + setting.get(mm, 0.0) for mm in shares | setting}
    for mm, share in shares.items():
        known = session.known_length_mm
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


def _masses(
    mass: float, hanger: float, sets: tuple[tuple[str, float], ...], known: float | None
) -> Iterator[Mistake]:
    total = mass + hanger
    if known and not hanger:
        yield Mistake(
            "hanger_mass",
            (total + known) / total,
            HANGER_SHARE,
            0.0,
            known,
            Reason("hanger_left_out", hanger_kg=known),
        )
    if hanger and mass:
        yield Mistake(
            "hanger_mass",
            mass / total,
            HANGER_TWICE_SHARE,
            hanger,
            0.0,
            Reason("hanger_counted_twice", hanger_kg=hanger),
        )
    for name, other in sets:
        if other > 0 and abs(other - total) > 1e-4 * total:
            what = Reason("other_set", bench_id=name, true_kg=other, entered_kg=total)
            yield Mistake("mass", other / total, OTHER_SET_SHARE, total, other, what)
    for plate in PLATES_KG:
        for sign, what in (
            (1, Reason("plate_more", plate_kg=plate)),
            (-1, Reason("plate_less", plate_kg=plate)),
        ):
            if total + sign * plate > 0:
                factor = (total + sign * plate) / total
                share = PLATE_SHARE / 2 / len(PLATES_KG)
                yield Mistake("mass", factor, share, total, total + sign * plate, what)
    yield Mistake("unit", LB, UNIT_SHARE, "kg", "lb", Reason("mass_in_pounds", mass=mass))
    yield Mistake("unit", 1 / LB, UNIT_SHARE, "kg", "lb", Reason("mass_converted"))


def _display(session: Session) -> Iterator[Mistake]:
    for unit, factor in TORQUE_UNITS.items():
        what = Reason("display_unit", unit=unit)
        yield Mistake("unit", factor, UNIT_SHARE, "N·m", unit, what, "setting")
    share = DOUBLED_SHARE if session.rule.may_show_double else DOUBLED_SHARE_ELSE
    doubled, halved = Reason("display_doubled"), Reason("display_halved")
    yield Mistake("doubled_display", 2.0, share, 1, 2, doubled, "setting")
    yield Mistake("doubled_display", 0.5, share / 3, 1, 0.5, halved, "setting")


def _angles(session: Session) -> Iterator[Mistake]:
    given = max((abs(r.angle_deg) for r in session.readings if r.angle_deg), default=0.0)
    weights = [math.exp(-((deg / UNLEVEL_SD_DEG) ** 2) / 2) for deg in UNLEVEL_DEG]
    for deg, weight in zip(UNLEVEL_DEG, weights, strict=True):
        factor = math.cos(math.radians(deg)) / math.cos(math.radians(given))
        share = ANGLE_SHARE * weight / sum(weights)
        yield Mistake("angle", factor, share, given, deg, Reason("off_level", angle_deg=deg))
    if given >= 2:
        factor = 1 / math.cos(math.radians(given))
        what = Reason("level_after_all", angle_deg=given)
        yield Mistake("angle", factor, ANGLE_SHARE, given, 0.0, what)


def _teeth(session: Session) -> Iterator[Mistake]:
    """Yield a hub's other ring, taken for the one the chain was on."""
    installed = session.installation
    large = installed.large_ring if installed else None
    small = installed.small_ring if installed else None
    if large and small and large != small:
        labels = {r.chainring for r in session.readings if r.chainring}
        on_small = "small" in labels or str(small) in labels
        factor = small / large if on_small else large / small
        entered, other = (small, large) if on_small else (large, small)
        what = Reason("other_ring", true_teeth=other, entered_teeth=entered)
        yield Mistake("swapped", factor, TEETH_SHARE, entered, other, what)
