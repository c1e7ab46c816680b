"""From the contract's tables to sessions: every input looked up where it is known best.

A row's own value wins. A value left out in one row of a session is taken from its other rows
(spreadsheets often carry a session's own columns in its first row only), then from the mass
set, the place, the installation or the meter, then from the documented default.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import polars as pl

from models.bench.measurement.budget_terms import ANGLE_BY_EYE_DEG
from models.bench.measurement.kinds import rule_of
from models.bench.measurement.readings import (
    AS_FOUND,
    MASS,
    Installation,
    Meter,
    Reading,
    Session,
    Slopes,
)
from models.bench.measurement.reference_data import (
    NO_MASS_SET,
    NO_PLACE,
    MassSet,
    ReferenceData,
    clean,
)
from models.metrology import (
    Drive,
    Load,
    MassLimits,
    decimals_shown,
    expected_torque_nm,
    load_of,
    local_gravity,
)
from models.wording import Reason

DEFAULT_LENGTH_LIMIT_MM = 0.5
CHAIN_LOSS, CHAIN_LOSS_LIMIT = 0.015, 0.015
"""A hub loaded through the chain in one direction only: 1.5 % ± 1.5 % lost (rectangular).

Pedalled chains lose some 2 to 3 % (Martin et al. 1998: 97.7 % efficient); at rest friction
holds back anything from nothing to as much."""
CHAIN_LOSS_LEFT = 0.0075
"""What may be left of the loss where friction was averaged over up and down: half of the above
(rectangular), for friction need not be the same both ways. The same at each session."""
SAME_MASS_KG = 0.0015

Columns = dict[str, list[Any]]


def read_sessions(
    tables: Mapping[str, pl.DataFrame],
    data: ReferenceData,
    *,
    tolerance_pct: float,
    incomplete: frozenset[str],
) -> list[Session]:
    """Return the sessions of the bench table in the order of their first rows, inputs resolved.

    tolerance_pct: of meters that have none of their own; incomplete: session_ids that lost rows
    at intake. Rows of one session_id that name different meters are sessions of their own.
    """
    if "bench" not in tables:
        return []
    frame = clean(tables["bench"], "bench")
    columns: Columns = {name: frame[name].to_list() for name in frame.columns}
    groups: dict[tuple[str, str], list[int]] = {}
    for i, key in enumerate(zip(columns["session_id"], columns["meter_id"], strict=True)):
        groups.setdefault(key, []).append(i)
    sessions = []
    for (session_id, meter_id), rows in groups.items():
        try:
            session = _Builder(columns, rows, data).session()
        except (ArithmeticError, LookupError, TypeError, ValueError) as error:
            session = _unreadable(session_id, meter_id, error)
        session.tolerance_pct = session.meter.tolerance_pct or tolerance_pct
        session.incomplete = session.session_id in incomplete
        sessions.append(session)
    return sessions


def _unreadable(session_id: str, meter_id: str, error: Exception) -> Session:
    """Return a session for inputs that make no sense: it keeps its row, and says so."""
    return Session(
        session_id=session_id,
        meter_id=meter_id,
        measured_at=None,
        rule=rule_of(None),
        meter=Meter(),
        installation=None,
        gravity=local_gravity(),
        refusal=Reason("inputs_unreadable", problem=f"{type(error).__name__}: {error}"),
    )


class _Builder:
    """Builds one session from its row numbers."""

    def __init__(self, columns: Columns, rows: list[int], data: ReferenceData) -> None:
        torque = columns["torque_nm"]
        self.columns, self.rows, self.data = columns, rows, data
        self.used = [i for i in rows if torque[i] is not None]
        self.loads: dict[tuple[Any, ...], Load | None] = {}
        self.last_mass: float | None = None
        self.stated = self.first("mass_tolerance_g"), self.first("mass_class")

    def first(self, name: str) -> Any:
        """Return the first value that the session's rows give; None: none does."""
        column = self.columns[name]
        return next((column[i] for i in self.rows if column[i] is not None), None)

    def session(self) -> Session:
        """Return the session with its readings and assumptions."""
        meter_id = self.columns["meter_id"][self.rows[0]]
        at = self.first("measured_at")
        kind, meter = self.data.meters.get(meter_id, (None, Meter()))
        place = self.data.places.get(self.first("place_id") or "", NO_PLACE)
        installation = self.data.installation(meter_id, at.date() if at else None)
        session = Session(
            session_id=self.columns["session_id"][self.rows[0]],
            meter_id=meter_id,
            measured_at=at,
            rule=rule_of(kind),
            kind_unknown=kind is None,
            meter=meter,
            installation=installation,
            gravity=local_gravity(
                self.first("gravity_ms2"),
                place_ms2=place["gravity_ms2"],
                latitude_deg=_either(self.first("latitude_deg"), place["latitude_deg"]),
                altitude_m=_either(self.first("altitude_m"), place["altitude_m"]),
            ),
            **{name: self.first(name) for name in ("bench_id", "place_id", "technician")},
            workshop=place["workshop"],
            temperature_c=self.first("temperature_c"),
            soak_min=self.first("soak_min"),
            slopes=Slopes(
                **{
                    f"{when}{side}": self.first(f"slope_{when}{side}")
                    for when in ("before", "after")
                    for side in ("", "_left", "_right")
                }
            ),
        )
        self._crank(session)
        self._readings(session)
        self._assumptions(session)
        return session

    def _crank(self, session: Session) -> None:
        """Set the crank length: a row's own, else the installation's, else the meter's."""
        installed = session.installation.crank_length_mm if session.installation else None
        session.known_length_mm = _either(installed, session.meter.crank_length_mm)
        session.crank_length_mm = _either(self.first("crank_length_mm"), session.known_length_mm)
        limit = self.first("crank_length_tolerance_mm")
        if limit is None:
            limit = DEFAULT_LENGTH_LIMIT_MM
            session.assume(Reason("length_limit_assumed", limit_mm=limit))
        session.u_length_mm = limit / math.sqrt(3)

    def _readings(self, session: Session) -> None:
        through_chain = session.rule.through_chain
        path = self._path(session) if through_chain else "crank"
        losses = self._chain_losses(session) if path == "crank" and through_chain else None
        session.cog_teeth = None if losses is None else self.first("cog_teeth")
        for i, position in zip(self.used, self._positions(), strict=True):
            reading = self._reading(i, position)
            if reading.load == MASS:
                self._hang(reading, i, session)
                drive = None if losses is None else self._drive(i, losses[reading.stage], session)
                if losses is not None and drive is None:
                    reading.reason = Reason("no_teeth")
                else:
                    _expect(reading, drive)
            session.readings.append(reading)

    def _reading(self, i: int, position: float) -> Reading:
        c = self.columns
        return Reading(
            stage=c["stage"][i] or AS_FOUND,
            load=c["load"][i] or MASS,
            direction=c["direction"][i],
            chainring=c["chainring"][i],
            arm=c["arm"][i],
            torque_nm=c["torque_nm"][i],
            decimals=decimals_shown(c["torque_nm"][i], c["torque_decimals"][i]),
            sd_nm=c["reading_sd_nm"][i],
            position=position,
        )

    def _hang(self, reading: Reading, i: int, session: Session) -> None:
        """Set what hangs, from which length, at which angle."""
        c = self.columns
        bench_id = _either(c["bench_id"][i], session.bench_id)
        key = (c["mass_kg"][i], c["hanger_mass_kg"][i], *self._limits(i), bench_id)
        if key not in self.loads:
            self.loads[key] = self._load(key, session)
        reading.hung = self.loads[key]
        own = c["gravity_ms2"][i]
        reading.gravity_ms2 = session.gravity.value_ms2 if own is None else own
        reading.length_mm = _either(c["crank_length_mm"][i], session.crank_length_mm)
        reading.angle_deg = c["crank_angle_deg"][i]
        if session.rule.refuses_arm(reading.arm):
            reading.reason = Reason("arm_not_seen", title=session.rule.title, arm=reading.arm)

    def _limits(self, i: int) -> tuple[float | None, str | None]:
        tolerance, mass_class = self.columns["mass_tolerance_g"][i], self.columns["mass_class"][i]
        if tolerance is None and mass_class is None:
            return self.stated
        return tolerance, mass_class

    def _load(self, key: tuple[Any, ...], session: Session) -> Load | None:
        """Return the load of a row; None where neither it nor its mass set gives a mass."""
        mass, hanger, tolerance, mass_class, bench_id = key
        kept = self.data.mass_sets.get(bench_id or "", NO_MASS_SET)
        if mass is None:
            mass = _either(kept.mass_kg, self.last_mass)
        if mass is None:
            return None
        self.last_mass = mass
        if hanger is None:
            hanger = _hanger(mass, kept, session)
        limits = kept.limits
        if tolerance is not None or mass_class is not None:
            limits = MassLimits(tolerance, mass_class, kept.limits.source)
        load = load_of(mass, hanger, limits=limits)
        for assumption in load.notes:
            session.assume(assumption)
        return load if load.total_kg > 0 else None

    def _path(self, session: Session) -> str:
        """Return how a hub is loaded: as written; else through the chain where a cog is given."""
        written = self.first("loading_path")
        path = written or ("crank" if self.first("cog_teeth") else "lever_on_cassette")
        oval = session.installation is not None and session.installation.oval
        if path == "crank" and oval:
            session.refusal = Reason("oval_through_crank")
        if written is None and path != "crank":
            session.assume(Reason("lever_assumed"))
        return str(path)

    def _chain_losses(self, session: Session) -> dict[str, float]:
        """Return the chain's relative loss by stage: none in the mean of up and down."""
        ways: dict[str, set[str | None]] = {}
        for i in self.used:
            if (self.columns["load"][i] or MASS) == MASS:
                stage = self.columns["stage"][i] or AS_FOUND
                ways.setdefault(stage, set()).add(self.columns["direction"][i])
        return {stage: _chain_loss(session, stage, found) for stage, found in ways.items()}

    def _drive(self, i: int, loss: float, session: Session) -> Drive | None:
        cog = _either(self.columns["cog_teeth"][i], self.first("cog_teeth"))
        ring = _ring_teeth(self.columns["chainring"][i], session.installation)
        return Drive(cog, ring, loss) if cog and ring else None

    def _through_cog(self) -> bool:
        """Return whether a cog is given and nothing says that the masses hung from a lever."""
        return bool(self.first("cog_teeth")) and self.first("loading_path") != "lever_on_cassette"

    def _positions(self) -> list[float]:
        """Return where in the session each row stands: its time, its number, or its row."""
        at = [self.columns["measured_at"][i] for i in self.used]
        if None not in at and 1 < len(set(at)) == len(at):
            return [t.timestamp() for t in at]
        numbers = [self.columns["reading"][i] for i in self.used]
        if None not in numbers and len(set(numbers)) == len(numbers):
            return [float(n) for n in numbers]
        return [float(k) for k in range(len(self.used))]

    def _assumptions(self, session: Session) -> None:
        """Note refusals and assumptions that concern the session as a whole."""
        if session.gravity.note:
            session.assume(session.gravity.note)
        if session.meter.static_check is False:
            session.refusal = Reason("turning_only")
        if session.kind_unknown and self._through_cog():
            session.refusal = Reason("kind_unknown")
        if any(r.sd_nm for r in session.readings):
            session.assume(Reason("reading_sd_taken"))
        if any(r.load == MASS and r.angle_deg is None for r in session.readings):
            session.assume(Reason("levelled_by_eye", sd_deg=ANGLE_BY_EYE_DEG))
        due_on = self.data.mass_sets.get(session.bench_id or "", NO_MASS_SET).due_on
        at = session.measured_at
        if due_on is not None and at is not None and at.date() > due_on:
            session.assume(Reason("set_overdue", due_on=due_on))


def _chain_loss(session: Session, stage: str, ways: set[str | None]) -> float:
    """Return a stage's chain loss by the ways it was loaded; note its limit and say so."""
    if {"up", "down"} <= ways:
        session.loss_half_width[stage] = CHAIN_LOSS_LEFT
        session.assume(Reason("chain_both_ways", limit_pct=100 * CHAIN_LOSS_LEFT))
        return 0.0
    session.loss_half_width[stage] = CHAIN_LOSS_LIMIT
    session.assume(
        Reason("chain_one_way", loss_pct=100 * CHAIN_LOSS, limit_pct=100 * CHAIN_LOSS_LIMIT)
    )
    return -CHAIN_LOSS if ways == {"down"} else CHAIN_LOSS


def _expect(reading: Reading, drive: Drive | None) -> None:
    """Set the expected torque, or the reason why there is none."""
    if reading.hung is None:
        reading.reason = reading.reason or Reason("no_mass")
        return
    if reading.length_mm is None:
        reading.reason = reading.reason or Reason("no_length")
        return
    expected = expected_torque_nm(
        reading.hung.total_kg,
        reading.length_mm,
        gravity_ms2=reading.gravity_ms2,
        angle_deg=reading.angle_deg or 0.0,
        drive=drive,
    )
    if expected > 0:
        reading.expected_nm = expected
    else:
        reading.reason = reading.reason or Reason("no_torque")


def _hanger(mass_kg: float, kept: MassSet, session: Session) -> float:
    """Return the hanger, kg, of a row that gives none: its set's, unless the mass includes it."""
    hanger = kept.hanger_kg
    if not hanger:
        return 0.0
    if kept.mass_kg is not None and abs(mass_kg - kept.mass_kg - hanger) <= SAME_MASS_KG:
        session.assume(Reason("hanger_included", mass_kg=mass_kg))
        return 0.0
    session.assume(Reason("hanger_of_set", hanger_kg=hanger))
    return hanger


def _ring_teeth(chainring: str | None, installation: Installation | None) -> float | None:
    """Return the teeth of the ring the chain is on: a count as written, or the installation's."""
    if chainring is not None and chainring.strip().isdigit():
        return float(chainring)
    if installation is None:
        return None
    rings = [r for r in (installation.large_ring, installation.small_ring) if r]
    if chainring == "large":
        return installation.large_ring
    if chainring == "small":
        return installation.small_ring
    return rings[0] if len(rings) == 1 else None


def _either(first: Any, second: Any) -> Any:
    return second if first is None else first
