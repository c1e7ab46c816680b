"""Say which comparisons carry what the bench does not: oval rings, and one leg shown as two.

An oval ring makes torque averaged over time, times mean cadence, read high by some percent on
the road. A meter of the left side shows twice what the left leg does: a point of left share is
two percent of watts, so its rides carry the rider's legs. Both belong to a ride, never to the
gain error that the bench would find.
"""

from datetime import date

import polars as pl

from models.bench import LEFT, rule_of

RING, RIDER, DAY, DRIVE = "ring", "rider", "day", "drive"
_OF_RING = " | oval ring"


def one_sided(kind: str | None) -> bool:
    """Tell whether a meter of this kind sees the left side only and shows it doubled."""
    return rule_of(kind).arms == (LEFT,)


def ring_effect(meter_id: str) -> str:
    """Return the name of a meter's effect of kind ring."""
    return meter_id + _OF_RING


def effects_of_rides(
    rides: pl.DataFrame, meters: pl.DataFrame, references: pl.DataFrame, installations: pl.DataFrame
) -> pl.DataFrame:
    """Return the ride effects that each comparison carries.

    In   rides: comparison_id, meter_id, reference_id, measured_at, rider_id; meters: meter_id,
         kind; references: reference_id, meter_id; installations: the table
    Out  comparison_id, effect, kind, sign, a row an effect in a comparison: kind ring (one a
         meter, while its ring is oval), rider (one a rider, on one-sided meters), day (a rider's
         balance of one day, where several rides share it), drive (one a hub, beside a meter at
         the crank: the drivetrain between them loses some 2 %); sign +1 where it raises the
         ratio, −1 where it is the reference that carries it
    """
    itself = references.select("reference_id", _lent="meter_id")
    base = rides.select("comparison_id", "meter_id", "reference_id", "measured_at", "rider_id")
    own = base.with_columns(sign=pl.lit(1.0))
    lent = (
        base.join(itself.drop_nulls(), on="reference_id", how="inner")
        .with_columns(meter_id=pl.col("_lent"), sign=pl.lit(-1.0))
        .drop("_lent")
    )
    seen = pl.concat([own, lent.select(own.columns)])
    parts = [
        _rings(seen, installations),
        *_riders(seen, meters),
        *_drives(base.join(itself.drop_nulls(), on="reference_id", how="inner"), meters),
    ]
    return pl.concat(parts).sort("kind", "effect", "comparison_id", maintain_order=True)


def road_effects(
    uses: pl.DataFrame, meters: pl.DataFrame, installations: pl.DataFrame
) -> list[list[tuple[str, str | None]]]:
    """Return what a device shows under a rider beside its gain error, a list a use: (kind, name).

    In   uses: meter_id, measured_at, rider_id, in their order; meters: meter_id, kind
    The names are those of `effects_of_rides`, day by day; (rider, None): nobody knows who rode.
    """
    kinds = dict(meters.select("meter_id", "kind").iter_rows())
    shaped = ring_shape(uses.with_row_index("_use"), installations).sort("_use")
    asked = shaped.select("meter_id", "measured_at", "rider_id", "ring_shape").iter_rows()
    return [
        _of_use(meter, kinds.get(meter), at.date(), rider, shape == "oval")
        for meter, at, rider, shape in asked
    ]


def _of_use(
    meter: str, kind: str | None, on: date, rider: str | None, oval: bool
) -> list[tuple[str, str | None]]:
    carried: list[tuple[str, str | None]] = []
    if one_sided(kind):
        of_day = None if rider is None else f"{rider} | {on}"
        carried += [(RIDER, rider), (DAY, of_day)]
    if kind == "hub":
        carried.append((DRIVE, f"{meter} | drivetrain"))
    return [*carried, (RING, ring_effect(meter))] if oval else carried


def _rings(seen: pl.DataFrame, installations: pl.DataFrame) -> pl.DataFrame:
    shaped = ring_shape(seen, installations).filter(pl.col("ring_shape") == "oval")
    return _rows(shaped, pl.concat_str("meter_id", pl.lit(_OF_RING)), RING)


def _riders(seen: pl.DataFrame, meters: pl.DataFrame) -> list[pl.DataFrame]:
    left = [m for m, kind in meters.select("meter_id", "kind").iter_rows() if one_sided(kind)]
    known = seen.filter(pl.col("meter_id").is_in(left) & pl.col("rider_id").is_not_null())
    day = pl.col("measured_at").dt.date()
    shared = known.filter(pl.len().over("rider_id", day) > 1)
    of_day = pl.concat_str("rider_id", pl.lit(" | "), day.cast(pl.String))
    return [_rows(known, pl.col("rider_id"), RIDER), _rows(shared, of_day, DAY)]


def _drives(beside: pl.DataFrame, meters: pl.DataFrame) -> list[pl.DataFrame]:
    """Return rides of a hub and a meter at the crank, one of them the reference (`_lent`)."""
    hubs = meters.filter(pl.col("kind") == "hub")["meter_id"].implode()
    own, lent = pl.col("meter_id").is_in(hubs), pl.col("_lent").is_in(hubs)
    lost = pl.lit(" | drivetrain")
    return [
        _rows(
            beside.filter(own & ~lent).with_columns(sign=pl.lit(1.0)),
            pl.concat_str("meter_id", lost),
            DRIVE,
        ),
        _rows(
            beside.filter(lent & ~own).with_columns(sign=pl.lit(-1.0)),
            pl.concat_str("_lent", lost),
            DRIVE,
        ),
    ]


def _rows(chosen: pl.DataFrame, effect: pl.Expr, kind: str) -> pl.DataFrame:
    return chosen.select("comparison_id", effect=effect, kind=pl.lit(kind), sign="sign")


def ring_shape(rides: pl.DataFrame, installations: pl.DataFrame) -> pl.DataFrame:
    """Return the rides with ring_shape on their day, from the latest installation by then.

    In   rides: meter_id, measured_at and any other columns; their order is not kept
    """
    since = (
        installations.filter(pl.col("ring_shape").is_not_null())
        .select("meter_id", "ring_shape", "to_date", "from_date")
        .sort("from_date")
    )
    dated = rides.with_columns(_on=pl.col("measured_at").dt.date()).sort("_on")
    joined = dated.join_asof(
        since, left_on="_on", right_on="from_date", by="meter_id", check_sortedness=False
    )
    over = (pl.col("to_date") < pl.col("_on")).fill_null(False)
    return joined.with_columns(
        ring_shape=pl.when(over).then(None).otherwise(pl.col("ring_shape"))
    ).drop("_on", "from_date", "to_date")
