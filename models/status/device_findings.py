"""What is known about a device beyond its number: for `status`, with what to do.

None of these is an alarm: a wrong setting, an oval ring, work at the bench, rides that prove
nothing, a rider's legs on a one-sided meter, a mass set that is not what it is said to be.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple, TypedDict

import polars as pl

from ingest.schema import confirmed, newest_in_force
from models.bench import rule_of
from models.fleet import EVENT_KIND
from models.metrology import Z90, percent_from_ln, percent_sd, ratio_from_ln
from models.records import (
    AFTER_WORK,
    RIDER,
    RING,
    SIDE_SERVICE,
    WORK,
    Records,
    one_sided,
    ring_effect,
    setting_error_ln,
    typed_rows,
)
from models.status.traceability_basis import shared_scales_of, truth_hangs_on
from models.wording import Reason, said

if TYPE_CHECKING:
    from models.fleet import FleetFit

LATELY = timedelta(days=548)
HAPPENED = "happened"
LEGS, VOID = "one_sided", "void"
OF_RIDES = (LEGS, VOID)
TELLING_PCT = 0.3
TELLING_MASS_PCT = 0.1
COLUMNS = ("device_kind", "device_id", "kind", "text", "short", "action", "short_action")
SCHEMA = dict.fromkeys(COLUMNS, pl.String)


class Finding(NamedTuple):
    """What is known of one device (meter, bench or the fleet), and what to do about it."""

    device_kind: str
    device_id: str
    kind: str
    reason: Reason
    action: Reason | None = None

    @property
    def row(self) -> tuple[str | None, ...]:
        """What is kept of it, in the order of COLUMNS."""
        short_action = self.action.short if self.action else None
        told = (str(self.reason), self.reason.short, said(self.action), short_action)
        return (self.device_kind, self.device_id, self.kind, *told)


class _Installed(TypedDict):
    meter_id: str
    kind: str
    from_date: date
    programmed_crank_length_mm: float | None
    crank_length_mm: float | None
    ring_shape: str | None


class _Effect(TypedDict):
    effect: str
    mean: float
    sd: float


def findings(found: Records, fleet: FleetFit) -> pl.DataFrame:
    """Return one row a finding: device_kind (meter, bench, fleet), device_id, kind, text, action.

    The fleet's one finding is what its numbers rest on, its kind the basis. action: null where
    there is nothing to do; short, short_action: the same in one line, null where not worth one.
    """
    told = [
        *happened(found),
        *_wrong_settings(found),
        *_oval_rings(found, fleet),
        *_legs(found, fleet),
        *_work(found),
        *_new_sides(found),
        *_unrecorded(found),
        *_other_cranks(found),
        *_void_rides(found),
        *_masses(found, fleet),
        _truth(found, fleet),
    ]
    return pl.DataFrame([f.row for f in told], schema=SCHEMA, orient="row").sort(
        "device_kind", "device_id", maintain_order=True
    )


def happened(found: Records) -> Iterator[Finding]:
    """Yield what may have moved a meter since it was last on the bench, the latest first."""
    benched = found.sessions.filter(pl.col("gain_error_ln").is_finite())
    last = benched.group_by("meter_id").agg(last=pl.col("measured_at").max().dt.date())
    since = (
        found.data.events.filter(pl.col("event").is_in(list(EVENT_KIND)) & confirmed())
        .join(last, on="meter_id")
        .filter((pl.col("on") > pl.col("last")) & (pl.col("on") <= found.as_of))
        .sort("meter_id", "on", descending=[False, True])
    )
    columns = ("meter_id", "event", "on", "side", "note")
    for meter_id, event, on, side, note in since.select(columns).iter_rows():
        sides = None if side in (None, "both") else Reason("of_a_side", side=side)
        what = "service" if event == SIDE_SERVICE else event
        reason = Reason("happened", event=what, on=on, side=sides, note=note or None)
        yield Finding("meter", meter_id, HAPPENED, reason)


def _truth(found: Records, fleet: FleetFit) -> Finding:
    """Return what the fleet's numbers rest on, and how far all of them may be off together."""
    truth = truth_hangs_on(found.sessions, found.mass_sets, as_of=found.as_of)
    here = found.meters.filter(~pl.col("gone"))["meter_id"].to_list()
    common, reason = fleet.common_sd(here, found.as_of), truth.reason
    if common is not None and truth.basis != "nothing":
        shared = tuple(shared_scales_of(found.mass_sets, found.data.benches["bench_id"].to_list()))
        half = percent_from_ln(Z90 * common)
        reason = Reason("truth_together", truth=truth.reason, half_pct=half, also=shared)
    weak = truth.basis in ("stamped", "stated", "nothing")
    action = Reason("weigh_a_set") if weak else None
    return Finding("fleet", "fleet", truth.basis, reason, action)


def _installed(found: Records) -> list[_Installed]:
    """Return the installation of each meter today."""
    newest = newest_in_force(found.installations, found.as_of)
    kinds = found.meters.select("meter_id", "kind")
    return typed_rows(newest.join(kinds, on="meter_id").sort("meter_id"), _Installed)


def _wrong_settings(found: Records) -> Iterator[Finding]:
    for row in _installed(found):
        programmed, crank = row["programmed_crank_length_mm"], row["crank_length_mm"]
        error = setting_error_ln(programmed, crank)
        if not error or not rule_of(row["kind"]).uses_length:
            continue
        reason = Reason(
            "wrong_length_set",
            since=row["from_date"],
            programmed_mm=programmed,
            crank_mm=crank,
            error_pct=percent_from_ln(error),
        )
        action = Reason("set_the_length", crank_mm=crank, programmed_mm=programmed)
        yield Finding("meter", row["meter_id"], "setting", reason, action)


def _oval_rings(found: Records, fleet: FleetFit) -> Iterator[Finding]:
    known = {effect["effect"]: effect for effect in _effects(fleet, RING)}
    for row in _installed(found):
        if row["ring_shape"] != "oval":
            continue
        ring, since = known.get(ring_effect(row["meter_id"])), row["from_date"]
        if ring is None:
            reason = Reason("oval_ring", since=since)
        else:
            size, half = _size(ring)
            reason = Reason("oval_ring_known", since=since, size_pct=size, half_pct=half)
        yield Finding("meter", row["meter_id"], "oval_ring", reason)


def _size(effect: _Effect) -> tuple[float, float]:
    """Return an effect's size and twice its sd, in plain percent."""
    mean = effect["mean"]
    return percent_from_ln(mean), 2 * percent_sd(mean, effect["sd"])


def _effects(fleet: FleetFit, kind: str) -> list[_Effect]:
    return typed_rows(fleet.ride_effects().filter(pl.col("kind") == kind), _Effect)


def _legs(found: Records, fleet: FleetFit) -> Iterator[Finding]:
    """Yield one-sided meters whose rider's legs show: so a new rider is no step of the meter."""
    legs = {effect["effect"]: effect for effect in _effects(fleet, RIDER)}
    riders = found.meters.sort("meter_id").select("meter_id", "kind", "rider_id")
    for meter_id, kind, rider in riders.iter_rows():
        leg = legs.get(rider or "")
        if leg is None or not one_sided(kind):
            continue
        size, half = _size(leg)
        if abs(leg["mean"]) < 2 * leg["sd"] or abs(size) < TELLING_PCT:
            continue
        reason = Reason("one_sided", rider=rider, size_pct=size, half_pct=half)
        yield Finding("meter", meter_id, LEGS, reason)


def _work(found: Records) -> Iterator[Finding]:
    """Yield work at the bench between two readings."""
    recent = found.sessions.filter(
        pl.col("after_work_gain_error_ln").is_finite()
        & (pl.col("measured_at").dt.date() > found.as_of - LATELY)
    ).sort("meter_id", "measured_at")
    done = found.data.events.filter(pl.col("event") == WORK)
    notes = {(m, on): note for m, on, note in done.select("meter_id", "on", "note").iter_rows()}
    columns = (
        "meter_id",
        "session_id",
        "measured_at",
        "gain_error_pct",
        "after_work_gain_error_ln",
    )
    for meter_id, session, at, found_pct, left_ln in recent.select(columns).iter_rows():
        was = Reason("not_read") if found_pct is None else Reason("found_at", found_pct=found_pct)
        reason = Reason(
            "work",
            on=at.date(),
            was=was,
            left_pct=percent_from_ln(left_ln),
            note=notes.get((meter_id, at.date())) or None,
            session=session,
            session_after=session + AFTER_WORK,
        )
        yield Finding("meter", meter_id, "work", reason)


def _new_sides(found: Records) -> Iterator[Finding]:
    done = found.data.events.filter(
        (pl.col("event") == SIDE_SERVICE) & (pl.col("on") > found.as_of - LATELY) & confirmed()
    ).sort("meter_id", "on")
    for meter_id, side, on, note in done.select("meter_id", "side", "on", "note").iter_rows():
        reason = Reason("one_side_serviced", side=side, on=on, note=note or None)
        yield Finding("meter", meter_id, "one_side", reason)


def _unrecorded(found: Records) -> Iterator[Finding]:
    """Yield changes of the slope that came to light at the bench."""
    hidden = found.resets.filter(
        ~pl.col("recorded") & (pl.col("latest").dt.date() > found.as_of - LATELY)
    ).sort("meter_id", "latest")
    columns = ("meter_id", "slope_before", "slope_after", "earliest", "latest", "step_pct")
    for meter_id, before, after, earliest, latest, step_pct in hidden.select(columns).iter_rows():
        reason = Reason(
            "unrecorded_reset",
            before=before,
            after=after,
            first=earliest.date(),
            last=latest.date(),
            moved=None if step_pct is None else Reason("which_moved_it", step_pct=step_pct),
        )
        yield Finding("meter", meter_id, "unrecorded_reset", reason)


def _other_cranks(found: Records) -> Iterator[Finding]:
    """Yield moves to another crank: its length error is another, and no drift."""
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
    for meter_id, crank, since in moves.select("meter_id", "crank_id", "from_date").iter_rows():
        reason = Reason("other_crank_fitted", crank_id=crank, since=since)
        yield Finding("meter", meter_id, "other_crank", reason)


def _void_rides(found: Records) -> Iterator[Finding]:
    """Yield rides that prove nothing, by pair, with the most frequent reason."""
    void = found.comparisons.filter(
        pl.col("void").is_not_null() & (pl.col("measured_at").dt.date() > found.as_of - LATELY)
    )
    grouped = void.group_by("meter_id", "reference_id").agg(
        n=pl.len(),
        first=pl.col("measured_at").min().dt.date(),
        last=pl.col("measured_at").max().dt.date(),
        why=pl.col("void").mode().sort().first(),
    )
    for meter_id, reference, n, first, last, why in grouped.sort(
        "meter_id", "reference_id"
    ).iter_rows():
        if n == 1:
            reason = Reason("void_ride", reference=reference, last=last, why=why)
        else:
            reason = Reason("void_rides", n=n, reference=reference, first=first, last=last, why=why)
        yield Finding("meter", meter_id, VOID, reason)


def _masses(found: Records, fleet: FleetFit) -> Iterator[Finding]:
    """Yield mass sets that behave like another mass than stated: the mass, not the meters."""
    known = found.mass_sets.filter(pl.col("mass_kg") > 0)
    stated = {
        bench_id: (mass, hanger or 0.0)
        for bench_id, mass, hanger in known.select(
            "bench_id", "mass_kg", "hanger_mass_kg"
        ).iter_rows()
    }
    used = found.sessions.filter(pl.col("gain_error_ln").is_finite())
    counts = dict(used.group_by("bench_id").agg(pl.col("meter_id").n_unique()).iter_rows())
    chosen = [b for b in found.data.benches["bench_id"].to_list() if b in stated]
    if not chosen:
        return
    mean, sd = fleet.gain_error([("bench", b) for b in chosen], found.as_of)
    for bench_id, m, s in zip(chosen, mean.tolist(), sd.tolist(), strict=True):
        if abs(m) > 3 * s and abs(percent_from_ln(m)) > TELLING_MASS_PCT:
            reason = _mass_reason(*stated[bench_id], m, s, n_meters=counts.get(bench_id, 0))
            yield Finding("bench", bench_id, "mass", reason, Reason("weigh_it"))


def _mass_reason(
    mass: float, hanger: float, mean_ln: float, sd_ln: float, *, n_meters: int
) -> Reason:
    """Return what a set of so many kg behaves like; mean, sd: what it adds to found values."""
    total = mass + hanger
    return Reason(
        "mass_off",
        mass_kg=mass,
        behaves_kg=total * ratio_from_ln(mean_ln) - hanger,
        half_kg=2 * sd_ln / 100 * total,
        error_pct=percent_from_ln(mean_ln),
        meters=Reason("the_meter") if n_meters == 1 else Reason("several_meters", n=n_meters),
    )
