"""Bench days of a fleet with known truth: meters that move, mechanics who slip now and then.

From the physics of the bench alone: what hangs, from which length, at which angle, what the
display shows. Nothing here knows how a slip is found. A day is one meter on the bench, or a run
of meters with one setup; a slip of the setup is made for the whole run.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from ingest.schema import TABLES

Row = dict[str, Any]

NOON = datetime(2026, 4, 6, 9, tzinfo=UTC)
BUOYANCY = 1 - 1.2 / 8000
GRAVITY = 9.8112
SETS = {"green": (20.0, 0.35), "blue": (19.6, 0.2), "red": (15.0, 0.5)}
LENGTHS_MM = (165.0, 167.5, 170.0, 172.5, 175.0)
PLATES_KG = (1.25, 2.5, 5.0)
LARGE, SMALL = 52, 36
CELLS: dict[str, tuple[tuple[str | None, str | None, str | None], ...]] = {
    "crank_spider": tuple((a, r, None) for r in ("small", "large") for a in ("left", "right")),
    "crank_arm_left": (("left", None, None),) * 3,
    "hub": ((None, str(LARGE), "up"), (None, str(LARGE), "down")) * 2,
}
"""Arm, ring and direction of each reading of a kind."""
SETUP_SLIPS = ("hanger_not_hung", "hanger_not_counted", "other_set", "plate", "pounds")
ORDINARY = {"length": 0.34, "hanger_not_hung": 0.28, "hanger_not_counted": 0.26, "other_set": 0.12}
EVERY = {
    **{"length": 0.24, "hanger_not_hung": 0.14, "hanger_not_counted": 0.14, "other_set": 0.08},
    **{"plate": 0.05, "pounds": 0.03, "torque_unit": 0.03, "tenfold": 0.03, "one_reading": 0.06},
    **{"sign": 0.02, "no_zero": 0.05, "angle": 0.05, "old_slope": 0.05, "cog": 0.02, "ring": 0.01},
}
"""How the slips of a day with one are shared out."""


@dataclass(frozen=True)
class World:
    """How meters move and how steady the mechanics' hands are.

    level_sd, drift_mean, drift_sd  100·ln and 100·ln a year; wander: per root year
    battery_sd   of a step at each battery swap, two a year
    crank_sd_mm  how far a crank is off its stamp; hang_sd, angle_sd_deg: each hanging
    zero_sd_nm   of reading the zero; step_nm: the display's
    reset_from   found error, %, from which a mechanic resets the slope
    struck       share of meters struck since they were last measured; recorded: of these
    """

    level_sd: float = 0.8
    drift_mean: float = 0.3
    drift_sd: float = 0.35
    wander: float = 0.35
    battery_sd: float = 0.0
    crank_sd_mm: float = 0.15
    hang_sd: float = 0.0012
    angle_sd_deg: float = 1.2
    zero_sd_nm: float = 0.02
    step_nm: float = 0.01
    gap_days: tuple[int, int] = (90, 220)
    reset_from: float = 1.0
    struck: float = 0.02
    recorded: float = 0.0
    past: int = 3
    length_known: float = 0.7
    kinds: tuple[tuple[str, float], ...] = (("crank_spider", 0.6), ("crank_arm_left", 0.4))
    slips: tuple[tuple[str, float], ...] = tuple(ORDINARY.items())

    def but(self, **changes: Any) -> World:
        return replace(self, **changes)


@dataclass
class Meter:
    """One meter's truth. level: 100·ln of its sensor at factory slope; slope: as programmed."""

    meter_id: str
    kind: str
    convention: str
    crank_mm: float
    true_mm: float
    slope: float
    level: float
    drift: float
    zero_nm: float
    length_known: bool
    slopes: list[float] = field(default_factory=list)

    def ratio(self) -> float:
        """Shown over true torque."""
        factory = 5.6 if self.convention == "multiplier" else 21.4
        set_to = self.slope / factory
        return math.exp(self.level / 100) * (
            set_to if self.convention == "multiplier" else 1 / set_to
        )

    @property
    def error_pct(self) -> float:
        """True gain error, %."""
        return 100 * (self.ratio() - 1)

    def reset(self, slope: float) -> None:
        """Programme another slope."""
        self.slopes.append(self.slope)
        self.slope = slope


@dataclass(frozen=True)
class Slip:
    """What a mechanic got wrong; amount: of the slip's own kind."""

    kind: str
    amount: float = 0.0
    place: int = 0


class Bench:
    """A fleet and its bench: makes meters with a past, and sessions with or without a slip."""

    def __init__(self, world: World, n: int, *, seed: int) -> None:
        self.world, self.rng = world, np.random.default_rng(seed)
        self.crashed: list[str] = []
        self.meters = [self._meter(k) for k in range(n)]
        self.past = self._pasts() if world.past else None

    def tables(self) -> dict[str, pl.DataFrame]:
        """The tables beside `bench`, typed."""
        meters = [
            {
                "meter_id": m.meter_id,
                "kind": m.kind,
                "model_group": m.kind,
                "in_service_date": NOON.date() - timedelta(days=900),
                "slope_convention": m.convention,
                "crank_length_mm": m.crank_mm if m.length_known else None,
            }
            for m in self.meters
        ]
        sets = [
            {"bench_id": b, "mass_kg": kg, "hanger_mass_kg": hanger, "mass_class": "M1"}
            for b, (kg, hanger) in SETS.items()
        ]
        fitted = [
            {
                "meter_id": m.meter_id,
                "from_date": NOON.date() - timedelta(days=900),
                "crank_id": f"c-{m.meter_id}",
                "large_ring": LARGE,
                "small_ring": SMALL,
            }
            for m in self.meters
        ]
        crashes = [
            {"meter_id": name, "date": (NOON - timedelta(days=3)).date(), "event": "crash"}
            for name in self.crashed
        ]
        return {
            "events": typed("events", crashes),
            "meters": typed("meters", meters),
            "mass_sets": typed("mass_sets", sets),
            "installations": typed("installations", fitted),
        }

    def _meter(self, k: int) -> Meter:
        w, rng = self.world, self.rng
        names, shares = zip(*w.kinds, strict=True)
        convention = str(rng.choice(["multiplier", "divisor"]))
        crank = float(rng.choice(LENGTHS_MM, p=[0.1, 0.1, 0.3, 0.4, 0.1]))
        return Meter(
            meter_id=f"M{k}",
            kind=str(rng.choice(names, p=np.array(shares) / sum(shares))),
            convention=convention,
            crank_mm=crank,
            true_mm=crank + rng.normal(0, w.crank_sd_mm),
            slope=round((5.6 if convention == "multiplier" else 21.4) * rng.normal(1, 0.002), 3),
            level=rng.normal(0, w.level_sd),
            drift=rng.normal(w.drift_mean, w.drift_sd),
            zero_nm=rng.normal(0, 0.15),
            length_known=bool(rng.uniform() < w.length_known),
        )

    def _pasts(self) -> pl.DataFrame:
        rows: list[Row] = []
        for meter in self.meters:
            gaps = self.rng.integers(*self.world.gap_days, self.world.past)
            at = NOON - timedelta(days=int(gaps.sum()))
            for k, gap in enumerate(gaps):
                made = self.session(meter, f"past-{meter.meter_id}-{k}", at, technician="Wren")
                found = found_pct(made, meter)
                if abs(found) > self.world.reset_from:
                    ratio = 1 + found / 100
                    up = meter.convention == "divisor"
                    meter.reset(round(meter.slope * ratio if up else meter.slope / ratio, 3))
                    for row in made:
                        row["slope_after"] = meter.slope
                rows += made
                self._age(meter, int(gap))
                at += timedelta(days=int(gap))
            if self.rng.uniform() < self.world.struck:
                meter.level += self.rng.choice((-1, 1)) * self.rng.uniform(1.5, 5)
                if self.world.recorded and self.rng.uniform() < self.world.recorded:
                    self.crashed.append(meter.meter_id)
        return typed("bench", rows)

    def _age(self, meter: Meter, days: int) -> None:
        w, years = self.world, days / 365.25
        meter.level += meter.drift * years + self.rng.normal(0, w.wander * math.sqrt(years))
        if w.battery_sd and self.rng.uniform() < 2 * years:
            meter.level += self.rng.normal(0, w.battery_sd)

    def slip(self, meter: Meter) -> Slip:
        """Draw an ordinary slip that this meter's session can have."""
        rng = self.rng
        allowed = dict(self.world.slips)
        if meter.kind != "hub":
            allowed = {k: v for k, v in allowed.items() if k not in ("cog", "ring")}
        if not meter.slopes:
            allowed.pop("old_slope", None)
        kinds, shares = list(allowed), np.array(list(allowed.values()))
        kind = str(rng.choice(kinds, p=shares / shares.sum()))
        sign = float(rng.choice((-1, 1)))
        amounts = {
            "length": sign * float(rng.choice((2.5, 5.0), p=(0.7, 0.3))),
            "plate": sign * float(rng.choice(PLATES_KG)),
            "torque_unit": float(rng.choice((0.737562, 8.850746, 0.101972))),
            "tenfold": float(rng.choice((0.1, 10.0))),
            "one_reading": float(rng.choice((0.1, 10.0, 1.09, 0.9))),
            "no_zero": sign * rng.uniform(0.3, 1.8),
            "angle": rng.uniform(8, 20),
            "cog": sign,
        }
        return Slip(kind, amounts.get(kind, 0.0), int(rng.integers(1, 4)))

    def session(
        self,
        meter: Meter,
        session_id: str,
        at: datetime,
        *,
        technician: str,
        slip: Slip | None = None,
    ) -> list[Row]:
        """One as-found session: two zeros around the hangings, as rows of `bench`."""
        w, rng = self.world, self.rng
        kind = slip.kind if slip else ""
        amount = slip.amount if slip else 0.0
        entered_kg, entered_hanger = SETS["green"]
        hung = sum(SETS["blue" if kind == "other_set" else "green"])
        if kind == "hanger_not_hung":
            hung -= entered_hanger
        if kind == "hanger_not_counted":
            entered_hanger = 0.0
        if kind == "plate":
            hung += amount
        if kind == "pounds":
            entered_kg = round(entered_kg / 0.45359237, 1)
        length = meter.crank_mm + (amount if kind == "length" else 0.0)
        cog = 17
        drive = (cog + (amount if kind == "cog" else 0)) / LARGE if meter.kind == "hub" else 1.0
        if kind == "ring":
            drive *= LARGE / SMALL
        friction = abs(rng.normal(0.01, 0.003)) if meter.kind == "hub" else 0.0
        offset = meter.zero_nm + (amount if kind == "no_zero" else 0.0)
        level = rng.normal(0, w.angle_sd_deg) + (amount if kind == "angle" else 0.0)
        slope = meter.slopes[-1] if kind == "old_slope" else meter.slope
        common: Row = {
            "session_id": session_id,
            "meter_id": meter.meter_id,
            "measured_at": at,
            "bench_id": "green",
            "technician": technician,
            "mass_kg": entered_kg,
            "hanger_mass_kg": entered_hanger,
            "crank_length_mm": length,
            "gravity_ms2": GRAVITY,
            "stage": "as_found",
            "slope_before": slope,
            "loading_path": "crank" if meter.kind == "hub" else None,
            "cog_teeth": cog if meter.kind == "hub" else None,
        }
        rows: list[Row] = []
        cells = CELLS[meter.kind]
        for k, (arm, ring, way) in enumerate(cells):
            tilt = math.radians(level + rng.normal(0, 0.5))
            nm = hung * GRAVITY * meter.true_mm / 1000 * BUOYANCY * math.cos(tilt) * drive
            nm *= 1 - friction * {"up": 1, "down": -1, None: 0}[way]
            shown = nm * meter.ratio() * (1 + rng.normal(0, w.hang_sd)) + offset
            if kind in ("torque_unit", "tenfold"):
                shown *= amount
            if kind == "sign":
                shown = -shown
            if kind == "one_reading" and k == slip.place % len(cells):  # type: ignore[union-attr]
                shown *= amount
            place = {"load": "mass", "arm": arm, "chainring": ring, "direction": way}
            rows.append(common | place | {"torque_nm": self._shown(shown)})
        if kind != "no_zero":
            unit = amount if kind in ("torque_unit", "tenfold") else 1.0
            zeros = [offset * unit + rng.normal(0, w.zero_sd_nm) for _ in range(2)]
            zero = common | {"load": "zero"}
            rows = [
                zero | {"torque_nm": self._shown(zeros[0])},
                *rows,
                zero | {"torque_nm": self._shown(zeros[1])},
            ]
        for k, row in enumerate(rows):
            row["reading"] = k + 1
        return rows

    def _shown(self, nm: float) -> float:
        step = self.world.step_nm
        return round(round(nm / step) * step, 6)


def found_pct(rows: Sequence[Row], meter: Meter) -> float:
    """What a mechanic works out by hand from an honest session, %."""
    zeros = [row["torque_nm"] for row in rows if row["load"] == "zero"]
    hung = [row for row in rows if row["load"] == "mass"]
    drive = hung[0]["cog_teeth"] / LARGE if meter.kind == "hub" else 1.0
    total = hung[0]["mass_kg"] + hung[0]["hanger_mass_kg"]
    nm = total * GRAVITY * hung[0]["crank_length_mm"] / 1000 * BUOYANCY * drive
    mean = sum(row["torque_nm"] for row in hung) / len(hung) - sum(zeros) / len(zeros)
    return 100 * (mean / nm - 1)


def typed(name: str, rows: Sequence[Row]) -> pl.DataFrame:
    """Rows as a typed table of the schema."""
    return TABLES[name].conform(pl.DataFrame(list(rows), infer_schema_length=None))
