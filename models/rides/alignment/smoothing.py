"""The difference in smoothing between two recordings of the same power.

A trainer often shows a mean of the last seconds while a crank shows each turn. Comparing the
two as they are costs little in steady riding and much in every change of power, so the sharper
trace is smoothed like the other one: first by the one of a small family of kernels with which
one power explains the other best, then weight by weight as far as the data say so.
"""

from dataclasses import dataclass, replace

import numpy as np

from models.metrology import Array, Mask, robust_sd

Option = tuple[str, str, float]  # side, shape, seconds

_SURVEY_S = (3.0, 6.0, 10.0)  # boxcars tried on either side first
_BOXCARS_S = (2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0, 20.0, 30.0)
_EXPONENTIALS_S = (0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0, 10.0)
_FREE_S = 10  # seconds on either side in which single weights are fitted
_FREE_SD = 0.05  # how far a weight may depart from the family's
_ENOUGH_ROWS = 4000
_WORTHWHILE = 0.985  # a kernel must leave less than this of what none leaves


@dataclass(frozen=True)
class Bare:
    """Two aligned powers before any smoothing, (n,).

    meter_w, reference_w  W, nan where spikes, drop-outs and gaps were taken out
    omega                 angular velocity of the cranks (or 1) while there is power, else 0: the
                          shape of a zero offset, which must not pass for smoothing
    """

    meter_w: Array
    reference_w: Array
    omega: Array


@dataclass(frozen=True)
class Matched:
    """Both powers with the same smoothing.

    meter_w, reference_w  (n,) nan where the kernel met unknown seconds
    side                  which trace was smoothed: "meter", "reference" or "none"
    kernel                (2 h + 1,) centred weights with which it was smoothed
    shape, seconds        what they are: boxcar or exponential, and its length
    change_w              (n,) how the smoothed trace answers to a longer kernel: W per unit of
                          ln(length); without a kernel, to the first bit of smoothing
    late_s                how much later the reference still is than the alignment has it
    """

    meter_w: Array
    reference_w: Array
    side: str
    kernel: Array
    shape: str
    seconds: float
    change_w: Array
    late_s: float = 0.0

    @property
    def reach_s(self) -> int:
        """Seconds on either side over which the family's kernel spreads a change."""
        kernel = centred_kernel(self.shape, self.seconds)
        heavy = np.flatnonzero(kernel > 0.02)
        return int(max(1, np.max(np.abs(heavy - len(kernel) // 2))))


def match(bare: Bare) -> Matched:
    """Smooth the sharper of two aligned powers like the other one."""
    survey: list[Option] = [("none", "none", 0.0)]
    survey += [
        (side, "boxcar", seconds) for side in ("meter", "reference") for seconds in _SURVEY_S
    ]
    tried = [_smoothed_pair(bare, option) for option in survey]
    losses, _ = _losses(tried, bare.omega)
    side = tried[int(np.argmin(losses))].side
    if side == "none":
        shorter: list[Option] = [(s, "boxcar", 2.0) for s in ("meter", "reference")]
        shorter += [(s, "exponential", x) for s in ("meter", "reference") for x in (0.7, 1.0, 1.5)]
        tried = [tried[0]] + [_smoothed_pair(bare, option) for option in shorter]
    else:
        family: list[Option] = [(side, "boxcar", x) for x in _BOXCARS_S]
        family += [(side, "exponential", x) for x in _EXPONENTIALS_S]
        tried = [tried[0]] + [_smoothed_pair(bare, option) for option in family]
    losses, late = _losses(tried, bare.omega)
    best = int(np.argmin(losses))
    if losses[best] >= min(_WORTHWHILE, _price(tried[best], tried[best].seconds)):
        best = 0
    found = replace(tried[best], late_s=float(late[best]))
    return _with_change(found, bare)


def tuned(found: Matched, bare: Bare) -> Matched:
    """Return the same match with its kernel's weights fitted one by one.

    Each weight may depart from the family's by about 0.05 unless the data ask for more, so a
    ride without changes of power keeps the family's kernel. Kept where it explains more.
    """
    sides = ("meter", "reference") if found.side == "none" else (found.side,)
    tried = [found]
    for side in sides:
        sharp, soft = bare.meter_w, bare.reference_w
        if side == "reference":
            sharp, soft = soft, sharp
        kernel = _free_kernel(sharp, soft, bare.omega, found.kernel)
        sharp = smoothed(sharp, kernel)
        meter, reference = (sharp, soft) if side == "meter" else (soft, sharp)
        tried.append(replace(found, meter_w=meter, reference_w=reference, side=side, kernel=kernel))
    losses, late = _losses(tried, bare.omega)
    best = int(np.argmin(losses))
    if losses[best] >= _price(found, 2 * _FREE_S + 1):
        best = 0
    return replace(tried[best], late_s=float(late[best]))


def _price(option: Matched, weights: float) -> float:
    """Return the share of the loss that so many weights must save (Schwarz's criterion)."""
    known = np.isfinite(option.meter_w) & np.isfinite(option.reference_w)
    rows = max(2, int(np.sum(_thinned(known))))
    return float(np.exp(-weights * np.log(rows) / rows))


def _free_kernel(sharp: Array, soft: Array, omega: Array, start: Array) -> Array:
    """Return weights (2 h + 1,) of sum 1 by which `sharp` explains `soft`, drawn towards `start`.

    Robust regression of soft(t) on sharp(t − k) and the zero part, with a normal prior on the
    weights around the starting kernel over the gain.
    """
    half = max(len(start) // 2, _FREE_S)
    kernel = np.pad(start, half - len(start) // 2)
    free = np.arange(-_FREE_S, _FREE_S + 1)
    inner = smoothed(sharp, kernel)
    shifted = np.stack([_shifted(sharp, int(k)) for k in free], axis=1)
    rows = np.isfinite(soft) & np.isfinite(inner) & np.all(np.isfinite(shifted), axis=1)
    rows = _thinned(rows)
    if rows.sum() < 20 * len(free):
        return start
    gain = float(np.median(soft[rows])) / max(1.0, float(np.median(inner[rows])))
    # departures δ from the start: soft − gain · inner = Σ δ_k sharp(t − k) + zero part + constant
    X = np.column_stack([shifted[rows], smoothed(omega, kernel)[rows], np.ones(rows.sum())])
    y = soft[rows] - gain * inner[rows]
    departure = _ridge(X, y, sd=_FREE_SD)
    total = gain * kernel
    total[half - _FREE_S : half + _FREE_S + 1] += departure[:-2]
    return np.asarray(total / total.sum())


def _ridge(X: Array, y: Array, *, sd: float) -> Array:
    """Return a Huber regression with a prior N(0, sd²) on all but the last two coefficients."""
    weight = np.ones(len(y))
    residual = np.abs(y - np.median(y))
    for _ in range(4):
        root = np.sqrt(weight)
        Xw = X * root[:, None]
        scale = max(0.3, robust_sd(residual, about=0.0))
        penalty = np.full(X.shape[1], (scale / sd) ** 2)
        penalty[-2:] = 1e-6
        # einsum: waking threads for so little costs a busy machine more than the work
        normal = np.einsum("ni,nj->ij", Xw, Xw)
        beta = np.linalg.solve(normal + np.diag(penalty), Xw.T @ (y * root))
        residual = np.abs(y - X @ beta)
        scale = max(0.3, robust_sd(residual, about=0.0))
        weight = 1 / np.maximum(1, residual / (3 * scale))
    return np.asarray(beta)


def _shifted(values: Array, k: int) -> Array:
    """Return values(t − k), nan beyond the ends."""
    moved = np.full(len(values), np.nan)
    if k >= 0:
        moved[k:] = values[: len(values) - k]
    else:
        moved[:k] = values[-k:]
    return moved


def centred_kernel(shape: str, seconds: float) -> Array:
    """Return a trailing smoothing's weights (2 h + 1,), moved so as to delay nothing on average."""
    if shape == "none" or seconds <= 0:
        return np.ones(1)
    if shape == "boxcar":
        whole = int(np.floor(seconds))
        trailing = np.append(np.ones(whole), seconds - whole)
    else:
        trailing = np.exp(-np.arange(int(np.ceil(6 * seconds)) + 1) / seconds)
    trailing = trailing / trailing.sum()
    delay = float(np.sum(np.arange(len(trailing)) * trailing))
    half = len(trailing)
    kernel = np.zeros(2 * half + 1)
    at = half + np.arange(len(trailing)) - delay
    low = np.floor(at).astype(np.int64)
    share = at - low
    np.add.at(kernel, low, trailing * (1 - share))
    np.add.at(kernel, low + 1, trailing * share)
    return kernel


def smoothed(values: Array, kernel: Array, *, tolerated: float = 0.1) -> Array:
    """Return values (n,) under a centred kernel; nan where more than `tolerated` is unknown.

    Weights count by their size: of two traces the one with fewer unknown values is known wherever
    the other is, also under a kernel with weights below zero.
    """
    if len(kernel) == 1:
        return values
    known = np.isfinite(values)
    size = np.abs(kernel)
    present = _convolve(known.astype(np.float64), size)
    weight = present if np.all(kernel >= 0) else _convolve(known.astype(np.float64), kernel)
    total = _convolve(np.where(known, values, 0.0), kernel)
    enough = known & (present > (1 - tolerated) * size.sum())
    return np.where(enough, total / np.maximum(weight, 1e-9), np.nan)


def _convolve(values: Array, kernel: Array) -> Array:
    half = len(kernel) // 2
    return np.convolve(values, kernel, "full")[half : half + len(values)]


def _smoothed_pair(bare: Bare, option: Option) -> Matched:
    side, shape, seconds = option
    meter_w, reference_w = bare.meter_w, bare.reference_w
    kernel = centred_kernel(shape, seconds)
    if side == "meter":
        meter_w = smoothed(meter_w, kernel)
    elif side == "reference":
        reference_w = smoothed(reference_w, kernel)
    return Matched(meter_w, reference_w, side, kernel, shape, seconds, np.zeros(0))


def _with_change(found: Matched, bare: Bare) -> Matched:
    """Add change_w, by the kernels 12 % shorter and longer."""
    if found.side == "none":
        one_two_one = np.array([0.25, 0.5, 0.25])
        softer = smoothed(bare.meter_w, one_two_one, tolerated=0.3)
        return replace(found, change_w=np.nan_to_num(softer - bare.meter_w))
    trace = bare.meter_w if found.side == "meter" else bare.reference_w
    low, high = (
        smoothed(trace, centred_kernel(found.shape, found.seconds * x)) for x in (0.88, 1.12)
    )
    return replace(found, change_w=np.nan_to_num((high - low) / (np.log(1.12) - np.log(0.88))))


def _losses(tried: list[Matched], omega: Array) -> tuple[Array, Array]:
    """Return what each option leaves over, as a share of the first's, and delays (s).

    The trace that was smoothed explains the other one, so that smoothing its noise away earns
    nothing; Huber's loss, on the same seconds for all. The delay is how much later the reference
    still is.
    """
    both = np.all([np.isfinite(t.meter_w) & np.isfinite(t.reference_w) for t in tried], axis=0)
    if both.sum() < 60:
        return np.array([0.0] + [1.0] * (len(tried) - 1)), np.zeros(len(tried))
    rows = _thinned(both)
    first = {side: _explain(tried[0], side, rows, omega) for side in ("meter", "reference")}
    losses, delays = [1.0], [first["meter"][1]]
    for option in tried[1:]:
        residual, delay = _explain(option, option.side, rows, omega)
        scale = max(0.3, robust_sd(first[option.side][0], about=0.0))
        left, at_first = (_huber(r / scale) for r in (residual, first[option.side][0]))
        losses.append(left / max(at_first, 1e-9))
        delays.append(delay)
    return np.array(losses), np.array(delays)


def _huber(z: Array) -> float:
    size = np.abs(z)
    return float(np.mean(np.where(size < 3, 0.5 * size**2, 3 * size - 4.5)))


def _explain(option: Matched, side: str, rows: Mask, omega: Array) -> tuple[Array, float]:
    """Return the residual of one trace on the smoothed one, and the reference's delay (s)."""
    x, y, sign = option.meter_w, option.reference_w, -1.0
    if side == "reference":
        x, y, sign = y, x, 1.0
    zero = smoothed(omega, option.kernel) if option.side == "meter" else omega
    slope = np.clip(np.nan_to_num(np.gradient(x)), -100, 100)
    y, X = y[rows], np.column_stack([x[rows], zero[rows], slope[rows], np.ones(len(zero[rows]))])
    robust = np.ones(len(y))
    for _ in range(3):
        root = np.sqrt(robust)
        Xw = X * root[:, None]
        beta = np.linalg.solve(Xw.T @ Xw + 1e-6 * np.eye(4), Xw.T @ (y * root))
        residual = y - X @ beta
        scale = max(0.3, robust_sd(residual, about=0.0))
        robust = 1 / np.maximum(1, np.abs(residual) / (3 * scale))
    gain = beta[0] if abs(beta[0]) > 0.2 else 1.0
    return np.asarray(residual), float(np.clip(sign * beta[2] / gain, -3, 3))


def _thinned(rows: Mask) -> Mask:
    """Return at most about 4,000 of the rows, evenly: a kernel needs no more of a long ride."""
    step = int(np.sum(rows)) // _ENOUGH_ROWS + 1
    kept = np.zeros(len(rows), dtype=bool)
    kept[np.flatnonzero(rows)[::step]] = True
    return kept
