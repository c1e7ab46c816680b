"""Say how each group and each meter ages, steps at battery swaps apart: the `ageing` document."""

from datetime import date, timedelta
from typing import Any, TypedDict

import numpy as np
import polars as pl

from models.ageing.run_length import shewhart_limit
from models.fleet import FleetFit
from models.metrology import DAYS_A_YEAR, Z90, Array, date_of, percent_from_ln, year_of
from models.wording import Reason

SHARE_OF_BUDGET = 0.1
"""Of the false alarms allowed a season, the part that the rates' control limits may use."""
OWN_SCALE_WORTH = 8.0
"""Meters that the model's own spread of rates is worth beside what the group's meters show."""
FINE_FLEET = 100  # meters up to which courses are drawn by months, else by quarters
YEARS_AHEAD = 2.0
SHAPED = 0.1  # a year: less is a line to whoever looks
LEAST_RATE = 0.1  # % a year: nothing is so many times as fast as less


class ChangePoint(TypedDict):
    """How far a sensor has moved since new, resets added back; null: not known yet."""

    date: date
    age_years: float
    change_pct: float


class MeterAgeing(TypedDict):
    """One meter's ageing. drift_… in 100·ln a year, of the year to come; swap_… in percent.

    swap_pct: the mean of its steps at battery swaps (None: it had none); outside: beyond
    limits_pct_per_year, the control limits of a meter with so much known of it; serial,
    purchased, firmware: what batch it is of, as far as known
    """

    meter_id: str
    age_years: float
    drift_pct_per_year: float
    interval90_pct_per_year: list[float]
    outside: bool
    limits_pct_per_year: list[float]
    swap_pct: float | None
    swap_interval90_pct: list[float] | None
    swaps: int
    serial: str | None
    purchased: str | None
    firmware: str | None
    points: list[ChangePoint]
    swap_points: list[ChangePoint]


class CoursePoint(TypedDict):
    """A group's mean change at an age, its 90 % interval, and what holds 90 % of its meters."""

    age_years: float
    change_pct: float
    interval90_pct: list[float]
    meters90_pct: list[float]


class GroupAgeingDocument(TypedDict):
    """One group's ageing; the interval is of its meters' mean.

    shape_per_year: 0: a line; above: it settles at that rate; below: it speeds up
    swap_pct None: none of its meters had a battery swap
    course: with age, up to two years beyond the oldest meter; text: it in words
    """

    model_group: str
    n_meters: int
    drift_pct_per_year: float
    interval90_pct_per_year: list[float]
    swap_pct: float | None
    swap_interval90_pct: list[float] | None
    shape_per_year: float
    text: str
    meters: list[MeterAgeing]
    course: list[CoursePoint]


class AgeingDocument(TypedDict):
    """How the fleet ages. limit_sd: the control limits in sd; false_alarms_per_season: of them."""

    as_of: date
    false_alarms_per_season: float
    limit_sd: float
    groups: list[GroupAgeingDocument]


def ageing_document(
    fleet: FleetFit,
    roster: pl.DataFrame,
    events: pl.DataFrame,
    *,
    false_alarms_per_season: float,
) -> AgeingDocument:
    """Return the `ageing` document of the meters in use.

    In   roster: meter_id, gone, in_service_date, and where known serial_number, purchase_date;
         events: meter_id, date, event, note (of battery swaps and firmware)
    """
    here = roster.filter(~pl.col("gone"))
    rates = fleet.ageing()
    meters = rates.meters.filter(pl.col("meter_id").is_in(here["meter_id"].to_list()))
    allowed = SHARE_OF_BUDGET * false_alarms_per_season
    z = shewhart_limit(max(meters.height, 1) / allowed) if meters.height else 0.0
    courses = _Courses(fleet, here, events)
    groups = [
        _group(fleet, row, meters.filter(pl.col("group") == row["group"]), courses, z)
        for row in rates.groups.iter_rows(named=True)
    ]
    return {
        "as_of": fleet.today,
        "false_alarms_per_season": allowed,
        "limit_sd": float(z),
        "groups": sorted(
            (group for group in groups if group["n_meters"]),
            key=lambda group: -group["n_meters"],
        ),
    }


class _Courses:
    """The meters' courses with age, drawn from once for all groups."""

    def __init__(self, fleet: FleetFit, here: pl.DataFrame, events: pl.DataFrame) -> None:
        self.fleet, devices = fleet, fleet.prepared.devices
        self.row = {name: i for i, name in enumerate(devices.meters)}
        step = 30.4375 if here.height <= FINE_FLEET else 91.3125
        first = self._first_known()
        years = float(year_of(fleet.today) - first.min()) if first.size else 0.0
        back = np.arange(round(years * DAYS_A_YEAR / step), -1, -1) * step
        self.days = [fleet.today - timedelta(days=round(days)) for days in back]
        self.t = np.array([year_of(day) for day in self.days])
        self.changes = percent_from_ln(fleet.changes(self.days))
        self.changes[self.t[None, :] < first[:, None]] = np.nan
        self.about = {about["meter_id"]: about for about in here.iter_rows(named=True)}
        named = events.filter(pl.col("meter_id").is_not_null()).sort("date")
        firmware = named.filter(pl.col("event") == "firmware_update")
        self.firmware = dict(firmware.select("meter_id", "note").iter_rows())

    def _first_known(self) -> Array:
        """Return when each meter was first observed, or came into service if later [M]."""
        obs, devices = self.fleet.prepared.obs, self.fleet.prepared.devices
        first = np.full(len(devices.meters), year_of(self.fleet.today))
        np.minimum.at(first, obs.owner, obs.t)
        return np.asarray(np.maximum(first, devices.service))

    def age(self, meter: int, t: Array | float) -> Array:
        """Return a meter's age at instants, years."""
        return np.asarray(t - self.fleet.prepared.devices.service[meter])

    def points(self, meter: int) -> list[ChangePoint]:
        """Return a meter's course."""
        known = np.flatnonzero(np.isfinite(self.changes[meter]))
        age = self.age(meter, self.t)
        return [
            {
                "date": self.days[k],
                "age_years": float(age[k]),
                "change_pct": float(self.changes[meter, k]),
            }
            for k in known.tolist()
        ]

    def swaps(self, meter: int) -> list[ChangePoint]:
        """Return where on its course a meter got a battery."""
        at, _ = self.fleet.prepared.events["swap"].events_of(meter)
        known = np.isfinite(self.changes[meter])
        if not known.any():
            return []
        at = at[(at >= self.t[known][0]) & (at <= self.t[-1])]
        height = np.interp(at, self.t[known], self.changes[meter][known])
        return [
            {"date": date_of(t), "age_years": float(self.age(meter, t)), "change_pct": float(y)}
            for t, y in zip(at, height, strict=True)
        ]


def _group(
    fleet: FleetFit, row: dict[str, float], meters: pl.DataFrame, courses: _Courses, z: float
) -> GroupAgeingDocument:
    name = str(row["group"])
    scale = _scale(meters)
    rows = [_meter(each, courses, z * scale) for each in meters.iter_rows(named=True)]
    oldest = max((each["age_years"] for each in rows), default=0.0)
    swap, swap_sd = row["swap"], row["swap_sd"]
    told: GroupAgeingDocument = {
        "model_group": name,
        "n_meters": len(rows),
        "drift_pct_per_year": row["drift"],
        "interval90_pct_per_year": _interval(row["drift"], row["drift_sd"]),
        "swap_pct": None if swap is None else float(percent_from_ln(swap)),
        "swap_interval90_pct": None if swap is None else _in_percent(swap, swap_sd),
        "shape_per_year": row["shape"],
        "text": "",
        "meters": sorted(rows, key=lambda each: each["drift_pct_per_year"]),
        "course": _course(fleet, name, oldest + YEARS_AHEAD),
    }
    told["text"] = " ".join(map(str, group_sentences(told)))
    return told


def _scale(meters: pl.DataFrame) -> float:
    """Return how far the rates lie apart beside what the model expects, at most 1.

    From the median, so that a meter that ages unlike the others does not hide itself by the
    spread that it makes; few meters say little.
    """
    known = meters.filter(pl.col("moved_sd") > 1e-9)
    if known.is_empty():
        return 1.0
    z = ((known["drift"] - known["usual"]) / known["moved_sd"]).to_numpy()
    own = float(np.median(np.abs(z))) / 0.6745
    worth = z.size + OWN_SCALE_WORTH
    return float(min(1.0, np.sqrt((OWN_SCALE_WORTH + z.size * own**2) / worth)))


def _meter(row: dict[str, Any], courses: _Courses, z: float) -> MeterAgeing:
    name, half = row["meter_id"], z * row["moved_sd"]
    meter, about = courses.row[name], courses.about[name]
    swapped = row["n_swaps"] > 0
    bought, serial = about.get("purchase_date"), about.get("serial_number")
    return {
        "meter_id": name,
        "age_years": float(courses.age(meter, year_of(courses.fleet.today))),
        "drift_pct_per_year": row["drift"],
        "interval90_pct_per_year": _interval(row["drift"], row["drift_sd"]),
        "outside": bool(abs(row["drift"] - row["usual"]) > half + 1e-6),
        "limits_pct_per_year": [row["usual"] - half, row["usual"] + half],
        "swap_pct": float(percent_from_ln(row["swap"])) if swapped else None,
        "swap_interval90_pct": _in_percent(row["swap"], row["swap_sd"]) if swapped else None,
        "swaps": int(row["n_swaps"]),
        "serial": str(serial)[:3] if serial else None,
        "purchased": str(bought.year) if bought else None,
        "firmware": courses.firmware.get(name),
        "points": courses.points(meter),
        "swap_points": courses.swaps(meter),
    }


def _interval(mean: float, sd: float) -> list[float]:
    return [mean - Z90 * sd, mean + Z90 * sd]


def _in_percent(mean: float, sd: float) -> list[float]:
    return [float(percent_from_ln(end)) for end in _interval(mean, sd)]


def _course(fleet: FleetFit, group: str, until: float) -> list[CoursePoint]:
    found = fleet.group_course(group, np.linspace(0.0, until, 41))
    told = found.with_columns(
        percent_from_ln(pl.col(name)).alias(name) for name in found.columns if name != "age_years"
    )
    return [
        {
            "age_years": row["age_years"],
            "change_pct": row["mean"],
            "interval90_pct": [row["lo90"], row["hi90"]],
            "meters90_pct": [row["meter_lo90"], row["meter_hi90"]],
        }
        for row in told.iter_rows(named=True)
    ]


def group_sentences(group: GroupAgeingDocument) -> list[Reason]:
    """Return what is to be said of a group: its rate, its shape, who is unlike the others."""
    low, high = group["interval90_pct_per_year"]
    n, drift = group["n_meters"], group["drift_pct_per_year"]
    if low * high <= 0:
        said = [Reason("ageing_unknown", low_pct=low, high_pct=high, n=n)]
    else:
        step = _step(group["swap_pct"], group["swap_interval90_pct"])
        said = [Reason("ageing_rate", drift_pct=drift, low_pct=low, high_pct=high, swap=step)]
        if group["shape_per_year"] > SHAPED:
            said.append(Reason("ageing_settles"))
        elif group["shape_per_year"] < -SHAPED:
            said.append(Reason("ageing_speeds_up"))
    outside = [row for row in group["meters"] if row["outside"]]
    said += [_unlike(row, drift) for row in outside]
    if not outside:
        said.append(Reason("ageing_inside") if n > 1 else Reason("ageing_alone"))
    return said


def _step(swap: float | None, ends: list[float] | None) -> Reason | None:
    if swap is None or ends is None:
        return None
    if ends[0] * ends[1] <= 0:
        return Reason("ageing_no_swap", low_pct=ends[0], high_pct=ends[1])
    return Reason("ageing_swap", swap_pct=swap, low_pct=ends[0], high_pct=ends[1])


def _unlike(row: MeterAgeing, usual: float) -> Reason:
    own, (low, high) = row["drift_pct_per_year"], row["limits_pct_per_year"]
    times = own / usual if abs(usual) > LEAST_RATE and own / usual > 1.5 else None
    return Reason(
        "ageing_outside",
        meter=row["meter_id"],
        drift_pct=own,
        times=None if times is None else Reason("times_as_fast", times=times),
        low_pct=low,
        high_pct=high,
    )
