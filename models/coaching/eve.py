"""A meter found out within two days of an A race: what can still be done, and its risk.

Common practice, not a standard: look again before anything is changed; nothing untested goes to
the start. What is done depends on the cause: a sudden step may come back, a slow drift is known
and stays what it is for a day, a slope that cannot be set never changes.
"""

from datetime import date, timedelta
from typing import TypedDict

import polars as pl

from ingest.schema import in_force
from models.coaching.documents import Cause, RaceEve, RaceOption
from models.metrology import Z90, Array, Mask
from models.records import typed_rows
from models.season import days_between, exposure_of
from models.status import SideForecast, lower_side, p_within
from models.wording import chance

EVE_DAYS = 2
STEP_DAYS = 60  # a step alarm that recent is the cause
SOUND = 0.90
LOOK_FIRST = (
    "Check crank length and other settings, battery and zero offset, and hang the masses again."
)
NEVER = "No firmware update, no remount and no untested meter within 48 hours of the start."
EXAMPLE_W = 300.0


class _Meter(TypedDict):
    meter_id: str
    kind: str
    crank_length_mm: float | None
    slope_convention: str | None
    state: str | None


def race_is_near(calendar: pl.DataFrame, *, today: date) -> bool:
    """Return whether anyone rides an A race within the days that are looked at."""
    near = in_force(today, today + timedelta(days=EVE_DAYS))
    return not calendar.filter((pl.col("priority") == "A") & near).is_empty()


def race_eve(
    meters: pl.DataFrame,
    errors_pct: tuple[Array, Array],
    tables: dict[str, pl.DataFrame],
    alarms: pl.DataFrame,
    *,
    today: date,
    sides: SideForecast | None = None,
) -> list[RaceEve]:
    """Return options for every meter that is more likely out than in before an A race.

    In   meters: the roster's meters that are not gone (meter_id, tolerance_pct, kind,
         crank_length_mm, slope_convention, state); errors_pct: their mean and sd today, [M]
         sides: of pairs, which are within tolerance as their worse side is
         tables: calendar, assignments; alarms: device_kind,
         device_id, kind, date
    """
    mean_pct, sd_pct = errors_pct
    days = days_between(today, today + timedelta(days=EVE_DAYS))
    ids = meters["meter_id"].to_list()
    exposure = exposure_of(ids, days, tables["calendar"], tables["assignments"])
    tolerance = meters["tolerance_pct"].cast(pl.Float64).to_numpy()
    p = lower_side(p_within(mean_pct, sd_pct, tolerance), sides, tolerance)
    rows: list[RaceEve] = []
    for m, row in enumerate(typed_rows(meters, _Meter)):
        if exposure.first_a[m] < 0 or not p[m] < 0.5:
            continue
        cause = _cause(row, alarms, today)
        options = [_translate(row["meter_id"], float(mean_pct[m]), float(sd_pct[m]), cause)]
        if cause == "step":
            options = [*_stand_ins(meters, p, exposure.first_a >= 0, m), *options]
        rows.append(
            {
                "meter_id": row["meter_id"],
                "rider_id": exposure.rider[m],
                "race_on": days[int(exposure.first_a[m])],
                "p_within_tolerance": float(p[m]),
                "cause": cause,
                "first": LOOK_FIRST,
                "options": options,
                "never": NEVER,
            }
        )
    return rows


def _cause(row: _Meter, alarms: pl.DataFrame, today: date) -> Cause:
    recent = alarms.filter(
        (pl.col("device_kind") == "meter")
        & (pl.col("device_id") == row["meter_id"])
        & (pl.col("kind") == "step")
        & (pl.col("date") >= today - timedelta(days=STEP_DAYS))
    )
    if recent.height:
        return "step"
    return "fixed" if row["slope_convention"] == "fixed" else "drift"


def _translate(meter_id: str, mean_pct: float, sd_pct: float, cause: Cause) -> RaceOption:
    """Return the option to leave the meter and translate the targets."""
    shown = EXAMPLE_W * (1 + mean_pct / 100)
    give = EXAMPLE_W * Z90 * sd_pct / 100
    after = {
        "drift": "Reset its slope after the race.",
        "fixed": "Its slope cannot be set: keep translating.",
        "step": "Only if no sound meter is at hand: what stepped once may step again.",
    }[cause]
    return {
        "do": f"Leave {meter_id} as it is and translate the targets: {EXAMPLE_W:.0f} W true = "
        f"{shown:.0f} W shown (± {give:.0f}). {after}",
        "risk": f"in nine cases of ten the targets are right to within {Z90 * sd_pct:.1f} %"
        + (", unless it steps again" if cause == "step" else ""),
        "meter_id": meter_id,
        "shown_w": shown,
        "u_shown_w": give / Z90,
    }


def _stand_ins(meters: pl.DataFrame, p: Array, racing: Mask, wanted: int) -> list[RaceOption]:
    """Return up to three sound meters that would fit and nobody races on, soundest first."""
    rows = typed_rows(meters, _Meter)
    target = rows[wanted]
    fits = [
        m
        for m, row in enumerate(rows)
        if m != wanted
        and p[m] >= SOUND
        and not racing[m]
        and row["kind"] == target["kind"]
        and (row["crank_length_mm"] == target["crank_length_mm"] or "pedal" in str(row["kind"]))
        and row["state"] in (None, "active", "spare")
    ]
    return [
        {
            "do": f"Fit {rows[m]['meter_id']}, and ride it for ten minutes against a second "
            "meter or a trainer before it goes to the start.",
            "risk": f"{chance(1 - float(p[m]))} that it is out of tolerance too",
            "meter_id": rows[m]["meter_id"],
            "p_within_tolerance": float(p[m]),
        }
        for m in sorted(fits, key=lambda m: -p[m])[:3]
    ]
