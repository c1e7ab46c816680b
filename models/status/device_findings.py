"""What is known about a device beyond its number, in sentences: for `status`, with what to do.

None of these is an alarm: a wrong setting, an oval ring, work at the bench, rides that prove
nothing, a rider's legs on a one-sided meter, a mass set that is not what it is said to be.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from typing import Any

import polars as pl

from ingest.schema import confirmed, newest_in_force
from models.bench import rule_of
from models.fleet import FleetFit
from models.metrology import percent_from_ln, percent_sd, ratio_from_ln
from models.records import (
    AFTER_WORK,
    RIDER,
    RING,
    SIDE_SERVICE,
    WORK,
    Records,
    one_sided,
    setting_error_ln,
)
from models.status.traceability_basis import truth_hangs_on

LATELY = timedelta(days=548)
TELLING_PCT = 0.3
TELLING_MASS_PCT = 0.1
SCHEMA: dict[str, Any] = dict.fromkeys(
    ("device_kind", "device_id", "kind", "text", "action"), pl.String
)


def findings(found: Records, fleet: FleetFit) -> pl.DataFrame:
    """One row a finding: device_kind (meter, bench, fleet), device_id, kind, text, action or null.

    The fleet's one finding is what its truth hangs on, its kind the basis.
    """
    rows = [
        *_wrong_settings(found),
        *_oval_rings(found, fleet),
        *_legs(found, fleet),
        *_work(found),
        *_new_sides(found),
        *_unrecorded(found),
        *_other_cranks(found),
        *_void_rides(found),
        *_masses(found, fleet),
        _truth(found),
    ]
    return pl.DataFrame(rows, schema=SCHEMA, orient="row").sort(
        "device_kind", "device_id", maintain_order=True
    )


Row = tuple[str, str, str, str, str | None]


def _truth(found: Records) -> Row:
    truth = truth_hangs_on(found.sessions, found.mass_sets, as_of=found.as_of)
    weak = truth.basis in ("stamped", "stated", "nothing")
    action = (
        "Get one mass set weighed or certified, and bench a few meters on it." if weak else None
    )
    return "fleet", "fleet", truth.basis, truth.text, action


def _installed(found: Records) -> Iterable[dict[str, Any]]:
    """The installation of each meter today."""
    newest = newest_in_force(found.installations, found.as_of)
    kinds = found.meters.select("meter_id", "kind")
    return newest.join(kinds, on="meter_id").sort("meter_id").iter_rows(named=True)


def _wrong_settings(found: Records) -> Iterable[Row]:
    for row in _installed(found):
        programmed, crank = row["programmed_crank_length_mm"], row["crank_length_mm"]
        error = setting_error_ln(programmed, crank)
        if not error or not rule_of(row["kind"]).uses_length:
            continue
        reads = f"{abs(percent_from_ln(error)):.1f} % {'high' if error > 0 else 'low'}"
        yield (
            "meter",
            row["meter_id"],
            "setting",
            f"A wrong setting, since {row['from_date']}: {programmed:g} mm are programmed on a "
            f"crank of {crank:g} mm, which alone makes it read {reads}.",
            f"Set {crank:g} mm in the meter (it holds {programmed:g}); leave the slope. "
            "Then bench it to see what is left.",
        )


def _oval_rings(found: Records, fleet: FleetFit) -> Iterable[Row]:
    known = {r["effect"].split(" | ")[0]: r for r in _road(fleet, RING)}
    for row in _installed(found):
        if row["ring_shape"] != "oval":
            continue
        ring = known.get(row["meter_id"])
        reads = "by how much its rides have not told yet"
        if ring is not None:
            reads = f"here by {_size(ring)}"
        yield (
            "meter",
            row["meter_id"],
            "oval_ring",
            f"It rides behind an oval ring since {row['from_date']}: torque averaged over time "
            f"reads otherwise on the road than at the bench, {reads}. That is the ring's, not the "
            "meter's, and no part of its gain error: leave the slope.",
            None,
        )


def _size(effect: dict[str, Any]) -> str:
    mean, sd = percent_from_ln(effect["mean"]), percent_sd(effect["mean"], effect["sd"])
    return f"{mean:+.1f} % (± {2 * sd:.1f})"


def _road(fleet: FleetFit, kind: str) -> Iterable[dict[str, Any]]:
    return fleet.ride_effects().filter(pl.col("kind") == kind).iter_rows(named=True)


def _legs(found: Records, fleet: FleetFit) -> Iterable[Row]:
    """One-sided meters whose rider's legs show: so a new rider is no step of the meter."""
    legs = {r["effect"]: r for r in _road(fleet, RIDER)}
    for row in found.meters.sort("meter_id").iter_rows(named=True):
        leg = legs.get(row["rider_id"] or "")
        if leg is None or not one_sided(row["kind"]):
            continue
        size = percent_from_ln(leg["mean"])
        if abs(leg["mean"]) < 2 * leg["sd"] or abs(size) < TELLING_PCT:
            continue
        yield (
            "meter",
            row["meter_id"],
            "one_sided",
            f"It sees the left leg only and doubles it: under {row['rider_id']} its rides show "
            f"{_size(leg)} beside the meter's own error. That is the rider's balance: with "
            "another rider it is another number.",
            None,
        )


def _work(found: Records) -> Iterable[Row]:
    """Work at the bench between two readings."""
    recent = found.sessions.filter(
        pl.col("after_work_gain_error_ln").is_finite()
        & (pl.col("measured_at").dt.date() > found.as_of - LATELY)
    )
    done = found.data.events.filter(pl.col("event") == WORK)
    notes = {(r["meter_id"], r["on"]): r["note"] for r in done.iter_rows(named=True)}
    for row in recent.sort("meter_id", "measured_at").iter_rows(named=True):
        day, found = row["measured_at"].date(), row["gain_error_pct"]
        note = notes.get((row["meter_id"], day))
        was = "not read as found" if found is None else f"found at {found:+.1f} %"
        left = percent_from_ln(row["after_work_gain_error_ln"])
        yield (
            "meter",
            row["meter_id"],
            "work",
            f"At the bench on {day} it was {was} and at {left:+.1f} % after work"
            f"{f' ({note})' if note else ''}: what changed was no drift, and both readings count "
            f"({row['session_id']}, {row['session_id']}{AFTER_WORK}).",
            None,
        )


def _new_sides(found: Records) -> Iterable[Row]:
    done = found.data.events.filter(
        (pl.col("event") == SIDE_SERVICE) & (pl.col("on") > found.as_of - LATELY) & confirmed()
    )
    for row in done.sort("meter_id", "on").iter_rows(named=True):
        note = f" ({row['note']})" if row["note"] else ""
        yield (
            "meter",
            row["meter_id"],
            "one_side",
            f"Its {row['side']} side was serviced on {row['on']}{note}: that side may have begun "
            "anew, the other goes on as it was. Judge each side on its own.",
            None,
        )


def _unrecorded(found: Records) -> Iterable[Row]:
    """Changes of the slope that came to light at the bench."""
    hidden = found.resets.filter(
        ~pl.col("recorded") & (pl.col("latest").dt.date() > found.as_of - LATELY)
    )
    for row in hidden.sort("meter_id", "latest").iter_rows(named=True):
        first, last = row["earliest"].date(), row["latest"].date()
        moved = "" if row["step_pct"] is None else f", which moved it by {row['step_pct']:+.1f} %"
        before = f"{row['slope_before']:g}" if row["slope_before"] is not None else "unknown"
        yield (
            "meter",
            row["meter_id"],
            "unrecorded_reset",
            f"Its slope was changed from {before} to {row['slope_after']:g} between {first} and "
            f"{last}{moved}, and nobody noted it: ask who. The sensor's past is kept.",
            None,
        )


def _other_cranks(found: Records) -> Iterable[Row]:
    """Moves to another crank: its length error is another, and no drift."""
    moves = (
        found.installations.filter(pl.col("crank_id").is_not_null())
        .sort("meter_id", "from_date")
        .with_columns(last=pl.col("crank_id").shift(1).over("meter_id"))
        .filter(
            (pl.col("crank_id") != pl.col("last"))
            & (pl.col("from_date") <= found.as_of)
            & (pl.col("from_date") > found.as_of - LATELY)
            & pl.col("meter_id").is_in(found.meters["meter_id"].implode())
        )
    )
    for row in moves.iter_rows(named=True):
        yield (
            "meter",
            row["meter_id"],
            "other_crank",
            f"On another crank ({row['crank_id']}) since {row['from_date']}: the bench knows its "
            "length only so well, and another crank's is off by another amount. That is no drift.",
            None,
        )


def _void_rides(found: Records) -> Iterable[Row]:
    """Rides that prove nothing, by pair and reason."""
    void = found.comparisons.filter(
        pl.col("void").is_not_null() & (pl.col("measured_at").dt.date() > found.as_of - LATELY)
    )
    grouped = void.group_by("meter_id", "reference_id").agg(
        n=pl.len(),
        first=pl.col("measured_at").min().dt.date(),
        last=pl.col("measured_at").max().dt.date(),
        why=pl.col("void").mode().sort().first(),
    )
    for row in grouped.sort("meter_id", "reference_id").iter_rows(named=True):
        rides = "One ride" if row["n"] == 1 else f"{row['n']} rides"
        when = f"on {row['last']}" if row["n"] == 1 else f"from {row['first']} to {row['last']}"
        yield (
            "meter",
            row["meter_id"],
            "void",
            f"{rides} beside {row['reference_id']} {when} count for nothing. {row['why']}",
            None,
        )


def _masses(found: Records, fleet: FleetFit) -> Iterable[Row]:
    """Mass sets that behave like another mass than stated: the mass, not the meters."""
    stated = {
        row["bench_id"]: row
        for row in found.mass_sets.filter(pl.col("mass_kg") > 0).iter_rows(named=True)
    }
    used = found.sessions.filter(pl.col("gain_error_ln").is_finite())
    counts = dict(used.group_by("bench_id").agg(pl.col("meter_id").n_unique()).iter_rows())
    chosen = [b for b in found.data.benches["bench_id"].to_list() if b in stated]
    if not chosen:
        return
    mean, sd = fleet.gain_error([("bench", b) for b in chosen], found.as_of)
    for bench_id, m, s in zip(chosen, mean.tolist(), sd.tolist(), strict=True):
        if abs(m) > 3 * s and abs(percent_from_ln(m)) > TELLING_MASS_PCT:
            text = _mass_sentence(stated[bench_id], m, s, counts.get(bench_id, 0))
            yield "bench", bench_id, "mass", text, "Weigh the masses and the hanger."


def _mass_sentence(row: dict[str, Any], mean_ln: float, sd_ln: float, n_meters: int) -> str:
    mass, hanger = row["mass_kg"], row["hanger_mass_kg"] or 0.0
    behaves = (mass + hanger) * ratio_from_ln(mean_ln) - hanger
    u = 2 * sd_ln / 100 * (mass + hanger)
    meters = "the meter" if n_meters == 1 else f"{n_meters} meters"
    return (
        f"{mass:.2f} kg behaves like {behaves:.2f} kg (± {u:.2f}): found values come out "
        f"{abs(percent_from_ln(mean_ln)):.2f} % {'high' if mean_ln > 0 else 'low'}. "
        f"The mass, not {meters}."
    )
