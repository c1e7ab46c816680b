"""Two recordings of one ride become one honest number.

The pair is put on one clock, brought to the same smoothing, cleared of what is no steady
riding, cut into short windows and fitted: meter = gain · reference + zero-offset torque ·
angular velocity.
"""

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
import polars as pl

from models.metrology import Array, Index, bland_altman, robust_sd
from models.rides import bands
from models.rides.alignment import (
    RADIANS_PER_SECOND,
    AlignedPair,
    Alignment,
    CannotCompareError,
    Matched,
    NoOverlap,
    Windows,
    align_pair,
    cut,
)
from models.rides.comparison_warnings import warnings_for
from models.rides.documents import CadenceBand, ComparisonDocument, PowerBand, TimeBand
from models.rides.gain_fit import ZERO_OFFSET_PRIOR_NM, fit_windows
from models.rides.plausibility import require_watts
from models.rides.void_pairs import Closeness, void_reason
from models.rides.window_fit import FEWEST_WINDOWS, RideFit
from models.wording import Reason, said

__all__ = ["CannotCompareError", "Comparison", "NoOverlap", "compare_recordings"]


WINDOW_S = 8
SHORT_WINDOW_S = 4  # of a short ride every quick change of power is wanted
ENOUGH_WINDOWS = 75  # ten minutes of longer ones
USUAL_OMEGA = 90 * RADIANS_PER_SECOND  # turns the prior into watts where cadence is unknown
U_OMEGA = 0.5  # rad/s: how far an unknown cadence may go with the power, for each of its sd
MOST_U_GAIN = 0.1  # a ratio less certain than this says nothing
MOST_SCATTER = 0.05  # of the power, in windows: two devices on one ride without a common lag


@dataclass(frozen=True)
class Comparison:
    """A pair's result; `to_document` is the `compare` command's JSON.

    gain_ratio_pct   100 · (meter / reference − 1), the zero part taken out, at the ride's mean
                     power and in its middle; None: too little
    zero_offset_nm   constant torque of the pair: the meter's zero offset less the reference's,
                     drag included; None without cadence
    constant_w       all of the meter's watts that do not go with the power, at mean cadence
    other_constant_w of these, what does not go with the cadence either: drag, the reference's
                     own offset; 0 unless the ride shows it clearly, None without cadence
    bend_pct_per_100w change of the ratio over 100 W; change_pct: from start to end
    dof              degrees of freedom of the intervals
    aligned          one row a second on the meter's clock: time, meter_w, reference_w,
                     cadence_rpm, temperature_c, matched_meter_w, matched_reference_w (both with
                     the same smoothing), used, reason
    """

    alignment: Alignment
    smoothing: Matched
    overlap_s: int
    used_s: int
    excluded_s: dict[str, int]
    gain_ratio_pct: float | None
    u_gain_ratio_pct: float | None
    zero_offset_nm: float | None
    u_zero_offset_nm: float | None
    bend_pct_per_100w: float | None
    u_bend_pct_per_100w: float | None
    change_pct: float | None
    u_change_pct: float | None
    constant_w: float | None
    other_constant_w: float | None
    dof: float | None
    mean_difference_w: float | None
    limits_of_agreement_w: tuple[float, float] | None
    by_power_band: list[PowerBand]
    by_cadence_band: list[CadenceBand]
    by_time: list[TimeBand]
    temperature_c: float | None
    void: Reason | None
    warnings: tuple[Reason, ...]
    aligned: pl.DataFrame

    def interval90_pct(self) -> list[float] | None:
        """Return the 90 % interval of the gain ratio, %."""
        return _interval(self.gain_ratio_pct, self.u_gain_ratio_pct, self.dof)

    def to_document(self) -> ComparisonDocument:
        """Return the `compare` document."""
        smoothing, alignment, limits = self.smoothing, self.alignment, self.limits_of_agreement_w
        told = {
            "lag_s": alignment.lag_s,
            "u_lag_s": float(alignment.u_lag_s) if np.isfinite(alignment.u_lag_s) else None,
            "lag_certain": alignment.certain,
            "clock_drift_ppm": alignment.clock_drift_ppm,
            "smoothing": {
                "smoother": _SMOOTHER[smoothing.side],
                "shape": smoothing.shape,
                "seconds": smoothing.seconds,
            },
            "gain_ratio_interval90_pct": self.interval90_pct(),
            "zero_offset_interval90_nm": _interval(
                self.zero_offset_nm, self.u_zero_offset_nm, self.dof
            ),
            "limits_of_agreement_w": None if limits is None else list(limits),
            "void": said(self.void),
            "warnings": [str(warning) for warning in self.warnings],
        }
        names = ComparisonDocument.__annotations__
        document = {name: told[name] if name in told else getattr(self, name) for name in names}
        return cast(ComparisonDocument, document)


# the trace that was smoothed was the sharper one
_SMOOTHER = {"meter": "reference", "reference": "meter", "none": "neither"}


def _interval(value: float | None, u: float | None, dof: float | None) -> list[float] | None:
    if value is None or u is None or dof is None:
        return None
    from scipy.special import stdtrit

    half = float(stdtrit(dof, 0.95)) * u
    return [value - half, value + half]


def compare_recordings(
    meter: pl.DataFrame,
    reference: pl.DataFrame,
    *,
    meter_serial: str | None = None,
    reference_serial: str | None = None,
) -> Comparison:
    """Return gain ratio and zero offset of a meter against a reference from one ride.

    meter, reference  one row a record: time (pl.Datetime, or float seconds), power_w, and where
                      recorded cadence_rpm, temperature_c
    serials           of the power sensors, where the files tell them
    Raises NoOverlap where the recordings share no time, CannotCompareError where a power column
    holds no watts. Too little steady riding: gain_ratio_pct None, and a warning.
    """
    for frame, name in ((meter, "meter"), (reference, "reference")):
        require_watts(frame, name=name)
    pair = align_pair(meter, reference)
    windows, number = _windows(pair)
    fit = _fit(pair, windows)
    _exclude_windows(pair, fit, number)
    closeness = _closeness(pair, fit) if fit else None
    void = void_reason(closeness, meter_serial=meter_serial, reference_serial=reference_serial)
    result = _comparison(pair, windows, fit, closeness, meter["time"])
    return replace(result, void=void, warnings=warnings_for(pair, windows, fit, closeness, void))


def _windows(pair: AlignedPair) -> tuple[Windows, Index]:
    seconds = pair.seconds()
    windows, number = cut(seconds, length=WINDOW_S)
    if len(windows) < ENOUGH_WINDOWS:
        return cut(seconds, length=SHORT_WINDOW_S)
    return windows, number


def _fit(pair: AlignedPair, windows: Windows) -> RideFit | None:
    """Return the fit; None where there is too little, or one power does not follow the other."""
    if len(windows) < FEWEST_WINDOWS:
        return None
    if pair.cadence_rpm is not None:
        fit = fit_windows(windows, constant=True)
    else:
        prior = ZERO_OFFSET_PRIOR_NM * USUAL_OMEGA
        fit = fit_windows(windows, prior_sd=prior, u_turning=U_OMEGA / USUAL_OMEGA)
    scatter = float(np.median(np.abs(fit.residual)) / np.median(windows.reference_w))
    untold = pair.alignment.lag_s is None
    if fit.u_gain > MOST_U_GAIN or (untold and scatter > MOST_SCATTER):
        return None
    return fit


def _exclude_windows(pair: AlignedPair, fit: RideFit | None, number: Index) -> None:
    """Give the seconds of windows that do not count their reason."""
    excluded = pair.excluded
    excluded.exclude(number < 0, "fragment")
    if fit is None:
        excluded.exclude(number >= 0, "fragment")
        return
    excluded.exclude((number >= 0) & ~fit.steady[number], "transient")
    excluded.exclude((number >= 0) & ~fit.kept[number], "disagreement")


def _closeness(pair: AlignedPair, fit: RideFit) -> Closeness:
    used = pair.excluded.used
    seconds = pair.seconds()
    y, x, omega = seconds.meter_w[used], seconds.reference_w[used], seconds.omega[used]
    residual = y - fit.gain * x - fit.constant_part(omega)
    same = np.abs(pair.meter_w - pair.reference_w)[used] < 0.01
    return Closeness(
        noise_w=robust_sd(residual),
        mean_w=float(np.mean(x)),
        gain_pct=100 * (fit.gain - 1),
        u_gain_pct=100 * fit.u_gain,
        zero_w=float(np.mean(fit.constant_part(omega))),
        equal_share=float(np.mean(same)),
    )


def _comparison(
    pair: AlignedPair,
    windows: Windows,
    fit: RideFit | None,
    closeness: Closeness | None,
    time: pl.Series,
) -> Comparison:
    used = pair.excluded.used
    known = fit is not None and pair.cadence_rpm is not None
    agreement = (
        bland_altman(pair.matched.meter_w[used], pair.matched.reference_w[used])
        if fit is not None
        else None
    )
    celsius = pair.celsius[used & np.isfinite(pair.celsius)]
    return Comparison(
        alignment=pair.alignment,
        smoothing=pair.matched,
        overlap_s=int(pair.inside.sum()),
        used_s=int(used.sum()),
        excluded_s=pair.excluded.seconds(pair.inside),
        gain_ratio_pct=100 * (fit.gain - 1) if fit else None,
        u_gain_ratio_pct=100 * fit.u_gain if fit else None,
        zero_offset_nm=fit.zero_nm if fit and known else None,
        u_zero_offset_nm=fit.u_zero_nm if fit and known else None,
        bend_pct_per_100w=100 * fit.bend if fit else None,
        u_bend_pct_per_100w=100 * fit.u_bend if fit else None,
        change_pct=100 * fit.change if fit else None,
        u_change_pct=100 * fit.u_change if fit else None,
        constant_w=closeness.zero_w if closeness else None,
        other_constant_w=fit.constant_w if fit and known else None,
        dof=fit.dof if fit else None,
        mean_difference_w=agreement.mean_difference if agreement else None,
        limits_of_agreement_w=agreement.limits if agreement else None,
        by_power_band=bands.by_power_band(windows, fit) if fit else [],
        by_cadence_band=bands.by_cadence_band(windows, fit) if fit and known else [],
        by_time=bands.by_time(windows, fit) if fit else [],
        temperature_c=float(np.mean(celsius)) if len(celsius) else None,
        void=None,
        warnings=(),
        aligned=_aligned(pair, time),
    )


def _aligned(pair: AlignedPair, time: pl.Series) -> pl.DataFrame:
    """Return the pair second by second within the overlap, in the meter's own kind of time."""
    columns: dict[str, Array] = {
        "meter_w": pair.meter_w,
        "reference_w": pair.reference_w,
        "cadence_rpm": np.full(len(pair.instants), np.nan)
        if pair.cadence_rpm is None
        else pair.cadence_rpm,
        "temperature_c": pair.celsius,
        "matched_meter_w": pair.matched.meter_w,
        "matched_reference_w": pair.matched.reference_w,
    }
    frame = pl.DataFrame({"time": pair.instants, **columns}).with_columns(
        pl.col(list(columns)).fill_nan(None),
        used=pl.Series(pair.excluded.used),
        reason=pl.Series(pair.excluded.reason.tolist(), dtype=pl.String).replace("", None),
    )
    if time.dtype.is_temporal() and pair.shared_clock:
        stamp = (pl.col("time") * 1e6).round().cast(pl.Int64).cast(pl.Datetime("us"))
        frame = frame.with_columns(time=stamp.dt.replace_time_zone("UTC"))
    return frame.filter(pl.Series(pair.inside))
