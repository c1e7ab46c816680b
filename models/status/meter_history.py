"""Make the `history` document of a meter: its course, what it rests on, its control charts."""

from collections.abc import Iterable
from datetime import date

import polars as pl

from models.ageing import Limits
from models.metrology import Array, interval90, percent_from_ln, percent_sd
from models.records import typed_rows
from models.status.documents import (
    ControlCharts,
    ControlPoint,
    CurvePoint,
    MeterEvent,
    ObservedPoint,
    SlopeReset,
)


def curve_points(dates: Iterable[date], mean_ln: Array, sd_ln: Array) -> list[CurvePoint]:
    """Return a gain error's course in plain percent. mean_ln, sd_ln [dates], 100·ln."""
    rows: list[CurvePoint] = []
    for day, mean, sd in zip(dates, mean_ln.tolist(), sd_ln.tolist(), strict=True):
        low, high = interval90(mean, sd)
        rows.append(
            {
                "date": day,
                "gain_error_pct": percent_from_ln(mean),
                "sd_pct": percent_sd(mean, sd),
                "lo90_pct": low,
                "hi90_pct": high,
            }
        )
    return rows


def observed_points(observed: pl.DataFrame) -> list[ObservedPoint]:
    """Return what each observation shows, oldest first. In: one meter's of `FleetFit.observed`."""
    error = observed["gain_error"].to_numpy()
    rows = observed.with_columns(
        pl.Series("gain_error_pct", percent_from_ln(error), dtype=pl.Float64),
        pl.Series("sd_pct", percent_sd(error, observed["sd"].to_numpy()), dtype=pl.Float64),
        date="at",
        standardized_residual="standardized",
    )
    return typed_rows(rows.sort("at"), ObservedPoint)


def meter_events(events: pl.DataFrame, meter_id: str) -> list[MeterEvent]:
    """Return a meter's events, oldest first."""
    return typed_rows(events.filter(pl.col("meter_id") == meter_id).sort("date"), MeterEvent)


def slope_resets(resets: pl.DataFrame, meter_id: str) -> list[SlopeReset]:
    """Return a meter's resets in order. In: as from `models.records.slope_chain`."""
    own = resets.filter(pl.col("meter_id") == meter_id)
    return typed_rows(own.rename({"at": "date"}), SlopeReset)


def control_points(charts: pl.DataFrame, limits: Limits) -> ControlCharts:
    """Return the control charts of one meter. In: its rows of `models.ageing.control_charts`.

    The CUSUM plotted is the larger of both sides, the lower side's with a minus.
    """
    high, low = pl.col("cusum_high"), pl.col("cusum_low")
    rows = charts.sort("at").with_columns(
        individuals="z", cusum=pl.when(high > low).then(high).otherwise(-low), date="at"
    )

    def chart(name: str) -> list[ControlPoint]:
        signal = pl.col(f"{name}_signal") != 0
        return typed_rows(
            rows.with_columns(value=name, limit=f"{name}_limit", signal=signal), ControlPoint
        )

    return {
        "individuals": chart("individuals"),
        "ewma": chart("ewma"),
        "cusum": chart("cusum"),
        "limits": {
            "individuals": limits.individuals,
            "ewma": limits.ewma_limit_z,
            "cusum": limits.cusum,
            "weight": limits.ewma_weight,
        },
    }
