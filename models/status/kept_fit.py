"""What a fit leaves behind: frames from which status follows without fitting again.

Pure. Errors are 100·ln.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Self, TypedDict, cast

import numpy as np
import polars as pl

from models.fleet import Effect, HyperDocument
from models.metrology import Array, Index, percent_from_ln, percent_sd
from models.status.documents import FitState
from models.status.due import HORIZON_DAYS, Forecast

if TYPE_CHECKING:
    from models.fleet import FleetFit

SPARE_DAYS = 400  # a stored forecast serves status on later days too
COURSE_SCHEMA = {
    "meter_id": pl.String,
    "days": pl.Int64,
    "mean_ln": pl.Float64,
    "sd_ln": pl.Float64,
}

TEXT, NUMBER, ROWS = pl.String(), pl.Float64(), pl.List(pl.List(pl.Float64()))
PARAMETER = pl.Struct(
    {"kind": TEXT, "group": TEXT, "meaning": TEXT, "working_value": NUMBER}
    | {"value": NUMBER, "standard_error": NUMBER, "estimated": pl.Boolean()}
)
EFFECT = pl.Struct(
    {"kind": TEXT, "device_kind": TEXT, "device": TEXT, "at": NUMBER, "since": NUMBER}
    | {"observation": TEXT, "factor": NUMBER, "p": NUMBER, "sd": NUMBER}
    | {"proposed": pl.Boolean()}
)
INFO_SCHEMA: dict[str, pl.DataType] = {
    "last_data_on": pl.Date(),
    "hyper": pl.Struct(
        {"groups": pl.List(TEXT), "parameters": pl.List(PARAMETER), "covariance": ROWS}
    ),
    "effects": pl.List(EFFECT),
}
"""Of the columns whose values do not tell: `models.fleet.HyperDocument` and `Effect`."""


class FitInfo(TypedDict):
    """What is kept of a fit beside its frames; see `Snapshot`."""

    as_of: date
    origin: date
    last_data_on: date | None
    fitted_at: datetime
    converged: bool
    message: str
    seconds: float
    data_version: int
    hyper: HyperDocument
    effects: list[Effect]
    points_per_season: float
    model: str


@dataclass(frozen=True)
class Snapshot:
    """A fit as frames.

    info         one row: as_of, origin (first day of the courses), last_data_on, fitted_at,
                 converged, message, seconds, data_version, hyper, effects (what the alarms have
                 put into the fleet model), points_per_season
    meters       the roster, plus drift_ln, drift_sd_ln, last_bench, last_comparison, and of pairs
                 how far their sides lie apart (models.status.sides)
    courses      meter_id, days (from origin), mean_ln, sd_ln
    devices      device_kind (reference, bench), device_id, mean_ln, sd_ln, …
    trainers     how far each reference has moved (models.status.trainer_changes)
    alarms       device_kind, device_id, kind, date, earliest, latest, size_pct, text, …
    weights      kind (bench, comparison), id, weight in 0…1
    population   the drift table by group
    checks       whether the model describes the data (models.honesty.checks)
    shares       what share each part has (models.fleet.variance_components)
    detection    how soon a step is found (models.honesty.detection)
    power        how likely it is named within some months (models.fleet.FleetFit.step_power)
    notices      what coaches are told of the last thirteen months (models.coaching.rider_notices)
    findings     what is known of a device beyond its number (models.status.device_findings)
    """

    info: pl.DataFrame
    meters: pl.DataFrame
    courses: pl.DataFrame
    devices: pl.DataFrame
    trainers: pl.DataFrame
    alarms: pl.DataFrame
    weights: pl.DataFrame
    population: pl.DataFrame
    checks: pl.DataFrame
    shares: pl.DataFrame
    detection: pl.DataFrame
    power: pl.DataFrame
    notices: pl.DataFrame
    findings: pl.DataFrame

    @classmethod
    def names(cls) -> list[str]:
        """Return the frames' names, in order."""
        return [field.name for field in fields(cls)]

    @classmethod
    def of(cls, frames: dict[str, pl.DataFrame]) -> Self:
        """Return the fit that frames by name make."""
        return cls(**{name: frames[name] for name in cls.names()})

    def about(self) -> FitInfo:
        """Return the one row of `info`."""
        row = self.info.row(0, named=True)
        row["effects"] = [Effect(**effect) for effect in row["effects"]]
        return cast("FitInfo", row)

    def serves(self, as_of: date) -> bool:
        """Return whether status on a day follows from these frames.

        Nothing known later than the day went in, and the courses reach five years beyond it.
        """
        about = self.about()
        origin, last = about["origin"], about["last_data_on"]
        reach = origin + timedelta(days=max(self.courses["days"].to_list(), default=10**5))
        known = origin <= as_of and (last is None or last <= as_of)
        return known and as_of + timedelta(days=HORIZON_DAYS) <= reach


def course_days(origin: date, as_of: date) -> Index:
    """Return the days from the origin at which the courses are kept.

    Weekly until half a year after the fit, then four-weekly for five years and some to spare.
    """
    ahead = (as_of - origin).days
    fine = np.arange(0, ahead + 183, 7)
    coarse = np.arange(fine[-1], ahead + HORIZON_DAYS + SPARE_DAYS + 28, 28)
    return np.unique(np.concatenate([fine, coarse]))


def courses(meter_ids: list[str], days: Index, mean: Array, sd: Array) -> pl.DataFrame:
    """Return courses as a frame. In: mean, sd [meters, days]; not finite: the meter has no rows."""
    n = days.size
    frame = pl.DataFrame(
        {
            "meter_id": np.repeat(np.array(meter_ids, dtype=object), n),
            "days": np.tile(days, len(meter_ids)),
            "mean_ln": mean.ravel(),
            "sd_ln": sd.ravel(),
        },
        schema=COURSE_SCHEMA,
    )
    return frame.filter(pl.col("mean_ln").is_finite() & pl.col("sd_ln").is_finite())


def forecast(snapshot: Snapshot, meter_ids: list[str], *, as_of: date) -> Forecast:
    """Return the courses from a day on, in plain percent, a row a meter (nan: it has no course)."""
    origin = snapshot.about()["origin"]
    kept = np.sort(snapshot.courses["days"].unique().to_numpy())
    if kept.size == 0:
        kept = course_days(origin, as_of)
    start = (as_of - origin).days
    days = np.unique(np.concatenate([[0], kept[kept > start] - start]))
    days = days[days <= HORIZON_DAYS + 28].astype(np.int64)
    mean, variance = (_matrix(snapshot.courses, meter_ids, kept, c) for c in ("mean_ln", "sd_ln"))
    variance = variance**2
    at = (days + start).astype(float)
    mean_ln = _along(mean, kept, at)
    sd_ln = np.sqrt(np.maximum(_along(variance, kept, at), 0.0))
    return Forecast(days, percent_from_ln(mean_ln), percent_sd(mean_ln, sd_ln))


def _matrix(frame: pl.DataFrame, meter_ids: list[str], days: Index, column: str) -> Array:
    out = np.full((len(meter_ids), days.size), np.nan)
    row = {meter: i for i, meter in enumerate(meter_ids)}
    wanted = frame.filter(pl.col("meter_id").is_in(list(row)))
    rows = wanted["meter_id"].replace_strict(row, return_dtype=pl.Int64).to_numpy()
    out[rows, np.searchsorted(days, wanted["days"].to_numpy())] = wanted[column].to_numpy()
    return out


def _along(values: Array, days: Index, at: Array) -> Array:
    """Return straight lines along the last axis, at all rows at once; the ends are held."""
    right = np.clip(np.searchsorted(days, at), 1, max(1, days.size - 1))
    if days.size == 1:
        return np.repeat(values, at.size, axis=1)
    left = right - 1
    share = np.clip((at - days[left]) / (days[right] - days[left]), 0.0, 1.0)
    return np.asarray(values[:, left] * (1 - share) + values[:, right] * share)


def fit_state(fleet: FleetFit) -> FitState:
    """Return what every answer says of the fit that it rests on."""
    return {"converged": fleet.converged, "message": fleet.message}
