"""Hold the frames that the fleet model takes, and say which of its mass sets share a scale."""

from collections import Counter
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import polars as pl

from ingest.schema import confirmed
from models.fleet.design.arrays import codes
from models.fleet.design.settings import OTHER_SHARE, WEIGHED_ON_SHARE
from models.metrology import Array, Index

_AT: Final = pl.Datetime("us", "UTC")
Schema = dict[str, pl.DataType | type[pl.DataType]]

METERS: Final[Schema] = {"meter_id": pl.String, "group": pl.String, "in_service_on": pl.Date}
BENCH: Final[Schema] = {
    **{"session_id": pl.String, "meter_id": pl.String, "at": _AT},
    **dict.fromkeys(("bench_id", "place_id", "crank_id"), pl.String),
    **dict.fromkeys(("found", "u_session", "dof_session"), pl.Float64),
    **dict.fromkeys(("u_bench", "u_place", "u_crank", "u_meter", "temperature_c"), pl.Float64),
}
COMPARISONS: Final[Schema] = {
    **dict.fromkeys(("comparison_id", "meter_id", "reference_id"), pl.String),
    **{"at": _AT, "ratio": pl.Float64, "u": pl.Float64, "dof": pl.Float64},
    **{"rider_id": pl.String, "temperature_c": pl.Float64, "pair_key": pl.String},
}
RESETS: Final[Schema] = {
    **{"meter_id": pl.String, "at": _AT, "p_before": pl.Float64, "p_after": pl.Float64},
    **{"recorded": pl.Boolean, "earliest": _AT, "latest": _AT},
}
EVENTS: Final[Schema] = {
    **dict.fromkeys(("meter_id", "reference_id", "bench_id"), pl.String),
    **{"on": pl.Date, "at": _AT, "earliest": _AT, "latest": _AT},
    **dict.fromkeys(("event", "side", "note", "state"), pl.String),
    "size_pct": pl.Float64,
}
RIDE_EFFECTS: Final[Schema] = {
    **dict.fromkeys(("comparison_id", "effect", "kind"), pl.String),
    "sign": pl.Float64,
}
REFERENCES: Final[Schema] = {"reference_id": pl.String, "kind": pl.String, "meter_id": pl.String}
BENCHES: Final[Schema] = {
    **{"bench_id": pl.String, "u_pct": pl.Float64},
    **dict.fromkeys(("source", "weighed_on"), pl.String),
}
_SCHEMAS: Final = {
    "meters": METERS,
    "bench": BENCH,
    "comparisons": COMPARISONS,
    "resets": RESETS,
    "events": EVENTS,
    "references": REFERENCES,
    "benches": BENCHES,
    "ride_effects": RIDE_EFFECTS,
}


def _empty(name: str) -> pl.DataFrame:
    return pl.DataFrame(schema=_SCHEMAS[name])


@dataclass(frozen=True)
class FleetData:
    """Everything the fleet model looks at; errors in 100·ln, u_… standard uncertainties in %.

    meters       meter_id, group, in_service_on
    bench        one row a session: session_id, meter_id, at, bench_id, place_id, crank_id,
                 found, u_session (random), dof_session, u_bench, u_place, u_crank, u_meter
                 (each shared by all sessions on that mass set, place, crank, meter),
                 temperature_c
    comparisons  one row a comparison: comparison_id, meter_id, reference_id, at, ratio, u, dof,
                 rider_id, temperature_c, pair_key (what shares one pair effect; else the meter
                 and the reference)
    resets       meter_id, at, p_before, p_after (programmed slope relative to factory),
                 recorded, earliest, latest (where an unrecorded one may have happened)
    events       one of meter_id, reference_id, bench_id; on, at (null: the start of that day),
                 earliest, latest (of a jump of the zero: the readings around it), event, side,
                 note, state (proposed and rejected ones do not count), size_pct
    references   reference_id, kind, meter_id (if it is itself a meter of the fleet)
    benches      bench_id, u_pct (prior sd of what the set adds to a found value), source,
                 weighed_on (sets that share it share a part of that)
    ride_effects what comparisons show and the bench does not: comparison_id, effect (its name),
                 kind (ring, rider, day, drive), sign (+1: it raises the ratio)

    `at` is an instant in UTC or a calendar day. Absent columns count as null.
    """

    meters: pl.DataFrame
    bench: pl.DataFrame = field(default_factory=lambda: _empty("bench"))
    comparisons: pl.DataFrame = field(default_factory=lambda: _empty("comparisons"))
    resets: pl.DataFrame = field(default_factory=lambda: _empty("resets"))
    events: pl.DataFrame = field(default_factory=lambda: _empty("events"))
    references: pl.DataFrame = field(default_factory=lambda: _empty("references"))
    benches: pl.DataFrame = field(default_factory=lambda: _empty("benches"))
    ride_effects: pl.DataFrame = field(default_factory=lambda: _empty("ride_effects"))

    def completed(self) -> "FleetData":
        """Return it with all columns, without rows of unknown meters, without number or date."""
        frames = {name: _with_columns(getattr(self, name), s) for name, s in _SCHEMAS.items()}
        known = frames["meters"]["meter_id"].to_list()
        frames["meters"] = frames["meters"].with_columns(pl.col("group").fill_null("other"))
        for name, value in (("bench", "found"), ("comparisons", "ratio"), ("resets", "p_after")):
            frames[name] = frames[name].filter(
                pl.col("meter_id").is_in(known)
                & pl.col(value).is_finite()
                & pl.col("at").is_not_null()
            )
        frames["comparisons"] = frames["comparisons"].filter(pl.col("reference_id").is_not_null())
        frames["events"] = frames["events"].filter(confirmed() & pl.col("on").is_not_null())
        return replace(self, **frames)

    def until(self, instant: pl.Expr | object) -> "FleetData":
        """Return the data as known at an instant, without rows dated later."""
        end = pl.lit(instant) if not isinstance(instant, pl.Expr) else instant
        return replace(
            self,
            bench=self.bench.filter(pl.col("at") <= end),
            comparisons=self.comparisons.filter(pl.col("at") <= end),
            resets=self.resets.filter(
                pl.when(pl.col("recorded")).then(pl.col("at")).otherwise(pl.col("latest")) <= end
            ),
            events=self.events.filter(pl.col("on") <= end),
        )


def shared_scales(
    benches: pl.DataFrame, names: list[str], u: Array
) -> tuple[list[str], Index, Array]:
    """Return the scales that several mass sets share, each set's (−1: none), and their prior sds.

    In   benches: bench_id, source, weighed_on; names, u [benches]: the sets and their prior sds
    Two sets known to u each, of which a share ρ of the variance is common, tell the truth to
    u·√(ρ + (1 − ρ)/2), not to u/√2 (JCGM 100:2008, 5.2.2, where ρ = 1). Of unlike sets the smallest
    common part counts for all.
    """
    known = benches.unique("bench_id", keep="first")
    scale_of = dict(known.select("bench_id", "weighed_on").iter_rows())
    source = dict(known.select("bench_id", "source").iter_rows())
    named = [scale_of.get(name) for name in names]
    several = {w for w, n in Counter(named).items() if w is not None and n > 1}
    code, scales = codes([w if w in several else None for w in named])
    share = [WEIGHED_ON_SHARE.get(source.get(name) or "", OTHER_SHARE) for name in names]
    common = u * np.sqrt(share)
    sds = [float(common[code == k].min()) for k in range(len(scales))]
    return scales, code, np.array(sds, dtype=np.float64)


def _with_columns(frame: pl.DataFrame, schema: Schema) -> pl.DataFrame:
    """Return the frame with every column of the schema, absent ones null, in its types."""
    if frame.schema == pl.Schema(schema):
        return frame
    present = set(frame.columns)
    columns = [
        _typed(frame, name, dtype) if name in present else pl.lit(None, dtype=dtype).alias(name)
        for name, dtype in schema.items()
    ]
    return frame.with_columns(columns)


def _typed(frame: pl.DataFrame, name: str, dtype: pl.DataType | type[pl.DataType]) -> pl.Expr:
    """Return a column in the schema's type; in a column of instants a day is its noon."""
    found = frame.schema[name]
    if dtype == _AT and found == pl.Date:
        return (pl.col(name).cast(pl.Datetime("us")) + pl.duration(hours=12)).dt.replace_time_zone(
            "UTC"
        )
    if dtype == _AT and isinstance(found, pl.Datetime):
        zoned = pl.col(name) if found.time_zone else pl.col(name).dt.replace_time_zone("UTC")
        return zoned.cast(_AT)
    return pl.col(name).cast(dtype)
