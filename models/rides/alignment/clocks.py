"""Two recordings onto one clock: the lag between their stamps, and the clocks' drift.

Both recordings are laid over each other at every lag; the lag that stands out is followed
through the ride for the clocks' drift, and refined to a fraction of a second. Where nothing
stands out it says so.
"""

from dataclasses import dataclass, replace

import numpy as np

from models.metrology import Array, Mask, robust_sd
from models.rides.alignment.clock_line import CLOCK_DRIFT_PRIOR_PPM, clock_line
from models.rides.alignment.correlation import Candidate, along, candidates
from models.rides.alignment.holes import has_holes, without_long_zeros
from models.rides.alignment.resampling import NoOverlap, Resampled
from models.wording import Reason, span

USUAL_LAG_S = 600  # clocks of one team differ by less; more is believed only when decisive
_ENOUGH_SCORE = 8.0  # unrelated rides rarely score more
_ENOUGH_LEAD = 2.0  # … and lead over the next best lag of unrelated rides
_RIVAL_LEAD = 1.5  # a second lag this close fits almost as well
_DECISIVE_LEAD = 6.0  # what a lag beyond the usual needs over the best usual one
_STRETCH_S = 480  # in which the lag is followed through the ride
_REACH_S = 75  # how far a stretch's lag may lie from the whole ride's
_JUMP_S = 2.5  # a stretch that departs by more is on another clock


@dataclass(frozen=True)
class Alignment:
    """Where the reference's clock stands against the meter's.

    lag_s            > 0: the reference stamps the same instant later; holds at middle_s;
                     None: not to be told from these recordings (0 is then used)
    clock_drift_ppm  growth of the lag, microseconds a second
    u_lag_s          standard uncertainty of the lag, inf where it is None
    certain          whether one lag stands out
    doubtful         stretches (from, to) on the meter's clock where another lag holds
    notes            what a reader should know of it
    """

    lag_s: float | None
    clock_drift_ppm: float
    u_lag_s: float
    middle_s: float
    certain: bool
    doubtful: tuple[tuple[float, float], ...] = ()
    notes: tuple[Reason, ...] = ()

    def reference_instants(self, meter_instants: Array) -> Array:
        """Return the reference's stamps for instants on the meter's clock, s."""
        drift = self.clock_drift_ppm * 1e-6 * (meter_instants - self.middle_s)
        return np.asarray(meter_instants + (self.lag_s or 0.0) + drift)

    def later(self, seconds: float) -> "Alignment":
        """Return the same with a lag that much greater."""
        return replace(self, lag_s=(self.lag_s or 0.0) + seconds)

    def is_doubtful(self, meter_instants: Array) -> Mask:
        """Return which instants (n,) lie in a doubtful stretch."""
        doubt = np.zeros(len(meter_instants), dtype=bool)
        for start, end in self.doubtful:
            doubt |= (meter_instants >= start) & (meter_instants < end)
        return doubt


def align(meter: Resampled, reference: Resampled, *, shared_clock: bool = True) -> Alignment:
    """Return lag and drift between two recordings at 1 Hz.

    shared_clock  False: the stamps count from different starts, so that any lag is as likely
    Zeros that one of them alone has look like efforts' edges and mislead: where there are any, the
    lag is sought without long zeros too, and taken where the powers agree better.
    Raises NoOverlap where shared clocks have no instant in common.
    """
    found = _aligned(meter, reference, shared_clock=shared_clock)
    if not has_holes(meter, reference, found.reference_instants(meter.instants)):
        return found
    bare = without_long_zeros(meter), without_long_zeros(reference)
    again = _aligned(*bare, shared_clock=shared_clock)
    return max((found, again), key=lambda one: _agreement(*bare, one))


def _agreement(meter: Resampled, reference: Resampled, alignment: Alignment) -> float:
    """Return the correlation of two powers at a lag, over the seconds that both have."""
    if alignment.lag_s is None:
        return 0.0
    shown = reference.at(alignment.reference_instants(meter.instants), reference.power_w)
    both = np.isfinite(meter.power_w) & np.isfinite(shown)
    if both.sum() < 2 or np.ptp(shown[both]) == 0 or np.ptp(meter.power_w[both]) == 0:
        return 0.0
    return float(np.corrcoef(meter.power_w[both], shown[both])[0, 1])


def _aligned(meter: Resampled, reference: Resampled, *, shared_clock: bool) -> Alignment:
    if shared_clock:
        _require_overlap(meter, reference)
    offset = reference.start_s - meter.start_s
    reach = USUAL_LAG_S if shared_clock else 10**9
    low, high = round(-reach - offset), round(reach - offset)
    best, rival = _first_two(candidates(meter.power_w, reference.power_w, (low, high)))
    notes: list[Reason] = []
    if shared_clock:
        best, rival, notes = _wrong_clock(meter, reference, best, rival)
    if best is None or not _stands_out(best, rival):
        return _untold(meter, reference)
    certain = rival is None or best.score - rival.score >= _RIVAL_LEAD
    if not certain and rival is not None:
        first_s, second_s = best.shift + offset, rival.shift + offset
        notes.append(Reason("lag_uncertain", first_s=first_s, second_s=second_s))
    return _followed(meter, reference, best.shift, certain=certain, notes=notes)


def _require_overlap(meter: Resampled, reference: Resampled) -> None:
    apart = max(meter.start_s - reference.end_s, reference.start_s - meter.end_s)
    if apart <= 0:
        return
    first = "meter" if meter.start_s < reference.start_s else "reference"
    message = (
        f"The two recordings do not overlap: the {first}'s ends "
        f"{span(apart)} before the other begins."
    )
    whole_hours = round((reference.start_s - meter.start_s) / 3600)
    shifted = reference.start_s - 3600 * whole_hours
    length = reference.end_s - reference.start_s
    if whole_hours and shifted < meter.end_s and shifted + length > meter.start_s:
        message += (
            f" Moved by {abs(whole_hours)} h they would: if one clock is in another time zone, "
            "correct its times first."
        )
    raise NoOverlap(message)


def _first_two(found: list[Candidate]) -> tuple[Candidate | None, Candidate | None]:
    return (found[0] if found else None), (found[1] if len(found) > 1 else None)


def _stands_out(best: Candidate, rival: Candidate | None) -> bool:
    """Return whether the lag is more than the luckiest of unrelated rides.

    Equal intervals repeated give several lags that all score far beyond chance.
    """
    if best.score < _ENOUGH_SCORE:
        return False
    lead = best.score - (rival.score if rival else 0.0)
    return lead >= _ENOUGH_LEAD or best.score >= 2 * _ENOUGH_SCORE


def _wrong_clock(
    meter: Resampled, reference: Resampled, best: Candidate | None, rival: Candidate | None
) -> tuple[Candidate | None, Candidate | None, list[Reason]]:
    """Return the two best lags, also beyond the usual ones where one is decisively better."""
    far, next_far = _first_two(candidates(meter.power_w, reference.power_w, (-(10**9), 10**9)))
    if far is None or (best is not None and far.shift == best.shift):
        return best, rival, []
    lead = far.score - (best.score if best else 0.0)
    if lead < _DECISIVE_LEAD or far.score < 2 * _ENOUGH_SCORE:
        return best, rival, []
    lag = far.shift + reference.start_s - meter.start_s
    if abs(lag / 1800 - round(lag / 1800)) * 1800 < 60:
        return far, next_far, [Reason("other_time_zone", apart_s=abs(lag))]
    return far, next_far, [Reason("clocks_apart", apart_s=abs(lag))]


def _untold(meter: Resampled, reference: Resampled) -> Alignment:
    middle = 0.5 * (max(meter.start_s, reference.start_s) + min(meter.end_s, reference.end_s))
    return Alignment(None, 0.0, float("inf"), middle, False, (), (Reason("lag_untold"),))


def _followed(
    meter: Resampled, reference: Resampled, shift: int, *, certain: bool, notes: list[Reason]
) -> Alignment:
    """Return the lag through the ride: a line through its stretches, refined on all of it."""
    n = len(meter.power_w)
    offset = reference.start_s - meter.start_s
    first = max(0, -shift)
    last = min(n, len(reference.power_w) - shift)
    middle = meter.start_s + 0.5 * (first + last - 1)
    stretches = along(meter.power_w, reference.power_w, shift, length=_STRETCH_S, reach=_REACH_S)
    departure, correlation = stretches.best()
    edges = meter.start_s + stretches.edges
    at = 0.5 * (edges[:-1] + edges[1:]) - middle
    known = (correlation > 0.35) & (stretches.shared_s > 120)
    trust = np.where(known, np.clip(correlation, 0, 0.99) ** 2 * stretches.shared_s, 0.0)
    level, slope = clock_line(at, departure, trust, near=_JUMP_S)
    expected = level + slope * at
    off = known & (np.abs(departure - expected) > _JUMP_S)
    off &= stretches.lead_over(expected) > _DECISIVE_LEAD
    doubtful = tuple(
        (float(a), float(b)) for a, b in zip(edges[:-1][off], edges[1:][off], strict=True)
    )
    if doubtful:
        minutes = sum(b - a for a, b in doubtful) / 60
        notes.append(Reason("lag_changes", minutes=minutes))
    start = Alignment(
        shift + offset + level, 1e6 * slope, 0.5, middle, certain, doubtful, tuple(notes)
    )
    return _refined(meter, reference, start)


def _refined(meter: Resampled, reference: Resampled, start: Alignment) -> Alignment:
    """Return lag and drift by Gauss–Newton on the smoothed powers, robust against mishaps."""
    state, instants = start, meter.instants
    for _ in range(3):
        shown = reference.at(state.reference_instants(instants), reference.power_w)
        shift = _newton_step(meter.power_w, shown, state, instants)
        if shift is None:
            return state
        lag, drift, u_lag = shift
        state = replace(
            state,
            lag_s=(state.lag_s or 0.0) + lag,
            clock_drift_ppm=state.clock_drift_ppm + drift,
            u_lag_s=u_lag,
        )
        if abs(lag) < 0.01 and abs(drift) < 0.5:
            break
    return state


def _newton_step(
    meter_w: Array, reference_w: Array, state: Alignment, instants: Array
) -> tuple[float, float, float] | None:
    """Return steps of lag, s, and drift, ppm, and u of the lag; None: nothing to go by."""
    both = np.isfinite(meter_w) & np.isfinite(reference_w) & ~state.is_doubtful(instants)
    y, x = _smooth_both(meter_w, reference_w, both)
    slope = np.gradient(x)
    inner = both & np.roll(both, 1) & np.roll(both, -1)
    inner[[0, -1]] = False
    if inner.sum() < 60 or float(np.ptp(x[inner])) < 5:
        return None
    reach = instants[inner] - state.middle_s
    # meter ≈ gain · reference(t + lag): an unseen part d of the lag shows as gain · d · slope
    X = np.stack([x[inner], np.ones(inner.sum()), slope[inner], slope[inner] * reach], axis=1)
    beta, covariance = _robust_fit(X, y[inner], state)
    gain = beta[0] if abs(beta[0]) > 0.2 else 1.0
    lag, drift = beta[2] / gain, 1e6 * beta[3] / gain
    u_lag = float(np.sqrt(covariance[2, 2]) / abs(gain))
    return float(np.clip(lag, -2, 2)), float(np.clip(drift, -500, 500)), u_lag


def _smooth_both(meter_w: Array, reference_w: Array, both: Mask) -> tuple[Array, Array]:
    """Return five-second means (n,) over the seconds that both have."""
    kernel = np.array([1.0, 2.0, 3.0, 2.0, 1.0])
    weight = np.maximum(np.convolve(both.astype(np.float64), kernel, "same"), 1e-9)
    meter_sum = np.convolve(np.where(both, meter_w, 0.0), kernel, "same")
    reference_sum = np.convolve(np.where(both, reference_w, 0.0), kernel, "same")
    return np.asarray(meter_sum / weight), np.asarray(reference_sum / weight)


def _robust_fit(X: Array, y: Array, state: Alignment) -> tuple[Array, Array]:
    """Return bisquare coefficients with the drift's prior, and their covariance."""
    weight = np.ones(len(y))
    penalty = np.zeros((4, 4))
    for _ in range(8):
        normal = (X * weight[:, None]).T @ X
        beta = np.linalg.solve(normal + penalty + 1e-9 * np.eye(4), (X * weight[:, None]).T @ y)
        residual = y - X @ beta
        scale = max(robust_sd(residual, about=0.0), 0.3)
        weight = np.clip(1 - (residual / (4.7 * scale)) ** 2, 0, None) ** 2
        noise = 5.0 * scale**2  # five smoothed seconds carry one second's news
        penalty[3, 3] = noise / (CLOCK_DRIFT_PRIOR_PPM * 1e-6) ** 2
        penalty[3, 3] *= 1.0 / max(1.0, (state.clock_drift_ppm / CLOCK_DRIFT_PRIOR_PPM) ** 2)
    return np.asarray(beta), np.asarray(noise * np.linalg.inv(normal + penalty + 1e-9 * np.eye(4)))
