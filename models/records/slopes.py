"""Follow the slope programmed into each meter: every change, recorded or found out later.

The programmed slope enters the gain error as e(t) = s(t) − p(t), everything in 100·ln:
s is the sensor's own sensitivity and p the programmed slope relative to the factory's,

    divisor     p = +100·ln(slope / factory)   (torque = signal / slope)
    multiplier  p = −100·ln(slope / factory)   (torque = slope × signal)
    fixed       p = 0

so a reset that raises p lowers the gain error by as much.
"""

import polars as pl

from ingest.schema import typed_columns
from models.metrology import ln_from_ratio, percent_from_ln
from models.records.slope_dates import dated_by_events

RESET_SCHEMA: dict[str, pl.DataType] = {
    "meter_id": pl.String(),
    "at": pl.Datetime("us", "UTC"),
    "slope_before": pl.Float64(),
    "slope_after": pl.Float64(),
    "p_before": pl.Float64(),
    "p_after": pl.Float64(),
    "step_pct": pl.Float64(),
    "recorded": pl.Boolean(),
    "earliest": pl.Datetime("us", "UTC"),
    "latest": pl.Datetime("us", "UTC"),
    "session_id": pl.String(),
}

ROUNDING_CAP = 5e-4
"""Largest relative difference that a number written with fewer digits may explain."""

_MOST_DECIMALS = 6
_UTC = pl.Datetime("us", "UTC")
_SLOPES = [
    f"slope_{when}{side}" for side in ("", "_left", "_right") for when in ("before", "after")
]


def slope_chain(
    meters: pl.DataFrame, sessions: pl.DataFrame, *, events: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Return every change of every meter's programmed slope, in order.

    In   meters: meter_id, slope_convention, factory_slope, in_service_date, slope_step
         sessions: session_id, meter_id, measured_at, slope_before, slope_after and the two with
         _left, _right (the pair's slope is the mean of its sides); absent columns count as null
         events: the table; a change that an event accounts for is dated to it (see slope_dates)
    Out  one row a change, columns of RESET_SCHEMA, sorted by meter and time. p in 100·ln,
         step_pct in plain percent of the gain error.

    An empty slope_after means unchanged, an empty slope_before the last slope known (at first
    the factory's; where that is not given, the first slope seen). A slope_before that differs
    from the last slope by more than rounding is a change nobody recorded: recorded = false,
    somewhere in earliest…latest (since the meter's in-service date where it had no session
    before), `at` their midpoint. p is continuous: each row's p_before is the p_after of the
    row before it. A first slope_after with nothing known before it sets p = 0 from there on;
    its step_pct is null because nobody can know it. Fixed slopes have no rows.
    """
    rows = _known_slopes(_with_meter(meters, sessions))
    if rows.is_empty():
        return pl.DataFrame(schema=RESET_SCHEMA)
    changes = pl.concat([dated_by_events(_unrecorded(rows), rows, events), _recorded(rows)])
    return _with_p(changes.sort("meter_id", "latest", "recorded", maintain_order=True))


def programmed(resets: pl.DataFrame, instants: pl.DataFrame) -> pl.DataFrame:
    """Return the programmed slope p of meters at given instants, in 100·ln.

    In   resets: as from slope_chain; instants: meter_id, at (and any other columns)
    Out  instants in their order, plus
         p_before  p that a reading at that instant saw (a reset at that very instant not yet
                   made: the as-found reading of a session)
         p_after   p once a reset at that very instant is made
         u_p       standard uncertainty of both, 100·ln: > 0 only inside the gap of an
                   unrecorded reset, whose date is taken as uniform over the gap; there p is the
                   mean over that date, so p_before = p_after
    Meters without resets have p = 0.
    """
    base = instants.with_row_index("_row")
    keys = base.select("_row", "meter_id", pl.col("at").cast(_UTC).alias("_at")).sort("_at")
    steps = _steps(resets)
    found = (
        keys.pipe(_last_step, steps.filter("recorded"), "_recorded", inclusive=False)
        .pipe(_last_step, steps.filter(~pl.col("recorded")), "_hidden", inclusive=True)
        .pipe(_last_step, steps, "_any", inclusive=True)
        .pipe(_open_gap, steps.filter(~pl.col("recorded")))
    )
    later_hidden = pl.col("_order_hidden").fill_null(-1) > pl.col("_order_recorded").fill_null(-1)
    settled = pl.when(later_hidden).then("_p_hidden").otherwise("_p_recorded").fill_null(0.0)
    in_gap = pl.col("_share").is_not_null()
    gap_p = pl.col("_p0") + pl.col("_share") * (pl.col("_p1") - pl.col("_p0"))
    gap_u = (pl.col("_p1") - pl.col("_p0")).abs() * (
        pl.col("_share") * (1 - pl.col("_share"))
    ).sqrt()
    result = found.select(
        "_row",
        pl.when(in_gap).then(gap_p).otherwise(settled).alias("p_before"),
        pl.when(in_gap).then(gap_p).otherwise(pl.col("_p_any").fill_null(0.0)).alias("p_after"),
        pl.when(in_gap).then(gap_u).otherwise(0.0).alias("u_p"),
    )
    return base.join(result, on="_row", how="left").sort("_row").drop("_row")


def differs_beyond_rounding(
    found: pl.Expr, expected: pl.Expr, *, slope_step: pl.Expr | None = None
) -> pl.Expr:
    """Tell where two written slopes cannot be the same number, rounded.

    Rounding explains half a unit of the last digit of the coarser number, but never more than
    ROUNDING_CAP of the slope (20 may be a rounded 20.004, not a rounded 20.3); where the meter's
    slope_step is known, half a step, since the meter cannot hold anything between.
    """
    coarse = pl.max_horizontal(_half_last_digit(found), _half_last_digit(expected))
    limit = pl.min_horizontal(coarse, ROUNDING_CAP * expected.abs())
    if slope_step is not None:
        limit = pl.max_horizontal(limit, 0.499 * slope_step.abs())
    return (found - expected).abs() > limit + 1e-9 * expected.abs()


def _with_meter(meters: pl.DataFrame, sessions: pl.DataFrame) -> pl.DataFrame:
    """Return sessions of meters whose slope can be set, sorted, with what the meter's row says."""
    wanted = {
        "slope_convention": pl.String,
        "factory_slope": pl.Float64,
        "in_service_date": pl.Date,
        "slope_step": pl.Float64,
    }
    about = meters.select("meter_id", *typed_columns(meters, wanted))
    slopes = dict.fromkeys(_SLOPES, pl.Float64)
    return (
        sessions.select(
            "session_id",
            "meter_id",
            pl.col("measured_at").cast(_UTC),
            *typed_columns(sessions, slopes),
        )
        .join(about, on="meter_id", how="inner")
        .filter(pl.col("slope_convention").is_in(["multiplier", "divisor"]))
        .with_columns(_positive(name) for name in [*_SLOPES, "factory_slope"])
        .sort("meter_id", "measured_at", "session_id")
    )


def _positive(name: str) -> pl.Expr:
    """Return the slope, null where it is not one (zero, negative, not a number)."""
    usable = pl.col(name).is_finite() & (pl.col(name) > 0)
    return pl.when(usable).then(pl.col(name)).alias(name)


def _known_slopes(rows: pl.DataFrame) -> pl.DataFrame:
    """Add before, after (as written, sides averaged), last (known when the session began)."""
    for side in ("left", "right"):
        rows = _known_side(rows, side)
    rows = rows.with_columns(_total("before"), _total("after"))
    first = pl.coalesce("before", "after").drop_nulls().first().over("meter_id")
    first_is_before = (
        pl.col("before").is_not_null().filter(pl.coalesce("before", "after").is_not_null())
    )
    seen_before = first_is_before.first().over("meter_id").fill_null(False)
    return (
        rows.with_columns(
            factory=pl.coalesce("factory_slope", first),
            initial=pl.coalesce("factory_slope", pl.when(seen_before).then(first)),
        )
        .with_columns(last=_carried("before", "after", start="initial"))
        .with_columns(previous_at=pl.col("measured_at").shift(1).over("meter_id"))
        .filter(pl.col("factory").is_not_null())
    )


def _known_side(rows: pl.DataFrame, side: str) -> pl.DataFrame:
    """Add before_SIDE and after_SIDE, what that side held, and last_SIDE, what it was left at.

    What a session does not say is filled in from earlier ones.
    """
    before, after = f"slope_before_{side}", f"slope_after_{side}"
    last = _carried(before, after, start="factory_slope")
    held = rows.with_columns(
        pl.coalesce(before, last).alias(f"before_{side}"), last.alias(f"last_{side}")
    )
    return held.with_columns(pl.coalesce(after, f"before_{side}").alias(f"after_{side}"))


def _carried(before: str, after: str, *, start: str) -> pl.Expr:
    """Return the slope a session must have met: the last one written in an earlier session."""
    written = pl.coalesce(after, before)
    return pl.coalesce(written.forward_fill().shift(1).over("meter_id"), start)


def _total(when: str) -> pl.Expr:
    """Return the whole meter's written slope: its own number, else the mean of its sides."""
    sides = [f"slope_{when}_left", f"slope_{when}_right"]
    any_side = pl.any_horizontal(pl.col(sides).is_not_null())
    mean = pl.mean_horizontal(f"{when}_left", f"{when}_right")
    return pl.coalesce(f"slope_{when}", pl.when(any_side).then(mean)).alias(when)


def _unrecorded(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the changes nobody recorded: the slope met is not the one last left."""
    start = pl.coalesce("previous_at", pl.col("in_service_date").cast(_UTC), "measured_at")
    unlike = differs_beyond_rounding(
        pl.col("before"), pl.col("last"), slope_step=pl.col("slope_step")
    )
    return rows.filter(unlike.fill_null(False)).select(
        "meter_id",
        "slope_convention",
        "factory",
        slope_before="last",
        slope_after="before",
        recorded=pl.lit(False),
        earliest=pl.min_horizontal(start, "measured_at"),
        latest="measured_at",
        session_id="session_id",
    )


def _recorded(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the recorded changes: the slope left is not the one met."""
    met = pl.coalesce("before", "last")
    moved = (
        pl.when(pl.col("before").is_not_null())
        .then((pl.col("after") - met).abs() > 1e-9 * met)
        .otherwise(differs_beyond_rounding(pl.col("after"), met, slope_step=pl.col("slope_step")))
    )
    never_known = pl.col("after").is_not_null() & met.is_null()
    return rows.filter(moved.fill_null(False) | never_known).select(
        "meter_id",
        "slope_convention",
        "factory",
        slope_before=met,
        slope_after="after",
        recorded=pl.lit(True),
        earliest="measured_at",
        latest="measured_at",
        session_id="session_id",
    )


def _with_p(changes: pl.DataFrame) -> pl.DataFrame:
    sign = pl.when(pl.col("slope_convention") == "divisor").then(1.0).otherwise(-1.0)
    middle = pl.col("earliest") + (pl.col("latest") - pl.col("earliest")) / 2
    p_after = sign * ln_from_ratio(pl.col("slope_after") / pl.col("factory"))
    before = pl.col("p_after").shift(1).over("meter_id").fill_null(0.0)
    step = percent_from_ln(pl.col("p_before") - pl.col("p_after"))
    return (
        changes.with_columns(p_after=p_after, at=middle.cast(_UTC))
        .with_columns(p_before=before)
        .with_columns(step_pct=pl.when(pl.col("slope_before").is_not_null()).then(step))
        .select(pl.col(name).cast(kind) for name, kind in RESET_SCHEMA.items())
    )


def _steps(resets: pl.DataFrame) -> pl.DataFrame:
    """Return changes with the instant from which they surely hold, and their order by meter."""
    order = pl.int_range(pl.len()).over("meter_id").cast(pl.Int64)
    return (
        resets.select("meter_id", "recorded", "earliest", "latest", "p_before", "p_after")
        .sort("meter_id", "latest", "recorded", maintain_order=True)
        .with_columns(_order=order)
        .sort("latest", maintain_order=True)
    )


def _last_step(
    keys: pl.DataFrame, steps: pl.DataFrame, suffix: str, *, inclusive: bool
) -> pl.DataFrame:
    """Add the last change that holds at each instant: columns _p{suffix}, _order{suffix}."""
    right = steps.select(
        "meter_id",
        pl.col("latest").alias("_at"),
        pl.col("p_after").alias(f"_p{suffix}"),
        pl.col("_order").alias(f"_order{suffix}"),
    )
    return keys.join_asof(
        right,
        on="_at",
        by="meter_id",
        strategy="backward",
        allow_exact_matches=inclusive,
        check_sortedness=False,
    )


def _open_gap(keys: pl.DataFrame, hidden: pl.DataFrame) -> pl.DataFrame:
    """Add, for an instant inside an unrecorded reset's gap, _share of it passed, _p0, _p1."""
    right = hidden.select(
        "meter_id",
        pl.col("latest").alias("_at"),
        pl.col("latest").alias("_to"),
        pl.col("earliest").alias("_from"),
        pl.col("p_before").alias("_p0"),
        pl.col("p_after").alias("_p1"),
    )
    joined = keys.join_asof(
        right,
        on="_at",
        by="meter_id",
        strategy="forward",
        allow_exact_matches=False,
        check_sortedness=False,
    )
    passed = (pl.col("_at") - pl.col("_from")).dt.total_microseconds()
    length = (pl.col("_to") - pl.col("_from")).dt.total_microseconds()
    inside = pl.col("_at") > pl.col("_from")
    return joined.with_columns(_share=pl.when(inside).then(passed / length))


def _half_last_digit(value: pl.Expr) -> pl.Expr:
    """Return half a unit of the last decimal in which a number was written."""
    expression = pl.lit(0.5 * 10.0**-_MOST_DECIMALS)
    for decimals in range(_MOST_DECIMALS - 1, -1, -1):
        written = (value - value.round(decimals)).abs() < 1e-9
        expression = pl.when(written).then(pl.lit(0.5 * 10.0**-decimals)).otherwise(expression)
    return expression
