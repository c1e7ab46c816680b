"""Put all observations of the fleet into one flat order, and say who is compared with whom."""

from collections import Counter
from dataclasses import dataclass, field, fields
from functools import cached_property

import numpy as np
import polars as pl

from models.fleet.design.arrays import codes
from models.fleet.design.data import FleetData, shared_scales
from models.fleet.design.ride_effects import RideEffects, no_ride_effects, ride_effects_of
from models.metrology import DAYS_A_YEAR, Array, Index, Mask, years


@dataclass
class Devices:
    """The devices' names and what is fixed about them.

    meters, groups      names; group: code of each meter's group; service: the instant from which
                        its age counts, years since 1970, all [meters]
    references, benches, places, cranks
                        names of what meters are compared with and hung on
    reference_meter     of each reference that is a meter of the fleet: that meter's place
    promoted            meters that serve as references: their own course is a shared effect
    bench_u, place_u, crank_u
                        prior sd of what each adds to a found value, 100·ln
    scales              names of what several mass sets were weighed on; scale: each set's, or −1;
    scale_u             prior sd of what a scale adds to all of its sets, part of their bench_u
    """

    meters: list[str]
    groups: list[str]
    group: Index
    service: Array
    references: list[str]
    benches: list[str]
    places: list[str]
    cranks: list[str]
    reference_meter: dict[str, int]
    promoted: Mask
    bench_u: Array = field(default_factory=lambda: np.zeros(0))
    place_u: Array = field(default_factory=lambda: np.zeros(0))
    crank_u: Array = field(default_factory=lambda: np.zeros(0))
    scales: list[str] = field(default_factory=list)
    scale: Index = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    scale_u: Array = field(default_factory=lambda: np.zeros(0))

    @cached_property
    def meter_index(self) -> dict[str, int]:
        """Return the place of each meter."""
        return {name: i for i, name in enumerate(self.meters)}

    def own_bench_u(self) -> Array:
        """Return the prior sd of what each mass set adds beyond its scale, [benches]."""
        shared = np.append(self.scale_u, 0.0)[self.scale]
        own: Array = np.sqrt(np.maximum(self.bench_u**2 - shared**2, _U_FLOOR**2))
        return own


@dataclass
class Observations:
    """Bench sessions and comparisons, sorted by the meter whose block they belong to, and time.

    owner   code of the meter whose block it belongs to
    value   what was found, 100·ln; of a comparison whose reference owns the block, its negative
    sign    −1 where the reference owns the block, so that value is the negative ratio
    other   the second meter of a comparison within the fleet, else −1; ref: the reference, else −1
    t       years since 1970
    u2      stated variance of the random part; u_crank, u_meter as stated for the session
    crank   code of a crank that only this meter used; shared_crank: of one that several used
    pair    code of the pair effect that comparisons share
    """

    name: list[str]
    is_bench: Mask
    owner: Index
    other: Index
    ref: Index
    t: Array
    value: Array
    sign: Array
    u2: Array
    bench: Index
    place: Index
    crank: Index
    shared_crank: Index
    pair: Index
    u_crank: Array
    u_meter: Array
    temperature: Array
    ride_effects: RideEffects = field(default_factory=no_ride_effects, init=False)

    def __len__(self) -> int:
        return len(self.name)

    def __getitem__(self, rows: slice) -> "Observations":
        """Return consecutive observations, with the ride effects that they carry."""
        part = Observations(**{f.name: getattr(self, f.name)[rows] for f in fields(self) if f.init})
        part.ride_effects = self.ride_effects.of_rows(rows)
        return part

    def some(self, rows: Index) -> "Observations":
        """Return observations by their rows, ascending, with the ride effects that they carry."""
        columns = [f.name for f in fields(self) if f.init and f.name != "name"]
        part = Observations(
            name=[self.name[i] for i in rows.tolist()],
            **{name: getattr(self, name)[rows] for name in columns},
        )
        part.ride_effects = self.ride_effects.some(rows)
        return part


_SHRINK_DOF = 6.0
_U_FLOOR = 1e-3


def observe(data: FleetData) -> tuple[Devices, Observations]:
    """Return the devices and the observations of completed data."""
    devices = _devices(data)
    obs = _joined(_sessions(data, devices), _comparisons(data, devices))
    carried = ride_effects_of(data.ride_effects, obs.name, is_bench=obs.is_bench, sign=obs.sign)
    obs.ride_effects = carried.of_blocks(obs.owner)
    np.minimum.at(devices.service, obs.owner, obs.t)
    inside = obs.other >= 0
    np.minimum.at(devices.service, obs.other[inside], obs.t[inside])
    return devices, obs


def _joined(first: Observations, second: Observations) -> Observations:
    """Return both, sorted by the owner of the block and time."""
    columns = {
        column.name: np.concatenate([getattr(first, column.name), getattr(second, column.name)])
        for column in fields(Observations)
        if column.init and column.name != "name"
    }
    order = np.lexsort((columns["t"], columns["owner"]))
    names = [*first.name, *second.name]
    return Observations(
        name=[names[i] for i in order], **{name: values[order] for name, values in columns.items()}
    )


def _devices(data: FleetData) -> Devices:
    meters = data.meters["meter_id"].to_list()
    index = {m: i for i, m in enumerate(meters)}
    group, groups = codes(data.meters["group"].to_list())
    service = years(data.meters["in_service_on"]) - 0.5 / DAYS_A_YEAR
    service = np.where(np.isnan(service), np.inf, service)
    itself = {
        r: index[m]
        for r, m in data.references.select("reference_id", "meter_id").iter_rows()
        if m in index
    }
    seen = data.comparisons["reference_id"].unique(maintain_order=True).to_list()
    listed = data.references["reference_id"].to_list()
    references = [r for r in dict.fromkeys([*listed, *seen]) if r not in itself]
    benches = dict.fromkeys(
        [*data.benches["bench_id"].to_list(), *data.bench["bench_id"].drop_nulls().to_list()]
    )
    return Devices(
        meters=meters,
        groups=groups,
        group=group,
        service=service,
        references=references,
        benches=list(benches),
        places=data.bench["place_id"].drop_nulls().unique(maintain_order=True).to_list(),
        cranks=data.bench["crank_id"].drop_nulls().unique(maintain_order=True).to_list(),
        reference_meter=itself,
        promoted=np.zeros(len(meters), dtype=np.bool_),
    )


def _lookup(values: pl.Series, names: list[str]) -> Index:
    index = {name: i for i, name in enumerate(names)}
    return np.array([index.get(v, -1) for v in values.to_list()], dtype=np.int64)


def _floats(frame: pl.DataFrame, column: str, missing: float) -> Array:
    return frame[column].fill_nan(None).fill_null(missing).to_numpy().astype(np.float64)


def _shrunk(u: Array, dof: Array) -> Array:
    """Return variances of uncertainties u [n], those of few degrees of freedom shrunk.

    A variance with finite dof becomes its scaled-inverse-χ² posterior mean, the median variance
    being the prior with 6 degrees of freedom.
    Source: Gelman et al., Bayesian Data Analysis, 2.6.
    """
    u2 = np.maximum(u, _U_FLOOR) ** 2
    few = np.isfinite(dof)
    if not few.any():
        return u2
    usual = float(np.median(u2))
    dof = np.where(few, np.maximum(dof, 0.0), 0.0)
    towards = (dof * u2 + _SHRINK_DOF * usual) / (dof + _SHRINK_DOF)
    return np.where(few, towards, u2)


def _sessions(data: FleetData, devices: Devices) -> Observations:
    """Return the bench sessions; fills in the sds of what they were hung on."""
    frame = data.bench
    n = len(frame)
    owner = _lookup(frame["meter_id"], devices.meters)
    bench = _lookup(frame["bench_id"], devices.benches)
    place = _lookup(frame["place_id"], devices.places)
    crank = _lookup(frame["crank_id"], devices.cranks)
    u_bench, u_place = _floats(frame, "u_bench", 0.0), _floats(frame, "u_place", 0.0)
    u_crank = _floats(frame, "u_crank", 0.0)
    stated = dict(data.benches.select("bench_id", "u_pct").iter_rows())
    devices.bench_u = _typical(u_bench, bench, devices.benches, stated)
    devices.scales, devices.scale, devices.scale_u = shared_scales(
        data.benches, devices.benches, devices.bench_u
    )
    devices.place_u = _typical(u_place, place, devices.places, {})
    shared = _used_by_several(crank, owner)
    devices.crank_u = _typical(u_crank, crank, devices.cranks, {})
    nobody = np.full(n, -1, dtype=np.int64)
    # what an unnamed mass set, place or crank shares is random as far as anyone can tell
    unnamed = np.where(bench < 0, u_bench, 0.0) ** 2 + np.where(place < 0, u_place, 0.0) ** 2
    unnamed += np.where(crank < 0, u_crank, 0.0) ** 2
    u2 = _shrunk(_floats(frame, "u_session", 0.3), _floats(frame, "dof_session", np.inf))
    return Observations(
        name=frame["session_id"].to_list(),
        is_bench=np.ones(n, dtype=np.bool_),
        owner=owner,
        other=nobody,
        ref=nobody,
        t=years(frame["at"]),
        value=_floats(frame, "found", 0.0),
        sign=np.ones(n),
        u2=u2 + unnamed,
        bench=bench,
        place=place,
        crank=np.where(shared, -1, crank),
        shared_crank=np.where(shared, crank, -1),
        pair=nobody,
        u_crank=u_crank,
        u_meter=_floats(frame, "u_meter", 0.0),
        temperature=_floats(frame, "temperature_c", np.nan),
    )


def _typical(u: Array, code: Index, names: list[str], stated: dict[str, float | None]) -> Array:
    """Return each shared device's prior sd: as stated, else the median of its sessions'."""
    result = np.zeros(len(names))
    known = pl.DataFrame({"code": code, "u": u}).filter(pl.col("code") >= 0)
    usual = known.group_by("code").agg(pl.col("u").median())
    result[usual["code"].to_numpy()] = usual["u"].to_numpy()
    for i, name in enumerate(names if stated else ()):
        given = stated.get(name)
        if given is not None and np.isfinite(given):
            result[i] = given
    return np.maximum(result, _U_FLOOR)


def _used_by_several(crank: Index, owner: Index) -> Mask:
    """Return which sessions are on a crank that more than one meter was on."""
    pairs = np.unique(np.stack([crank, owner]), axis=1)
    count = Counter(pairs[0].tolist())
    return np.array([c >= 0 and count[c] > 1 for c in crank.tolist()], dtype=np.bool_)


def _comparisons(data: FleetData, devices: Devices) -> Observations:
    """Return the comparisons; fills in which meters are promoted."""
    frame = data.comparisons.filter(_not_itself(data.comparisons, devices))
    n = len(frame)
    owner = _lookup(frame["meter_id"], devices.meters)
    other = np.array(
        [devices.reference_meter.get(r, -1) for r in frame["reference_id"].to_list()],
        dtype=np.int64,
    )
    devices.promoted = _promoted(owner, other, len(devices.meters))
    flip = (other >= 0) & ~devices.promoted[other] & devices.promoted[owner]
    owner, other = np.where(flip, other, owner), np.where(flip, owner, other)
    default = pl.concat_str([pl.col("meter_id"), pl.col("reference_id")], separator="\x1f")
    pair = frame.select(pl.coalesce(pl.col("pair_key"), default)).to_series()
    nobody = np.full(n, -1, dtype=np.int64)
    ratio = _floats(frame, "ratio", 0.0)
    return Observations(
        name=frame["comparison_id"].to_list(),
        is_bench=np.zeros(n, dtype=np.bool_),
        owner=owner,
        other=other,
        ref=_lookup(frame["reference_id"], devices.references),
        t=years(frame["at"]),
        value=np.where(flip, -ratio, ratio),
        sign=np.where(flip, -1.0, 1.0),
        u2=_shrunk(_floats(frame, "u", 0.5), _floats(frame, "dof", np.inf)),
        bench=nobody,
        place=nobody,
        crank=nobody,
        shared_crank=nobody,
        pair=codes(pair.to_list())[0],
        u_crank=np.zeros(n),
        u_meter=np.zeros(n),
        temperature=_floats(frame, "temperature_c", np.nan),
    )


def _not_itself(comparisons: pl.DataFrame, devices: Devices) -> pl.Series:
    """Return which comparisons are of two devices: a meter beside itself says nothing."""
    index = {m: i for i, m in enumerate(devices.meters)}
    rows = comparisons.select("meter_id", "reference_id").iter_rows()
    keep = [devices.reference_meter.get(r, -1) != index.get(m) for m, r in rows]
    return pl.Series(keep, dtype=pl.Boolean)


def _promoted(owner: Index, other: Index, n_meters: int) -> Mask:
    """Choose the fewest meters, greedily, such that each comparison within the fleet has one."""
    flags = np.zeros(n_meters, dtype=np.bool_)
    inside = np.flatnonzero(other >= 0)
    edges = {tuple(sorted(e)) for e in zip(owner[inside], other[inside], strict=True)}
    lends = Counter(int(m) for m in other[inside])
    while edges:
        degree = Counter(int(m) for e in edges for m in e)
        best = max(degree, key=lambda m: (degree[m], lends[m], -m))
        flags[best] = True
        edges = {e for e in edges if best not in e}
    return flags
