"""The `compare` command's document, and what its charts show, key by key."""

from typing import TypedDict


class Band(TypedDict):
    """The ratio in one part of the ride; gain_ratio_pct with the zero part taken out."""

    used_s: int
    meter_w: float
    reference_w: float
    ratio_pct: float
    gain_ratio_pct: float
    gain_ratio_interval90_pct: list[float]


class PowerBand(Band):
    """A band of the reference's power, W."""

    from_w: int
    to_w: int


class CadenceBand(Band):
    """A band of cadence, rpm."""

    from_rpm: int
    to_rpm: int


class TimeBand(Band):
    """A stretch of the ride, s from the first common second."""

    from_s: int
    to_s: int


class Smoothing(TypedDict):
    """How the two were smoothed; smoother: meter, reference or neither."""

    smoother: str
    shape: str
    seconds: float


class ComparisonDocument(TypedDict):
    """Two recordings compared. lag_s > 0: the reference stamps the same instant later.

    bend_pct_per_100w: change of the ratio over 100 W; change_pct: from start to end
    """

    lag_s: float | None
    u_lag_s: float | None
    lag_certain: bool
    clock_drift_ppm: float
    overlap_s: int
    used_s: int
    excluded_s: dict[str, int]
    smoothing: Smoothing
    gain_ratio_pct: float | None
    u_gain_ratio_pct: float | None
    gain_ratio_interval90_pct: list[float] | None
    dof: float | None
    zero_offset_nm: float | None
    u_zero_offset_nm: float | None
    zero_offset_interval90_nm: list[float] | None
    bend_pct_per_100w: float | None
    u_bend_pct_per_100w: float | None
    change_pct: float | None
    u_change_pct: float | None
    constant_w: float | None
    other_constant_w: float | None
    mean_difference_w: float | None
    limits_of_agreement_w: list[float] | None
    by_power_band: list[PowerBand]
    by_cadence_band: list[CadenceBand]
    by_time: list[TimeBand]
    temperature_c: float | None
    void: str | None
    warnings: list[str]


class LeftOut(TypedDict):
    """A stretch that does not count, and its main reason."""

    from_minute: float
    to_minute: float
    reason: str


Trace = list[float | None]


class Drawn(TypedDict):
    """What the charts of a compared ride show.

    minute, meter_…, reference_…  both traces by the meter's clock, means over equal parts
    mean_of_two_…, difference_…   of the seconds that count, with the same smoothing
    …_w in watts, …_pct in percent of the reference's mean power, for those who may not see
    a rider's watts
    """

    minute: Trace
    left_out: list[LeftOut]
    meter_w: Trace
    reference_w: Trace
    mean_of_two_w: Trace
    difference_w: Trace
    meter_pct: Trace
    reference_pct: Trace
    mean_of_two_pct: Trace
    difference_pct: Trace
