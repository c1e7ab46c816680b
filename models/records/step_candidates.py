"""List what was done to a meter, and when: candidates for a step of its sensor.

A recorded event is a possible step with a prior of its own kind, never a step by itself. Work
done between two readings of one bench session is dated to the minute, and both readings are kept:
loose bolts are not read as drift.
"""

import polars as pl

from ingest.schema import confirmed
from models.bench import rule_of

AFTER_WORK = " (after work)"
WORK, SIDE_SERVICE, REMOUNT = "work", "side_service", "remount"
SERVICES = ("service", "factory_service", "other")
BENCH_WORK = (*SERVICES, "remount", "chainring_change", "firmware_update")
_UTC = pl.Datetime("us", "UTC")
_HALF, _ONE = pl.duration(seconds=30), pl.duration(minutes=1)


def after_work(sessions: pl.DataFrame, resets: pl.DataFrame) -> pl.DataFrame:
    """Return the sessions' readings after work as sessions of their own, a minute later.

    In   sessions: session_results; resets: as from `models.records.slope_chain`
    Out  sessions' columns. gain_error_ln is brought to the slope that the session left, so that
         the reading stands after the session's own reset.
    """
    own = resets.filter(pl.col("recorded")).select(
        "session_id", _shift=pl.col("p_before") - pl.col("p_after")
    )
    worked = sessions.filter(pl.col("after_work_gain_error_ln").is_finite())
    shared = pl.col("after_work_gain_error_ln") + pl.col("_shift").fill_null(0.0)
    return (
        worked.join(own, on="session_id", how="left", maintain_order="left")
        .with_columns(
            session_id=pl.col("session_id") + AFTER_WORK,
            measured_at=pl.col("measured_at") + _ONE,
            gain_error_ln=shared,
            u_session_pct=pl.col("u_after_work_pct"),
            dof_session=pl.col("dof_after_work"),
        )
        .select(sessions.columns)
    )


def candidate_steps(
    events: pl.DataFrame, meters: pl.DataFrame, sessions: pl.DataFrame
) -> pl.DataFrame:
    """Return the fleet model's events: the team's, and work at the bench, each of its kind.

    In   events: the table; meters: meter_id, kind; sessions: session_results
    Out  meter_id, reference_id, bench_id, on, at, event, side, note, state, size_pct. A service of
         one side of a pair is `side_service`; what was done on the day of a session that was read
         again after work is that `work`, and dated between the two readings.
    """
    worked = sessions.filter(pl.col("after_work_gain_error_ln").is_finite()).select(
        "meter_id",
        on=pl.col("measured_at").dt.date(),
        _at=(pl.col("measured_at") + _HALF).cast(_UTC),
    )
    table = events.select(
        *("meter_id", "reference_id", "bench_id"),
        *(pl.col("date").alias("on"), "event", "side", "note", "state", "size_pct"),
    )
    at_bench = pl.col("event").is_in(BENCH_WORK) & pl.col("_at").is_not_null()
    kinds = meters.select("meter_id", "kind").iter_rows()
    own_slopes = [meter for meter, kind in kinds if rule_of(kind).own_slopes]
    one_side = (
        pl.col("side").is_in(["left", "right"])
        & pl.col("event").is_in(SERVICES)
        & pl.col("meter_id").is_in(own_slopes)
    )
    named = table.join(
        worked.unique(["meter_id", "on"]), on=["meter_id", "on"], how="left", maintain_order="left"
    ).with_columns(
        event=pl.when(at_bench)
        .then(pl.lit(WORK))
        .when(one_side)
        .then(pl.lit(SIDE_SERVICE))
        .otherwise(pl.col("event")),
        at=pl.when(at_bench).then(pl.col("_at")),
    )
    said = named.filter(pl.col("event") == WORK).select("meter_id", "on")
    unsaid = worked.join(said, on=["meter_id", "on"], how="anti").select(
        "meter_id", "on", at=pl.col("_at"), event=pl.lit(WORK)
    )
    return pl.concat([named.drop("_at"), unsaid], how="diagonal")


def pedal_cranks(
    sessions: pl.DataFrame, meters: pl.DataFrame, events: pl.DataFrame
) -> pl.DataFrame:
    """Return sessions of pedals with a crank for each mounting, where nothing names one.

    A remount begins a new installation: the crank, and so its length error, may be another. A
    crank_id that the installation gives is left.
    """
    pedals = [
        m for m, kind in meters.select("meter_id", "kind").iter_rows() if rule_of(kind).uses_length
    ]
    remounts = (
        events.filter((pl.col("event") == REMOUNT) & pl.col("meter_id").is_in(pedals) & confirmed())
        .select("meter_id", _since="date")
        .unique()
        .sort("_since")
        .with_columns(_nth=(pl.int_range(pl.len()) + 1).over("meter_id").cast(pl.String))
    )
    if remounts.is_empty():
        return sessions
    guessed = pl.col("crank_id").str.starts_with(pl.col("meter_id"))
    return (
        sessions.with_row_index("_row")
        .with_columns(_day=pl.col("measured_at").dt.date())
        .sort("_day")
        .join_asof(
            remounts, left_on="_day", right_on="_since", by="meter_id", check_sortedness=False
        )
        .sort("_row")
        .with_columns(
            crank_id=pl.when(guessed & pl.col("_nth").is_not_null())
            .then(pl.concat_str("crank_id", pl.lit(" mounting "), "_nth"))
            .otherwise(pl.col("crank_id"))
        )
        .select(sessions.columns)
    )
