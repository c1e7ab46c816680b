"""What a store knows already that helps to read a sheet: meters, cranks, mass sets."""

import re
from dataclasses import dataclass, field

import polars as pl

from ingest.store import Store


@dataclass(frozen=True)
class Known:
    """What the store holds. Keys of `meters` are the ids without case, spaces and hyphens.

    crank_mm     meter → its crank length, where it only ever had one
    mass_kg      mass set → masses with hanger
    conventions  meter → slope convention
    """

    meters: dict[str, str] = field(default_factory=dict)
    kinds: dict[str, str] = field(default_factory=dict)
    crank_mm: dict[str, float] = field(default_factory=dict)
    mass_kg: dict[str, float] = field(default_factory=dict)
    conventions: dict[str, str] = field(default_factory=dict)
    ids: dict[str, frozenset[str]] = field(default_factory=dict)


def bare(name: str) -> str:
    """Return a name without case, spaces, hyphens and underscores."""
    return re.sub(r"[\s\-_–.]+", "", name).lower()


def known_of(store: Store) -> Known:
    """Return what a store knows; nothing where there is no store yet."""
    if not store.exists():
        return Known()
    with store.reading() as db:
        meters = db.frame("meters")
        sets = db.frame("mass_sets")
        installed = db.frame("installations")
        ids = {
            table: frozenset(db.frame(table)[column].drop_nulls().to_list())
            for table, column in (("places", "place_id"), ("riders", "rider_id"))
        }
    hung = sets.with_columns(total=pl.col("mass_kg") + pl.col("hanger_mass_kg").fill_null(0.0))
    listed = meters["meter_id"].to_list()
    return Known(
        meters={bare(name): name for name in listed},
        kinds=dict(meters.select("meter_id", "kind").iter_rows()),
        crank_mm=_cranks(meters, installed),
        mass_kg=dict(hung.drop_nulls("total").select("bench_id", "total").iter_rows()),
        conventions=dict(meters.select("meter_id", "slope_convention").iter_rows()),
        ids={**ids, "mass_sets": frozenset(sets["bench_id"].to_list())},
    )


def _cranks(meters: pl.DataFrame, installed: pl.DataFrame) -> dict[str, float]:
    both = pl.concat(
        [frame.select("meter_id", "crank_length_mm").drop_nulls() for frame in (meters, installed)]
    )
    once = both.unique().group_by("meter_id").agg(pl.len().alias("n"), pl.first("crank_length_mm"))
    return dict(once.filter(pl.col("n") == 1).select("meter_id", "crank_length_mm").iter_rows())
