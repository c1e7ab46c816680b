"""One bench session as it was measured: its readings, and what is known about its inputs."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime

from models.bench.measurement.kinds import KindRule
from models.metrology import Gravity, Load
from models.wording import Reason

ZERO, MASS = "zero", "mass"
AS_FOUND, AFTER_WORK, AS_LEFT = "as_found", "after_work", "as_left"
STAGES = (AS_FOUND, AFTER_WORK, AS_LEFT)


@dataclass(slots=True)
class Reading:
    """One row of the table, with what was computed for it. Torques in N·m.

    decimals     of torque_nm as it was typed
    position     time in s, else the reading's number, else the row's: for order only
    expected_nm  None for a reading with a mass whose inputs are missing
    zero_nm      None where its stage has no zero reading
    ratio        shown over expected torque, the zero taken off
    reason       why a reading with a mass is not used
    """

    stage: str
    load: str
    direction: str | None
    chainring: str | None
    arm: str | None
    torque_nm: float
    sd_nm: float | None
    position: float
    decimals: int = 0
    hung: Load | None = None
    length_mm: float | None = None
    gravity_ms2: float = 0.0
    angle_deg: float | None = None
    expected_nm: float | None = None
    zero_nm: float | None = None
    ratio: float | None = None
    reason: Reason | None = None

    @property
    def cell(self) -> tuple[str | None, str | None]:
        """Arm and chainring: readings of one cell are averaged before cells are."""
        return self.arm, self.chainring


@dataclass(frozen=True, slots=True)
class Meter:
    """What the table of meters says of one; None: nothing."""

    convention: str | None = None
    factory_slope: float | None = None
    slope_step: float | None = None
    slope_min: float | None = None
    slope_max: float | None = None
    crank_length_mm: float | None = None
    tolerance_pct: float | None = None
    torque_step_nm: float | None = None
    group: str | None = None
    static_check: bool | None = None


@dataclass(frozen=True, slots=True)
class Installation:
    """Where the meter sat on the day of the session; lengths in mm."""

    from_date: date | None
    to_date: date | None
    crank_id: str | None
    crank_length_mm: float | None
    programmed_mm: float | None
    large_ring: int | None
    small_ring: int | None
    oval: bool

    def covers(self, day: date) -> bool:
        """Return whether the meter sat there on a day; the last day counts."""
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

    known_length_mm  crank length of the installation, else of the meter's row
    kind_unknown     no table says what kind of meter it is
    u_length_mm      standard uncertainty of crank_length_mm
    cog_teeth        of a hub loaded through its chain
    loss_half_width  limit of a hub's chain loss by stage, as a fraction
    refusal          why the session proves nothing
    assumptions      what was taken because it was not given
    """

    session_id: str
    meter_id: str
    measured_at: datetime | None
    rule: KindRule
    meter: Meter
    installation: Installation | None
    gravity: Gravity
    kind_unknown: bool = False
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
    cog_teeth: int | None = None
    loss_half_width: dict[str, float] = field(default_factory=dict)
    tolerance_pct: float = 1.5
    incomplete: bool = False
    readings: list[Reading] = field(default_factory=list)
    refusal: Reason | None = None
    assumptions: list[Reason] = field(default_factory=list)

    @property
    def crank_id(self) -> str | None:
        """The installation's crank, else the meter's name with this crank length."""
        if self.installation is not None and self.installation.crank_id:
            return self.installation.crank_id
        if self.crank_length_mm is None:
            return None
        return f"{self.meter_id} {self.crank_length_mm:g} mm"

    def assume(self, assumption: Reason) -> None:
        """Note an assumption, once."""
        if assumption not in self.assumptions:
            self.assumptions.append(assumption)
