"""Judge zero readings away from the bench: each meter's temperature line, jumps of its zero.

A jump of the zero points to bolts, bearings or a blow. It is an alarm of its own, it makes a step
of the gain likelier near its date, and it is never itself a gain error: the zero is set before
each ride. A zero wanders and follows the temperature, so it is judged against

    zero = level + b · (T − 20 °C) + walk + noise

b from differences of successive readings (which a jump touches once), walk and noise from how
differences grow with time, all drawn towards the fleet's.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import polars as pl

from models.metrology import Array, Mask, robust_sd
from models.wording import Reason, signed

WINDOW = 8  # readings on each side of a possible jump
LEAST_BEFORE, LEAST_AFTER = 4, 2
MOST_STEPS = 4
LINE_SD = 3.0  # prior sd of b over the noise, per 10 °C
SHARE_OF_BUDGET = 0.1
"""Of the fleet's false alarms a season that the zeros may use."""
FLOOR_NM = 0.01
LEAST_NM = 0.15  # 1.4 W at 90 rpm: less is nobody's business
LEAST_NOISES = 4.0  # in counts, whose size is the maker's secret: so many times the noise
LINE_LEFT_SD = 0.3  # what is left of the line's error, as a share of its prior sd
DOF_OF_FLEET = 6.0
FIRST_LOOK = 3.0
DAY_US = 86400e6

STEP_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "meter_id": pl.String,
    "before": pl.Datetime("us", "UTC"),
    "at": pl.Datetime("us", "UTC"),
    "size": pl.Float64,
    "sd": pl.Float64,
    "unit": pl.String,
    "text": pl.String,
    "short": pl.String,
}


@dataclass
class _Series:
    """One meter's zeros in order of time.

    t: days since 1970; y: in its unit; offset_c: °C above 20 (0 where not known)
    """

    meter_id: str
    unit: str
    t: Array
    y: Array
    offset_c: Array
    known: Mask
    per_c: float = 0.0
    noise2: float = 0.0
    walk2: float = 0.0

    @property
    def flat(self) -> Array:
        """Return the readings with the temperature line taken out."""
        return self.y - self.per_c * self.offset_c


def zero_steps(zeros: pl.DataFrame, *, false_alarms_per_season: float = 1.0) -> pl.DataFrame:
    """Return the jumps of the meters' zeros.

    In   zeros: the table (meter_id, measured_at, zero_nm or zero_raw, temperature_c)
    Out  STEP_SCHEMA, a row a jump in order of meter and time: it lies between `before` and `at`,
         the readings around it; size and its standard uncertainty in unit (N·m, or counts)
    """
    all_series = _series(zeros)
    if not all_series:
        return pl.DataFrame(schema=STEP_SCHEMA)
    limit_p = _p_limit(all_series, false_alarms_per_season)
    rows = []
    for series in all_series:
        for before, after, size, sd in _jumps(series, limit_p):
            row = (series.meter_id, _instant(series.t[before]), _instant(series.t[after]))
            reason = _reason(series, before, after, size, sd)
            rows.append((*row, size, sd, series.unit, str(reason), reason.short))
    return pl.DataFrame(rows, schema=STEP_SCHEMA, orient="row")


def zero_alarms(steps: pl.DataFrame) -> pl.DataFrame:
    """Return jumps as alarms, a row each.

    Out  device_kind, device_id, kind, date, earliest, latest, size_pct (null: it is no gain
         error), size_nm, score, text, short
    """
    return steps.select(
        device_kind=pl.lit("meter"),
        device_id="meter_id",
        kind=pl.lit("zero_step"),
        date=pl.col("at").dt.date(),
        earliest=pl.col("before").dt.date(),
        latest=pl.col("at").dt.date(),
        size_pct=pl.lit(None, dtype=pl.Float64),
        size_nm=pl.when(pl.col("unit") == "N·m").then("size"),
        score=pl.col("size") / pl.col("sd"),
        text="text",
        short="short",
    )


def with_zero_alarms(alarms: pl.DataFrame, steps: pl.DataFrame) -> pl.DataFrame:
    """Return a fleet's alarms and the jumps of its zeros, one row for a jump and a step together.

    In   alarms: `FleetFit.alarms`; steps: `zero_steps`
    Out  alarms' columns and size_nm: of a step the size of the jump that lies within its days
    """
    own = ["device_kind", "device_id"]
    zeros = zero_alarms(steps).with_row_index("_zero")
    both = (
        alarms.with_row_index("_alarm")
        .filter(pl.col("kind") == "step")
        .join(zeros.select(*own, "_zero", "size_nm", first="earliest", last="latest"), on=own)
        .filter((pl.col("first") <= pl.col("latest")) & (pl.col("earliest") <= pl.col("last")))
    )
    sizes = both.unique("_alarm", keep="first").select("_alarm", "size_nm")
    told = alarms.with_row_index("_alarm").join(sizes, on="_alarm", how="left").drop("_alarm")
    alone = zeros.filter(~pl.col("_zero").is_in(both["_zero"].implode())).drop("_zero")
    return pl.concat([told, alone], how="diagonal").sort("date", "device_id", maintain_order=True)


def zero_candidates(steps: pl.DataFrame) -> pl.DataFrame:
    """Return jumps as events at which the gain may have stepped, halfway between the readings."""
    middle = pl.col("before") + (pl.col("at") - pl.col("before")) / 2
    return steps.select(
        "meter_id",
        on=middle.dt.date(),
        at=middle.cast(pl.Datetime("us", "UTC")),
        earliest="before",
        latest="at",
        event=pl.lit("zero_step"),
        note=pl.struct("size", "unit").map_elements(_sized, return_dtype=pl.String),
    )


def _sized(step: dict[str, float | str]) -> str:
    size, unit = float(step["size"]), str(step["unit"])
    return f"{signed(size, 2 if unit == 'N·m' else 0)} {unit}"


def _series(zeros: pl.DataFrame) -> list[_Series]:
    """Return every meter's readings in the unit that it has more of, with line, noise, walk."""
    rows = zeros.filter(pl.col("measured_at").is_not_null()).sort("meter_id", "measured_at")
    out = []
    for (meter_id,), part in rows.group_by("meter_id", maintain_order=True):
        in_nm = part["zero_nm"].is_finite().fill_null(False)
        raw = part["zero_raw"].is_finite().fill_null(False)
        column, chosen, unit = (
            ("zero_nm", in_nm, "N·m") if in_nm.sum() >= raw.sum() else ("zero_raw", raw, "counts")
        )
        kept = part.filter(chosen)
        if kept.height >= LEAST_BEFORE + LEAST_AFTER:
            out.append(_one(str(meter_id), unit, kept, column))
    _describe(out)
    return out


def _one(meter_id: str, unit: str, rows: pl.DataFrame, column: str) -> _Series:
    celsius = rows["temperature_c"].cast(pl.Float64).to_numpy()
    known = np.isfinite(celsius)
    return _Series(
        meter_id,
        unit,
        rows["measured_at"].dt.epoch("us").to_numpy() / DAY_US,
        rows[column].cast(pl.Float64).to_numpy(),
        np.where(known, np.nan_to_num(celsius, nan=20.0) - 20.0, 0.0),
        known,
    )


def _describe(all_series: list[_Series]) -> None:
    """Fill in lines, noise and walks: each meter's own, shrunk towards all of its unit."""
    for unit in {s.unit for s in all_series}:
        same = [s for s in all_series if s.unit == unit]
        for s in same:
            s.noise2 = _noise2(np.diff(s.y), unit)
            s.per_c = _line(s)
            s.noise2 = _noise2(np.diff(s.flat), unit)
        fleet2 = float(np.median([s.noise2 for s in same]))
        walk2 = float(np.median([_walk2(s) for s in same]))
        for s in same:
            if unit == "N·m":  # counts of different makes are not alike
                n = len(s.y) - 1
                s.noise2 = (n * s.noise2 + DOF_OF_FLEET * fleet2) / (n + DOF_OF_FLEET)
                s.walk2 = walk2
            else:
                s.walk2 = _walk2(s)


def _noise2(differences: Array, unit: str) -> float:
    """Return half the robust variance of successive differences."""
    spread = robust_sd(differences)
    floor = FLOOR_NM if unit == "N·m" else 0.5
    return max(spread, floor) ** 2 / 2


def _line(s: _Series) -> float:
    """Fit the zero's slope against temperature to successive differences, a jump left out."""
    both = s.known[1:] & s.known[:-1]
    dy, dx = np.diff(s.y)[both], np.diff(s.offset_c)[both]
    prior2 = LINE_SD**2 * s.noise2 / 100.0
    slope = 0.0
    for _ in range(5):
        off = np.abs(dy - slope * dx) / np.sqrt(2 * s.noise2)
        w = np.minimum(1.0, 2.0 / np.maximum(off, 1e-9)) * (off < 8)
        slope = float((w * dy * dx).sum() / ((w * dx**2).sum() + 2 * s.noise2 / prior2))
    return slope


def _walk2(s: _Series) -> float:
    """Return the walk's daily variance, from differences over WINDOW readings."""
    if len(s.y) <= 2 * WINDOW:
        return 0.0
    flat = s.flat
    far, dt = flat[WINDOW:] - flat[:-WINDOW], s.t[WINDOW:] - s.t[:-WINDOW]
    spread2 = robust_sd(far) ** 2
    return float(max(spread2 - 2 * s.noise2, 0.0) / max(float(np.median(dt)), 1e-6))


def _p_limit(all_series: list[_Series], false_alarms: float) -> float:
    """Return the p-value that a jump must fall below: the budget shared by all places."""
    first = min(float(s.t[0]) for s in all_series)
    last = max(float(s.t[-1]) for s in all_series)
    seasons = max((last - first) / 365.0, 1.0)
    places = sum(len(s.y) for s in all_series)
    return SHARE_OF_BUDGET * false_alarms * seasons / places


def _jumps(s: _Series, limit_p: float) -> list[tuple[int, int, float, float]]:
    """Return one meter's jumps in order: (reading before, reading after, size, sd)."""
    found: list[tuple[int, int, float, float]] = []
    edges = [0, len(s.y)]
    for _ in range(MOST_STEPS):
        best = max(
            (b for lo, hi in pairwise(edges) if (b := _best(s, lo, hi))),
            key=lambda b: abs(b[1] / b[2]),
            default=None,
        )
        if best is None or _p_value(best[1] / best[2], len(s.y)) > limit_p:
            break
        k, size, sd = best
        found.append((k - 1, k, size, sd))
        edges = sorted([*edges, k])
    return sorted(found)


def _best(s: _Series, lo: int, hi: int) -> tuple[int, float, float] | None:
    """Return the best supported jump in readings lo…hi: (first reading after, size, sd)."""
    best = None
    for k in _worth_a_look(s, lo, hi):
        a, b = max(lo, k - WINDOW), min(hi, k + WINDOW)
        size, sd = _step(slice(a, b), k - a, s)
        least = LEAST_NM if s.unit == "N·m" else LEAST_NOISES * np.sqrt(s.noise2)
        if abs(size) < least:
            continue
        if best is None or abs(size / sd) > abs(best[1] / best[2]):
            best = (k, size, sd)
    return best


def _worth_a_look(s: _Series, lo: int, hi: int) -> list[int]:
    """Return the readings in lo…hi whose mean and the mean before differ by more than noise."""
    k = np.arange(lo + LEAST_BEFORE, hi - LEAST_AFTER + 1)
    a, b = np.maximum(lo, k - WINDOW), np.minimum(hi, k + WINDOW)
    sums = np.concatenate([[0.0], np.cumsum(s.flat)])
    rough = (sums[b] - sums[k]) / (b - k) - (sums[k] - sums[a]) / (k - a)
    noise = np.sqrt(s.noise2 * (1 / (k - a) + 1 / (b - k)))
    found: list[int] = k[np.abs(rough) >= FIRST_LOOK * noise].tolist()
    return found


def _step(window: slice, k: int, s: _Series) -> tuple[float, float]:
    """Fit a level and a step from the window's reading k on; returns the step and its sd.

    Generalised least squares, with walk, noise and what is left of the line's error.
    """
    t, y, offset = s.t[window] - s.t[window.start], s.flat[window], s.offset_c[window]
    line2 = (LINE_LEFT_SD * LINE_SD / 10) ** 2 * s.noise2
    V = s.noise2 * np.eye(len(t)) + s.walk2 * np.minimum.outer(t, t)
    V += line2 * np.outer(offset, offset)
    X = np.column_stack([np.ones(len(t)), (np.arange(len(t)) >= k).astype(float)])
    W = np.linalg.solve(V, X)
    cov = np.linalg.inv(X.T @ W)
    return float((cov @ (W.T @ y))[1]), float(np.sqrt(cov[1, 1]))


def _p_value(z: float, n: int) -> float:
    """Return the two-sided p-value of a statistic, the noise being estimated."""
    from scipy.special import stdtr

    return float(2 * stdtr(n - 1 + DOF_OF_FLEET, -abs(z)))


def _instant(day: float) -> datetime:
    return datetime.fromtimestamp(round(day * 86400), tz=UTC)


def _reason(s: _Series, before: int, after: int, size: float, sd: float) -> Reason:
    first, last = (_instant(s.t[k]).date() for k in (before, after))
    line = Reason("line_taken_out", per_c=s.per_c, unit=s.unit) if s.known.any() else None
    meter, half = s.meter_id, 2 * sd
    if s.unit == "N·m":
        return Reason(
            "zero_jump", meter=meter, size=size, half=half, first=first, last=last, line=line
        )
    return Reason(
        "zero_jump_counts", meter=meter, size=size, half=half, first=first, last=last, line=line
    )
