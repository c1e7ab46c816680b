"""How often the team's own meters were knocked, set wrongly or entered wrongly."""

import numpy as np
import polars as pl

from ingest.schema import confirmed
from models.budget.own_rates import meter_years
from models.fleet import FleetFit
from models.metrology import Array, ln_from_percent
from models.policies import Mishap
from models.records import Records, known_changes

NEAR_DAYS = 60  # a step this close to a recorded crash is that crash's


def mishaps_of(found: Records, fleet: FleetFit) -> list[Mishap]:
    """Return the knocks, wrong settings and wrong entries that the records and alarms tell of.

    Knocks: alarms of a step, and recorded crashes without one. Settings: programmed lengths that
    were not the crank's. Entries: alarms of a session whose found value was not the meter's.
    """
    years = sum(meter_years(found).values())
    alarms = fleet.alarms.filter(pl.col("device_kind") == "meter")
    steps = alarms.filter(pl.col("kind") == "step")
    entries = alarms.filter(pl.col("kind") == "entry")
    settings = _wrong_settings(found)
    knocks = steps.height + _crashes_apart(found, steps)
    return [
        Mishap("knock", knocks, years, _sizes(steps)),
        Mishap("setting", settings.size, years, settings),
        Mishap("entry", entries.height, float(found.sessions.height), _sizes(entries)),
    ]


def _sizes(alarms: pl.DataFrame) -> Array:
    return ln_from_percent(alarms["size_pct"].to_numpy())


def _crashes_apart(found: Records, steps: pl.DataFrame) -> int:
    """Return how many recorded crashes no alarm of the meter is near."""
    crashes = found.events.filter(
        pl.col("meter_id").is_not_null() & (pl.col("event") == "crash") & confirmed()
    )
    known = crashes.join(steps, left_on="meter_id", right_on="device_id", suffix="_step").filter(
        (pl.col("date_step") - pl.col("date")).dt.total_days().abs() <= NEAR_DAYS
    )
    return crashes.height - known.select("meter_id", "date").n_unique()


def _wrong_settings(found: Records) -> Array:
    """Return by how much each setting that was not the crank's length changed the error, 100·ln."""
    changes = known_changes(found.meters, found.installations, found.events).filter(
        pl.col("kind") == "setting"
    )
    from_the_start = pl.col("before") == pl.col("after")
    worse = changes.filter(from_the_start | (pl.col("after").abs() > pl.col("before").abs()))
    size = pl.when(from_the_start).then("after").otherwise(pl.col("after") - pl.col("before"))
    return np.asarray(worse.select(size).to_series().to_numpy(), dtype=np.float64)
