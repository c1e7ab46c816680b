"""What a reader of a comparison should know, in plain words."""

import numpy as np

from models.metrology import Z90
from models.rides.alignment import RADIANS_PER_SECOND, SideBySide, Windows
from models.rides.bands import trend
from models.rides.gain_fit import FEWEST_WINDOWS, RideFit
from models.rides.void_pairs import Closeness, closeness_warning

_PRIOR_MATTERS = 0.15  # share of the zero part that may come from the prior unsaid
_ONE_CADENCE_RPM = 2.0
_DROPOUT_SHARE = 0.01
_LITTLE_S = 600


def warnings_for(
    pair: SideBySide,
    windows: Windows,
    fit: RideFit | None,
    closeness: Closeness | None,
    void: str | None,
) -> tuple[str, ...]:
    """Sentences, the weightiest first."""
    if fit is None:
        return (_nothing_fitted(pair, windows), *pair.notes)
    texts = [
        *_about_power(windows, fit),
        *_about_cadence(pair, windows, fit),
        *_about_change(windows, fit),
        *_about_data(pair),
    ]
    doubt = closeness_warning(closeness) if closeness and not void else None
    return (*pair.notes, *([doubt] if doubt else []), *texts)


def _nothing_fitted(pair: SideBySide, windows: Windows) -> str:
    if len(windows) >= FEWEST_WINDOWS:
        return (
            "No ratio can be given: one power does not follow the other. Are these recordings "
            "of the same ride?"
        )
    seconds = int(windows.seconds.sum())
    return (
        f"No ratio can be given: only {seconds} s of steady riding are common to both. "
        "The excluded seconds say what was lost."
    )


def _about_power(windows: Windows, fit: RideFit) -> list[str]:
    if fit.prior_share < _PRIOR_MATTERS:
        return []
    low, high = np.percentile(windows.reference_w[fit.kept], [5, 95])
    return [
        f"The range of power ({low:.0f} to {high:.0f} W) is too narrow to separate the gain from "
        f"the zero offset: {100 * fit.prior_share:.0f} % of what is known of the zero offset is "
        "the usual sd of 0.25 N·m, and the interval is wider for it. Ride steps from easy to "
        "hard, and zero the meter before."
    ]


def _about_cadence(pair: SideBySide, windows: Windows, fit: RideFit) -> list[str]:
    if fit.constant_w:
        return [
            f"A constant part of {fit.constant_w:+.1f} W does not go with the cadence as a zero "
            "offset does: drag or the reference's own offset. It is kept out of the gain."
        ]
    if pair.cadence_rpm is None:
        return [
            "Neither recording carries cadence: the constant part is in watts and cannot be told "
            "as a zero-offset torque."
        ]
    cadence = windows.omega[fit.kept] / RADIANS_PER_SECOND
    if float(np.std(cadence)) >= _ONE_CADENCE_RPM:
        return []
    return [
        f"Ridden at one cadence (about {np.mean(cadence):.0f} rpm): a zero-offset torque and a "
        "constant number of watts, such as drag, cannot be told apart."
    ]


def _about_change(windows: Windows, fit: RideFit) -> list[str]:
    change = trend(windows, fit)
    if abs(change.change_pct) < max(0.4, 3 * change.u_change_pct):
        return []
    return [
        f"The ratio drifts by {change.change_pct:+.1f} % (± {Z90 * change.u_change_pct:.1f} %) "
        "from start to end: a warm-up or a zero that moved. See the ratio by time; repeat with "
        "both devices warm."
    ]


def _about_data(pair: SideBySide) -> list[str]:
    texts = []
    total = max(1, int(pair.inside.sum()))
    lost = pair.excluded.seconds(pair.inside)
    for name in ("meter", "reference"):
        seconds = lost.get(f"{name}_dropout", 0)
        if seconds > _DROPOUT_SHARE * total:
            texts.append(f"The {name} dropped out for {seconds} s.")
        seconds = lost.get(f"{name}_gap", 0)
        if seconds > 0.05 * total:
            texts.append(f"The {name} recorded nothing for {seconds} s of the overlap.")
    used = int(pair.excluded.used.sum())
    if used < _LITTLE_S:
        texts.append(f"Only {used} s of steady riding could be used; 20 minutes say much more.")
    return texts
