"""Where two power traces lie best upon each other: masked correlation at every lag."""

from dataclasses import dataclass

import numpy as np

from models.metrology import Array, Index, robust_sd

_COARSE_MEAN_S = 121  # running mean taken off: what is left are the edges of efforts
_FINE_MEAN_S = 31  # … and the rider's own unsteadiness, which tells equal intervals apart
_COARSE_GRAIN_S, _FINE_GRAIN_S = 10.0, 4.0  # seconds that count as one independent look
_FEWEST_S = 120  # seconds that both share at a lag worth considering
_APART_S = 10  # two candidates closer than this are one


@dataclass(frozen=True)
class Candidate:
    """One possible lag (samples), how much evidence speaks for it, and the seconds shared."""

    shift: int
    score: float
    correlation: float
    shared_s: int


def candidates(x: Array, y: Array, shifts: tuple[int, int], *, most: int = 6) -> list[Candidate]:
    """Return the best shifts d of y against x (x[i] beside y[i + d]), best first.

    x, y    power at 1 Hz, nan where unknown
    shifts  lowest and highest d considered

    score: Fisher's transform of the masked correlation times the root of the number of
    independent looks, from the edges of efforts and from the fine unsteadiness together; for
    two unrelated rides the best of all shifts rarely passes 6.
    """
    shift, coarse, shared = _scores(x, y, _COARSE_MEAN_S, 3, _COARSE_GRAIN_S)
    _, fine, _ = _scores(x, y, _FINE_MEAN_S, 1, _FINE_GRAIN_S)
    fewest = min(_FEWEST_S, 0.5 * min(np.isfinite(x).sum(), np.isfinite(y).sum()))
    allowed = (shift >= shifts[0]) & (shift <= shifts[1]) & (shared >= fewest)
    score = np.where(allowed, coarse + 0.5 * _best_nearby(fine, 3), -np.inf)
    found: list[Candidate] = []
    while len(found) < most:
        best = int(np.argmax(score))
        if not np.isfinite(score[best]):
            break
        looks = max(shared[best], 1.0) / _COARSE_GRAIN_S
        correlation = float(np.tanh(coarse[best] / np.sqrt(looks)))
        found.append(
            Candidate(int(shift[best]), float(score[best]), correlation, int(shared[best]))
        )
        score[np.abs(shift - shift[best]) <= _APART_S] = -np.inf
    return found


def features(power: Array, mean_s: int, smooth_s: int) -> tuple[Array, Array]:
    """Return power as its bounded departures from a running mean (n,), and its mask.

    The root damps sprints; the percentiles and the clip keep spikes and drop-outs from
    outweighing everything else.
    """
    known = np.isfinite(power)
    mask = known.astype(np.float64)
    low, high = np.percentile(power[known], [3, 97])
    root = np.sqrt(np.clip(np.where(known, power, low), max(low, 0.0), max(high, 1.0)))
    smooth, mean = _running_mean(root, mask, smooth_s), _running_mean(root, mask, mean_s)
    departure = np.where(known, smooth - mean, 0.0)
    typical = robust_sd(departure[known], about=0.0)
    if typical < 1e-6:
        typical = float(np.std(departure[known]))
    return np.clip(departure, -2.5 * typical, 2.5 * typical), mask


@dataclass(frozen=True)
class Stretches:
    """Correlation of x with y around an expected shift, stretch by stretch.

    edges        (k + 1,) first sample of each stretch, and the end
    offsets      (m,) departures from the expected shift that were tried, samples
    correlation  (k, m)
    shared_s     (k,) seconds with data in both
    """

    edges: Index
    offsets: Index
    correlation: Array
    shared_s: Array

    def best(self) -> tuple[Array, Array]:
        """Return each stretch's best departure (by a parabola) and the correlation there."""
        row = np.arange(len(self.correlation))
        top = np.argmax(self.correlation, axis=1)
        inner = np.clip(top, 1, len(self.offsets) - 2)
        before, at, after = (self.correlation[row, inner + k] for k in (-1, 0, 1))
        bend = np.minimum(before - 2 * at + after, -1e-9)
        fraction = np.clip(0.5 * (before - after) / bend, -1, 1)
        departure = self.offsets[inner] + np.where(top == inner, fraction, 0.0)
        return departure, self.correlation[row, top]

    def lead_over(self, departure: Array) -> Array:
        """Return the lead (k,) of the best correlation over the one at a given departure, in sd."""
        row = np.arange(len(self.correlation))
        column = np.clip(np.round(departure - self.offsets[0]), 0, len(self.offsets) - 1)
        there = self.correlation[row, column.astype(np.int64)]
        best = self.correlation.max(axis=1)
        lead = np.arctanh(np.clip(best, 0, 0.99)) - np.arctanh(np.clip(there, -0.99, 0.99))
        return np.asarray(lead * np.sqrt(np.maximum(self.shared_s, 0) / _COARSE_GRAIN_S))


def along(x: Array, y: Array, shift: int, *, length: int, reach: int) -> Stretches:
    """Return how well y follows x around one shift, in stretches of about `length` samples."""
    fx, mx = features(x, _COARSE_MEAN_S, 3)
    fy, my = features(y, _COARSE_MEAN_S, 3)
    offsets = np.arange(-reach, reach + 1)
    count = max(1, round(len(x) / length))
    edges = np.linspace(0, len(x), count + 1).astype(np.int64)
    rows = [_products(fx, mx, fy, my, shift + int(k), edges[:-1]) for k in offsets]
    xy, xx, yy, n = (np.stack(part, axis=1) for part in zip(*rows, strict=True))
    correlation = xy / np.sqrt(np.maximum(xx * yy, 1e-12))
    return Stretches(edges, offsets, correlation, n[:, reach])


def _scores(
    x: Array, y: Array, mean_s: int, smooth_s: int, grain_s: float
) -> tuple[Array, Array, Array]:
    """Return shifts, scores and shared seconds."""
    fx, mx = features(x, mean_s, smooth_s)
    fy, my = features(y, mean_s, smooth_s)
    size = 1 << int(np.ceil(np.log2(len(x) + len(y))))
    fxy = np.conj(np.fft.rfft(np.stack([fx, mx, fx * fx]), size))
    gxy = np.fft.rfft(np.stack([fy, my, fy * fy]), size)
    # x·y, mask·mask, x²·mask, mask·y²
    parts = np.fft.irfft(
        np.stack([fxy[0] * gxy[0], fxy[1] * gxy[1], fxy[2] * gxy[1], fxy[1] * gxy[2]]), size
    )
    index = np.arange(size)
    shift = np.where(index < len(y), index, index - size)
    shared = np.round(np.maximum(parts[1], 0))
    spread = np.sqrt(np.maximum(parts[2] * parts[3], 1e-9))
    correlation = np.clip(parts[0] / spread, -0.999, 0.999)
    score = np.arctanh(correlation) * np.sqrt(shared / grain_s)
    return shift, np.where(shared > 0, score, -np.inf), shared


def _best_nearby(score: Array, reach: int) -> Array:
    """Return the largest of the scores within `reach` shifts (circular)."""
    rolled = [np.roll(score, k) for k in range(-reach, reach + 1)]
    return np.asarray(np.max(rolled, axis=0))


def _running_mean(values: Array, mask: Array, width: int) -> Array:
    half = width // 2
    index = np.arange(len(values))
    low = np.clip(index - half, 0, len(values))
    high = np.clip(index + half + 1, 0, len(values))
    total = np.concatenate([[0.0], np.cumsum(values * mask)])
    count = np.concatenate([[0.0], np.cumsum(mask)])
    return np.asarray((total[high] - total[low]) / np.maximum(count[high] - count[low], 1.0))


def _products(
    fx: Array, mx: Array, fy: Array, my: Array, shift: int, edges: Index
) -> tuple[Array, Array, Array, Array]:
    """Return sums over stretches of x·y, x², y² and the shared mask, y taken at i + shift."""
    index = np.arange(len(fx)) + shift
    inside = (index >= 0) & (index < len(fy))
    index = np.clip(index, 0, len(fy) - 1)
    both = mx * my[index] * inside
    terms = (fx * fy[index] * both, fx * fx * both, fy[index] ** 2 * both, both)
    sums = [np.add.reduceat(term, edges) for term in terms]
    return sums[0], sums[1], sums[2], sums[3]
