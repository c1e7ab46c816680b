"""A small fleet with everything in it, and its joint normal distribution by brute force.

Written from the model's description alone, one process and one pair of instants at a time, with
no blocks, knots or shared effects: what the fleet model is checked against.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from models.fleet import FleetData

FIRST = date(2022, 1, 1)
ORIGIN = datetime(2022, 1, 1, tzinfo=UTC)
YEAR = 365.25

VALUES = {
    "start": [1.1, 0.8],
    "tie": [0.4, -0.2],
    "drift": [0.35, 0.2],
    "swap": [0.3, 0.15],
    "walk": [0.4, 0.25],
    "pair": [0.5, 0.3],
    "bench": [0.12, 0.2],
    "ride": [0.3, 0.25],
    "warmth_own": [0.02, 0.03],
    "reference_walk": 0.45,
    "mean_start": 0.2,
    "mean_drift": 0.4,
    "mean_swap": 0.3,
    "event": 0.8,
    "crash": 1.2,
    "service": 0.6,
    "remount": 0.7,
    "warmth": 0.02,
    "rider": 1.3,
}
MEAN_DRIFT_SD, MEAN_SWAP_SD, MEAN_WARMTH_SD, LEVEL_SD = 0.7, 0.5, 0.05, 5.0
EVENT_SD = {"crash": 1.0, "remount": 0.3}
SPINDOWN_SD = 0.7
ROAD_SD = {"ring": 2.5, "rider": VALUES["rider"], "day": 0.5}


Bent = dict[str, tuple[float, float]]
"""Of a group whose ageing is no line: its shape, and the prior sd of being off it."""


def at(day: float) -> datetime:
    return ORIGIN + timedelta(days=day)


def on(day: int) -> date:
    return FIRST + timedelta(days=day)


def small_fleet(seed: int = 5) -> FleetData:
    """Six meters of two groups; two trainers, and meter m1 lent as a reference."""
    rng = np.random.default_rng(seed)
    meters = [f"m{i}" for i in range(6)]
    service = {m: on(-int(rng.integers(50, 500))) for m in meters}
    bench, rides, road = [], [], []
    for i, m in enumerate(meters):
        for day in sorted(rng.choice(700, size=3, replace=False)):
            bench.append(
                {
                    "session_id": f"s{len(bench)}",
                    "meter_id": m,
                    "at": at(day + 0.375),
                    "bench_id": str(rng.choice(["steel", "plates"])),
                    "place_id": str(rng.choice(["hall", "truck"])),
                    "crank_id": f"crank{i // 2}" if day > 300 else f"own{i}",
                    "found": rng.normal(0, 1.2),
                    "u_session": rng.uniform(0.1, 0.4),
                    "u_bench": 0.25,
                    "u_place": 0.1,
                    "u_crank": 0.17,
                    "u_meter": 0.05,
                    "temperature_c": rng.normal(18, 3),
                }
            )
        for k, day in enumerate(sorted(rng.choice(700, size=5, replace=False))):
            road += _of_the_road(f"c{len(rides)}", i, k)
            choices = ["T1", "T2"] if m == "m1" else ["T1", "T2", "lent"]
            rides.append(
                {
                    "comparison_id": f"c{len(rides)}",
                    "meter_id": m,
                    "reference_id": str(rng.choice(choices)),
                    "at": at(day + 0.7),
                    "ratio": rng.normal(0, 1.5),
                    "u": rng.uniform(0.2, 0.5),
                    "temperature_c": rng.normal(16, 7),
                }
            )
    events = [(m, None, on(int(rng.integers(20, 600))), "battery_swap") for m in meters]
    events += [("m0", None, on(250), "battery_swap"), ("m1", None, on(420), "battery_swap")]
    events += [("m2", None, on(333), "crash"), ("m1", None, on(200), "remount")]
    events += [(None, "T1", on(365), "spindown")]
    resets = [(m, at(day), 0.0, p) for m, day, p in (("m0", 300.4, 1.3), ("m1", 410.4, -0.7))]
    return FleetData(
        meters=pl.DataFrame(
            {
                "meter_id": meters,
                "group": ["alder", "alder", "alder", "birch", "birch", "birch"],
                "in_service_on": [service[m] for m in meters],
            }
        ),
        bench=pl.DataFrame(bench),
        comparisons=pl.DataFrame(rides),
        resets=pl.DataFrame(
            resets, schema=["meter_id", "at", "p_before", "p_after"], orient="row"
        ).with_columns(recorded=True),
        events=pl.DataFrame(
            events,
            schema={
                "meter_id": pl.String,
                "reference_id": pl.String,
                "on": pl.Date,
                "event": pl.String,
            },
            orient="row",
        ),
        references=pl.DataFrame(
            {
                "reference_id": ["T1", "T2", "lent"],
                "kind": ["trainer", "trainer", "meter"],
                "meter_id": [None, None, "m1"],
            }
        ),
        ride_effects=pl.DataFrame(
            road, schema=["comparison_id", "effect", "kind", "sign"], orient="row"
        ),
    )


def _of_the_road(ride: str, meter: int, k: int) -> list[tuple[str, str, str, float]]:
    """m0 has an oval ring from its third ride on, m1 (lent) one that m2's first rides meet; two
    riders share m3 and m4, with two rides on one day."""
    out = []
    if meter == 0 and k >= 2:
        out.append((ride, "m0 oval", "ring", 1.0))
    if meter in (1, 2) and k < 2:
        out.append((ride, "m1 oval", "ring", 1.0 if meter == 1 else -1.0))
    if meter in (3, 4):
        out.append((ride, "Ada" if k < 3 else "Bo", "rider", 1.0))
        if k in (0, 1):
            out.append((ride, "Ada, a day", "day", 1.0))
    return out


@dataclass(frozen=True)
class Reading:
    """A signed sum of terms: ("meter", id), ("reference", id) …, all at one day."""

    day: float
    terms: tuple[tuple[float, str, str], ...]
    warm: float = 0.0


def readings(data: FleetData) -> tuple[list[Reading], np.ndarray, np.ndarray]:
    """What every observation is a sum of, its value with the slopes taken out, noise variance."""
    out, values, noise = [], [], []
    group = dict(data.meters.select("meter_id", "group").iter_rows())
    for r in data.bench.iter_rows(named=True):
        g = ["alder", "birch"].index(group[r["meter_id"]])
        day = (r["at"] - ORIGIN).total_seconds() / 86400
        m = r["meter_id"]
        names = [("meter", m), ("crank", r["crank_id"]), ("meter constant", m)]
        names += [("bench", r["bench_id"]), ("place", r["place_id"]), ("warm", m)]
        terms = tuple((1.0, *name) for name in names)
        out.append(Reading(day, terms, r["temperature_c"] - 20))
        values.append(r["found"] + slope(data, m, day))
        noise.append(r["u_session"] ** 2 + VALUES["bench"][g] ** 2)
    for r in data.comparisons.iter_rows(named=True):
        g = ["alder", "birch"].index(group[r["meter_id"]])
        day = (r["at"] - ORIGIN).total_seconds() / 86400
        m, lent = r["meter_id"], r["reference_id"] == "lent"
        other = ("meter", "m1") if lent else ("reference", r["reference_id"])
        terms = [(1.0, "meter", m), (1.0, "pair", f"{m} {r['reference_id']}"), (-1.0, *other)]
        terms.append((1.0, "warm", m))
        if lent:
            terms.append((-1.0, "group warm", "alder"))
        for _, effect, kind, sign in data.ride_effects.filter(
            pl.col("comparison_id") == r["comparison_id"]
        ).iter_rows():
            terms.append((sign, kind, effect))
        out.append(Reading(day, tuple(terms), r["temperature_c"] - 20))
        values.append(r["ratio"] + slope(data, m, day) - (slope(data, "m1", day) if lent else 0))
        noise.append(r["u"] ** 2 + VALUES["ride"][g] ** 2)
    return out, np.array(values), np.array(noise)


def slope(data: FleetData, meter: str, day: float) -> float:
    """The programmed slope of a meter at a day (a reset at that instant not yet made)."""
    p = 0.0
    for m, when, _, after in data.resets.select(
        "meter_id", "at", "p_before", "p_after"
    ).iter_rows():
        if m == meter and day > (when - ORIGIN).total_seconds() / 86400:
            p = after
    return p


def covariance(
    data: FleetData, left: list[Reading], right: list[Reading], bent: Bent
) -> np.ndarray:
    """Prior covariance of two lists of readings, noise apart."""
    kernel = _Kernels(data, bent)
    return np.array([[_between(kernel, a, b) for b in right] for a in left])


def _between(kernel: "_Kernels", a: Reading, b: Reading) -> float:
    total = 0.0
    for sign_a, kind_a, name_a in a.terms:
        for sign_b, kind_b, name_b in b.terms:
            total += sign_a * sign_b * kernel.of((kind_a, name_a), (kind_b, name_b), a, b)
    return total


class _Kernels:
    def __init__(self, data: FleetData, bent: Bent) -> None:
        self.bent = bent
        self.group = dict(data.meters.select("meter_id", "group").iter_rows())
        self.service = {
            m: (d - FIRST).days for m, d in data.meters.select("meter_id", "in_service_on").rows()
        }
        self.events = [
            (m or r, (d - FIRST).days, e)
            for m, r, d, e in data.events.select("meter_id", "reference_id", "on", "event").rows()
        ]
        self.first_use = {
            r: min(
                (when - ORIGIN).total_seconds() / 86400
                for name, when in data.comparisons.select("reference_id", "at").rows()
                if name == r
            )
            for r in ("T1", "T2")
        }

    def of(self, p: tuple[str, str], q: tuple[str, str], a: Reading, b: Reading) -> float:
        kinds = {p[0], q[0]}
        if kinds == {"meter"}:
            return self.meters(p[1], q[1], a.day, b.day)
        if kinds <= {"warm", "group warm"}:
            return a.warm * b.warm * self.warmth(p, q)
        if p != q:
            return 0.0
        if p[0] == "reference":
            return self.reference(p[1], a.day, b.day)
        if p[0] in ROAD_SD:
            return ROAD_SD[p[0]] ** 2
        if p[0] == "pair":
            return VALUES["pair"][self.index(p[1].split()[0])] ** 2
        return {"bench": 0.25, "place": 0.1, "crank": 0.17, "meter constant": 0.05}[p[0]] ** 2

    def index(self, meter: str) -> int:
        return ["alder", "birch"].index(self.group[meter])

    def warmth(self, p: tuple[str, str], q: tuple[str, str]) -> float:
        groups = [x[1] if x[0] == "group warm" else self.group[x[1]] for x in (p, q)]
        total = MEAN_WARMTH_SD**2 + (groups[0] == groups[1]) * VALUES["warmth"] ** 2
        if p == q and p[0] == "warm":
            total += VALUES["warmth_own"][self.index(p[1])] ** 2
        return total

    def meters(self, m: str, n: str, s: float, t: float) -> float:
        a, b = (s - self.service[m]) / YEAR, (t - self.service[n]) / YEAR
        walked = min(a, b)
        (a, off_a), (b, off_b) = self.aged(m, a), self.aged(n, b)
        k, j = self.jumps(m, s, "battery_swap"), self.jumps(n, t, "battery_swap")
        total = MEAN_DRIFT_SD**2 * a * b + MEAN_SWAP_SD**2 * len(k) * len(j)
        if self.group[m] == self.group[n]:
            total += VALUES["mean_start"] ** 2 + VALUES["mean_drift"] ** 2 * a * b
            total += VALUES["mean_swap"] ** 2 * len(k) * len(j) + off_a * off_b
        if m != n:
            return total
        g = self.index(m)
        l11, l22 = VALUES["start"][g], VALUES["drift"][g]
        l21 = VALUES["tie"][g] * l22
        total += l11**2 + l11 * l21 * (a + b) + (l21**2 + l22**2) * a * b
        total += VALUES["swap"][g] ** 2 * len(set(k) & set(j))
        total += VALUES["walk"][g] ** 2 * walked
        for kind, sd in EVENT_SD.items():
            both = len(set(self.jumps(m, s, kind)) & set(self.jumps(m, t, kind)))
            total += (VALUES[kind] * sd) ** 2 * both
        return total

    def aged(self, meter: str, age: float) -> tuple[float, float]:
        """The age that counts for drift, and its derivative in the shape times that one's sd."""
        if self.group[meter] not in self.bent:
            return age, 0.0
        k, sd = self.bent[self.group[meter]]
        if k > 0:
            top, bottom = 1 - np.exp(-k * age), 1 - np.exp(-k)
            d_top, d_bottom = age * np.exp(-k * age), np.exp(-k)
        else:
            top, bottom = age - k * age**2 / 2, 1 - k / 2
            d_top, d_bottom = -(age**2) / 2, -0.5
        return top / bottom, sd * (d_top * bottom - top * d_bottom) / bottom**2

    def jumps(self, device: str, day: float, kind: str) -> list[int]:
        return [d for name, d, e in self.events if name == device and e == kind and d <= day]

    def reference(self, r: str, s: float, t: float) -> float:
        spindowns = len(set(self.jumps(r, s, "spindown")) & set(self.jumps(r, t, "spindown")))
        walked = (min(s, t) - self.first_use[r]) / YEAR
        total = LEVEL_SD**2 + VALUES["reference_walk"] ** 2 * walked
        return total + (VALUES["event"] * SPINDOWN_SD) ** 2 * spindowns
