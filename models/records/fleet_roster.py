"""List the meters that the fleet has on a day, and who rides each.

Pure frames in, frames out. A meter that only appears in the records (bench sessions or
comparisons) and not in the `meters` table is kept, so that no data are lost: kind `other`,
in service from its first record.
"""

from datetime import date, datetime, timedelta

import polars as pl

from ingest.schema import confirmed, newest_in_force

GONE_STATES = ("lost", "sold", "returned", "written_off")
GONE_EVENTS = ("lost", "sold", "returned")


def roster(tables: dict[str, pl.DataFrame], *, as_of: date, tolerance_pct: float) -> pl.DataFrame:
    """Return every meter known by a day.

    In   tables `meters`, `bench`, `comparisons`, `events` (typed, contract columns)
    Out  one row a meter: the `meters` columns with `tolerance_pct` filled,
         `group` (model_group, else the kind), `in_service_on`, `listed` (in the
         meters table), `gone` (retired, lost, sold or returned by that day)
    """
    meters = tables["meters"].with_columns(listed=pl.lit(True))
    everyone = pl.concat([meters, _only_in_records(tables, meters)], how="diagonal_relaxed")
    return (
        everyone.filter(pl.col("in_service_date").is_null() | (pl.col("in_service_date") <= as_of))
        .with_columns(
            group=pl.coalesce("model_group", "kind", pl.lit("other")),
            tolerance_pct=pl.col("tolerance_pct").fill_null(tolerance_pct),
            in_service_on=pl.col("in_service_date").fill_null(as_of),
            gone=_gone(tables["events"], as_of),
        )
        .sort("meter_id")
    )


def _only_in_records(tables: dict[str, pl.DataFrame], meters: pl.DataFrame) -> pl.DataFrame:
    seen = [
        tables[name].select("meter_id", on=pl.col("measured_at").dt.date())
        for name in ("bench", "comparisons")
    ]
    return (
        pl.concat(seen)
        .drop_nulls()
        .join(meters, on="meter_id", how="anti")
        .group_by("meter_id")
        .agg(in_service_date=pl.col("on").min())
        .with_columns(kind=pl.lit("other"), listed=pl.lit(False))
    )


def _gone(events: pl.DataFrame, as_of: date) -> pl.Expr:
    """Tell which are gone by a day: retired, or the last of lost, sold or returned says so.

    A state without a dated event counts at once; with one, from its date.
    """
    leaving = events.filter(
        pl.col("event").is_in(GONE_EVENTS) & pl.col("meter_id").is_not_null() & confirmed()
    )
    by_now = leaving.filter(pl.col("date") <= as_of)["meter_id"].unique().implode()
    later = leaving.filter(pl.col("date") > as_of)["meter_id"].unique().implode()
    retired = (pl.col("retired_date") <= as_of).fill_null(False)
    state = pl.col("state").is_in(GONE_STATES).fill_null(False)
    return retired | pl.col("meter_id").is_in(by_now) | (state & ~pl.col("meter_id").is_in(later))


def up_to(
    tables: dict[str, pl.DataFrame], *, as_of: date, time_zone: str
) -> dict[str, pl.DataFrame]:
    """Return the tables as they could have been known at the end of a day.

    Instants are compared by their calendar day in the store's time zone; a plan (calendar,
    capacity, costs) is known ahead and stays whole, as do the lists of devices.
    """
    local_day = pl.col("measured_at").dt.convert_time_zone(time_zone).dt.date()
    return _cut(tables, local_day <= as_of, as_of)


def known_before(tables: dict[str, pl.DataFrame], instant: datetime) -> dict[str, pl.DataFrame]:
    """Return the tables as they could have been known just before an instant (UTC).

    What bears only a day counts from the day after.
    """
    return _cut(tables, pl.col("measured_at") < instant, instant.date() - timedelta(days=1))


def _cut(tables: dict[str, pl.DataFrame], measured: pl.Expr, last: date) -> dict[str, pl.DataFrame]:
    out = {name: tables[name].filter(measured) for name in ("bench", "comparisons", "zeros")}
    out |= {name: tables[name].filter(pl.col("date") <= last) for name in ("events", "efforts")}
    begun = ("assignments", "installations")
    out |= {name: tables[name].filter(pl.col("from_date") <= last) for name in begun}
    return {**tables, **out}


def with_riders(meters: pl.DataFrame, assignments: pl.DataFrame, *, as_of: date) -> pl.DataFrame:
    """Return the roster with who rides each meter: rider_id, bike_id, role (null: nobody).

    On the day of a handover the newer assignment counts.
    """
    today = newest_in_force(assignments, as_of).select("meter_id", "rider_id", "bike_id", "role")
    return meters.join(today, on="meter_id", how="left", maintain_order="left")
