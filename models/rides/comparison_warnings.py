"""What a reader of a comparison should know before relying on it."""

import numpy as np

from models.metrology import Z90
from models.rides.alignment import RADIANS_PER_SECOND, AlignedPair, Windows
from models.rides.gain_fit import ZERO_OFFSET_PRIOR_NM, went_one_way
from models.rides.line_test import misfit_p
from models.rides.void_pairs import Closeness, doubt_of
from models.rides.window_fit import FEWEST_WINDOWS, RideFit
from models.wording import Reason

_PRIOR_MATTERS = 0.15  # share of the zero part that may come from the prior unsaid
_ONE_CADENCE_RPM = 2.0
_DROPOUT_SHARE, _GAP_SHARE = 0.01, 0.05
_LITTLE_S = 600
_DRIFT_PCT = 0.4
_UNLIKELY = 0.01


def warnings_for(
    pair: AlignedPair,
    windows: Windows,
    fit: RideFit | None,
    closeness: Closeness | None,
    void: Reason | None,
) -> tuple[Reason, ...]:
    """Return the warnings, the weightiest first; fit and closeness None: nothing was fitted."""
    if fit is None:
        return (_nothing_fitted(windows), *pair.notes)
    doubt = doubt_of(closeness) if closeness and not void else None
    return (
        *pair.notes,
        *([] if doubt is None else [doubt]),
        *_about_power(windows, fit),
        *_about_cadence(pair, windows, fit),
        *_about_line(windows, fit),
        *_about_data(pair),
    )


def _nothing_fitted(windows: Windows) -> Reason:
    if len(windows) >= FEWEST_WINDOWS:
        return Reason("not_one_ride")
    return Reason("too_little_steady", seconds=int(windows.seconds.sum()))


def _about_power(windows: Windows, fit: RideFit) -> list[Reason]:
    if fit.prior_share < _PRIOR_MATTERS:
        return []
    low, high = np.percentile(windows.reference_w[fit.kept], [5, 95])
    return [
        Reason(
            "narrow_power",
            low_w=float(low),
            high_w=float(high),
            prior=fit.prior_share,
            sd_nm=ZERO_OFFSET_PRIOR_NM,
        )
    ]


def _about_cadence(pair: AlignedPair, windows: Windows, fit: RideFit) -> list[Reason]:
    if fit.constant_w:
        return [Reason("constant_part", constant_w=fit.constant_w)]
    if pair.cadence_rpm is None:
        return [Reason("no_cadence")]
    cadence = windows.omega[fit.kept] / RADIANS_PER_SECOND
    if float(np.std(cadence)) >= _ONE_CADENCE_RPM:
        return []
    return [Reason("one_cadence", cadence_rpm=float(np.mean(cadence)))]


def _about_line(windows: Windows, fit: RideFit) -> list[Reason]:
    """Return how the ratio is no constant: it bends, it moves, or the ride cannot tell."""
    found = []
    if fit.bends:
        half, level = 100 * Z90 * fit.u_bend, windows.reference_w[fit.kept]
        found.append(
            Reason(
                "ratio_bends",
                bend_pct=100 * fit.bend,
                half_pct=half,
                at_w=float(np.average(level, weights=windows.seconds[fit.kept])),
            )
        )
    if went_one_way(windows, fit.kept):
        return [*found, Reason("one_way")]
    if fit.p_moves > 0.5 and abs(100 * fit.change) > _DRIFT_PCT:
        half = 100 * Z90 * fit.u_change
        found.append(Reason("ratio_drifts", change_pct=100 * fit.change, half_pct=half))
    p = misfit_p(windows, fit)
    if p is not None and p < _UNLIKELY and not found:
        found.append(Reason("line_misfit"))
    return found


def _about_data(pair: AlignedPair) -> list[Reason]:
    found = []
    total = max(1, int(pair.inside.sum()))
    lost = pair.excluded.seconds(pair.inside)
    for name in ("meter", "reference"):
        seconds = lost.get(f"{name}_dropout", 0)
        if seconds > _DROPOUT_SHARE * total:
            found.append(Reason("dropped_out", which=name, seconds=seconds))
        seconds = lost.get(f"{name}_gap", 0)
        if seconds > _GAP_SHARE * total:
            found.append(Reason("recorded_nothing", which=name, seconds=seconds))
    used = int(pair.excluded.used.sum())
    if used < _LITTLE_S:
        found.append(Reason("little_riding", seconds=used))
    return found
