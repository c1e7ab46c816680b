"""One bench session as it was measured: its readings, and what is known about its inputs."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime

from models.bench.measurement.kinds import KindRule
from models.metrology import Gravity, Load

ZERO, MASS = "zero", "mass"
AS_FOUND, AFTER_WORK, AS_LEFT = "as_found", "after_work", "as_left"
STAGES = (AS_FOUND, AFTER_WORK, AS_LEFT)


@dataclass(slots=True)
class Reading:
    """One row. Torques in N·m; position: time in s, else the reading's number, else the row's.

    expected_nm is None for a mass reading whose inputs are missing, zero_nm None without a
    zero reading of its stage; reason says why a reading with a mass is not used.
    """

    stage: str
    load: str
    direction: str | None
    chainring: str | None
    arm: str | None
    torque_nm: float
    sd_nm: float | None
    position: float
    hung: Load | None = None
    length_mm: float | None = None
    gravity_ms2: float = 0.0
    angle_deg: float | None = None
    expected_nm: float | None = None
    zero_nm: float | None = None
    ratio: float | None = None
    reason: str | None = None

    @property
    def cell(self) -> tuple[str | None, str | None]:
        return self.arm, self.chainring


@dataclass(frozen=True, slots=True)
class Meter:
    """What the meters table says; None: not said."""

    convention: str | None = None
    factory_slope: float | None = None
    slope_step: float | None = None
    slope_min: float | None = None
    slope_max: float | None = None
    crank_length_mm: float | None = None
    tolerance_pct: float | None = None
    static_check: bool | None = None


@dataclass(frozen=True, slots=True)
class Installation:
    """Where the meter sat on the day of the session."""

    from_date: date | None
    to_date: date | None
    crank_id: str | None
    crank_length_mm: float | None
    programmed_mm: float | None
    large_ring: int | None
    small_ring: int | None
    oval: bool

    def covers(self, day: date) -> bool:
        started = self.from_date is None or self.from_date <= day
        return started and (self.to_date is None or day <= self.to_date)


@dataclass(frozen=True, slots=True)
class Slopes:
    """The programmed slope before and after, of the meter and of its sides."""

    before: float | None = None
    after: float | None = None
    before_left: float | None = None
    after_left: float | None = None
    before_right: float | None = None
    after_right: float | None = None


@dataclass(slots=True)
class Session:
    """A bench session: every input resolved, nothing evaluated yet.

    u_length_mm is the standard uncertainty of crank_length_mm; loss_half_width the limit
    (relative) of a hub's chain loss; refusal says why the session proves nothing; notes are
    the assumptions in words.
    """

    session_id: str
    meter_id: str
    measured_at: datetime | None
    rule: KindRule
    meter: Meter
    installation: Installation | None
    gravity: Gravity
    bench_id: str | None = None
    place_id: str | None = None
    workshop: str | None = None
    technician: str | None = None
    temperature_c: float | None = None
    soak_min: float | None = None
    slopes: Slopes = field(default_factory=Slopes)
    crank_length_mm: float | None = None
    known_length_mm: float | None = None
    u_length_mm: float = 0.0
    loss_half_width: float = 0.0
    tolerance_pct: float = 1.5
    incomplete: bool = False
    readings: list[Reading] = field(default_factory=list)
    refusal: str | None = None
    notes: list[str] = field(default_factory=list)

    @property
    def crank_id(self) -> str | None:
        """The installation's crank, else the meter with this crank length."""
        if self.installation is not None and self.installation.crank_id:
            return self.installation.crank_id
        if self.crank_length_mm is None:
            return None
        return f"{self.meter_id} {self.crank_length_mm:g} mm"

    def note(self, text: str) -> None:
        if text not in self.notes:
            self.notes.append(text)
