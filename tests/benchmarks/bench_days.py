"""What follows from doing as the bench advises: meters made worse, slips named, resets missed.

Run by hand: `python -m tests.benchmarks.bench_days [days a setting] [seed]`. A mechanic follows
the advice for up to six rounds a day: `repeat` has the named things looked at, which mends a slip
that is among them, and all hung afresh; `reset` programmes the slope named; `leave` ends the day,
once what it asks to glance at is looked at and found right.

A reset is needed where a meter came out of tolerance, by whatever margin. One that was missed is
`hidden` where a slip, unmended, moved the finding of the last session to within tolerance: then
only a look can tell. Another is `unsure` where the last finding is no larger than its uncertainty.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from models.bench import SessionDocument, evaluate_bench, session_document, session_frame
from tests.simulate.bench_days import EVERY, NOON, Bench, Meter, Slip, World, typed

FLEET = 50
ROUNDS = 6
TOLERANCE_PCT = 1.5
NAMES: dict[str, tuple[str, ...]] = {
    "length": ("crank_length",),
    "hanger_not_hung": ("hanger_mass",),
    "hanger_not_counted": ("hanger_mass",),
    "other_set": ("mass",),
    "plate": ("mass",),
    "pounds": ("unit",),
    "torque_unit": ("unit",),
    "tenfold": ("mistyped",),
    "one_reading": ("reading", "mistyped"),
    "sign": ("sign",),
    "no_zero": ("not_zeroed",),
    "angle": ("angle",),
    "old_slope": ("slope",),
    "cog": ("cog_teeth",),
    "ring": ("chainring", "swapped"),
}
"""The kinds of suspicion that name a slip rightly."""
FRESH = ("angle", "one_reading", "tenfold", "sign", "torque_unit")
"""Slips of a moment: a fresh hang, read and levelled anew, is without them three times in four."""


@dataclass
class Day:
    """One meter's day: what was slipped, what was advised in each round, how it ended."""

    meter: Meter
    slip: Slip | None
    drawn: Slip | None
    technician: str
    before_pct: float
    rows: list[dict[str, Any]] = field(default_factory=list)
    advice: list[str] = field(default_factory=list)
    first: SessionDocument | None = None
    effect_pct: float = 0.0
    last: SessionDocument | None = None
    open: bool = True
    mended: bool = False
    glances: int = 0

    @property
    def worse(self) -> bool:
        """Whether the meter is left further off than it came."""
        return abs(self.meter.error_pct) > abs(self.before_pct) + 0.05

    @property
    def needed(self) -> bool:
        """Whether the meter came out of tolerance."""
        return abs(self.before_pct) > TOLERANCE_PCT

    @property
    def missed(self) -> bool:
        """Whether a reset was needed and never advised."""
        return self.needed and "reset" not in self.advice

    @property
    def hidden(self) -> bool:
        """Whether a slip that nobody found moved what was last found to within tolerance."""
        found = (self.last or {}).get("gain_error_pct")
        return self.slip is not None and found is not None and abs(found) <= TOLERANCE_PCT

    @property
    def unsure(self) -> bool:
        """Whether what was last found is no larger than its expanded uncertainty."""
        last = self.last or {}
        return abs(last.get("gain_error_pct") or 0) <= (last.get("expanded_uncertainty_pct") or 0)


def _fleet(bench: Bench, rate: float, run: int) -> Iterator[Day]:
    side = bench.tables()
    earlier = None
    if bench.past is not None:
        earlier = session_frame(evaluate_bench(side | {"bench": bench.past}))
    todo: list[Day] = []
    for k, meter in enumerate(bench.meters):
        if k % run == 0:
            slip = bench.slip(meter) if bench.rng.uniform() < rate else None
        todo.append(Day(meter, slip, slip, f"T{k // run}", meter.error_pct))
    for place in range(run):
        for turn in range(ROUNDS):
            at = NOON + timedelta(minutes=25 * place + 4 * turn)
            _round(bench, side, earlier, todo, [d for d in todo[place::run] if d.open], turn, at)
        for day in todo[place::run]:
            if day.mended:  # what was found wrong in the setup is right for the next meters
                for other in todo:
                    if other.technician == day.technician and other.open:
                        other.slip = None
    yield from todo


def _round(
    bench: Bench, side: Any, earlier: Any, todo: list[Day], now: list[Day], turn: int, at: Any
) -> None:
    if not now:
        return
    for day in now:
        name = f"{day.meter.meter_id}-{turn}"
        slip = day.slip
        day.rows += bench.session(day.meter, name, at, technician=day.technician, slip=slip)
    rows = [row for day in todo for row in day.rows]
    results = evaluate_bench(side | {"bench": typed("bench", rows)}, earlier=earlier)
    documents = {r.session.session_id: session_document(r) for r in results}
    for day in now:
        _follow(bench, day, documents[f"{day.meter.meter_id}-{turn}"])


def _follow(bench: Bench, day: Day, document: SessionDocument) -> None:
    if day.first is None:
        day.first = document
        day.effect_pct = (document["gain_error_pct"] or 0.0) - day.before_pct
    advice = document["advice"] or "leave"
    day.last = document
    day.advice.append(advice)
    if advice == "reset":
        slope = document["slope_to_enter"] or document["new_slope"]
        if slope:
            for row in day.rows:
                if row["session_id"] == document["session_id"]:
                    row["slope_after"] = slope
            day.meter.reset(slope)
        day.open = False
        return
    looked_at = {s["kind"] for s in document["suspicions"]}
    looked_at |= {c["kind"] for c in document["checks"]}
    day.glances += len(document["checks"]) if advice == "leave" else 0
    if day.slip is not None:
        passing = advice == "repeat" and day.slip.kind in FRESH and bench.rng.uniform() < 0.75
        if looked_at & set(NAMES[day.slip.kind]) or passing:
            day.slip, day.mended = None, True
            return
    day.open = advice not in ("leave", "send_away")


def report(title: str, found: list[Day], slips: list[Slip | None], *, by_kind: bool) -> None:
    """Print one setting's line, and its slips by kind."""
    n = len(found)
    spoiled = [(d, s) for d, s in zip(found, slips, strict=True) if s is not None]
    honest = [d for d, s in zip(found, slips, strict=True) if s is None]
    large = [(d, s) for d, s in spoiled if abs(d.effect_pct) > 1]

    def names(key: str) -> float:
        hits = [_named(d, s, key) for d, s in large]
        return 100 * sum(hits) / max(len(hits), 1)

    worse = 100 * sum(d.worse for d in found) / n
    false = 100 * sum(bool(d.first and d.first["suspicions"]) for d in honest) / max(len(honest), 1)
    needed = sum(d.needed for d in found)
    missed = [d for d in found if d.missed]
    hidden = sum(d.hidden for d in missed)
    unsure = sum(d.unsure and not d.hidden for d in missed)
    repeats = sum(d.advice.count("repeat") for d in honest) / max(len(honest), 1)
    glances = sum(d.glances for d in honest) / max(len(honest), 1)
    print(
        f"{title:34} worse {worse:5.2f} %  (honest {sum(d.worse for d in honest):3})  "
        f"named {names('suspicions'):5.1f} (with checks {names('checks'):5.1f})  false {false:4.1f}"
        f"  missed {len(missed) - hidden} (unsure {unsure}) and hidden {hidden} of {needed}"
        f"  repeats {repeats:.2f}  glances {glances:.2f}",
        flush=True,
    )
    if by_kind:
        for kind, count in Counter(s.kind for _, s in large).most_common():
            of = [(d, s) for d, s in large if s.kind == kind]
            hit = 100 * sum(_named(d, s, "suspicions") for d, s in of) / count
            either = (
                100
                * sum(_named(d, s, "suspicions") or _named(d, s, "checks") for d, s in of)
                / count
            )
            bad = sum(d.worse for d, _ in of)
            print(
                f"    {kind:20} {count:4}  named {hit:5.1f}  or checks {either:5.1f}  worse {bad}"
            )


def _named(day: Day, slip: Slip, key: str) -> bool:
    rows: list[Any] = list((day.first or {}).get(key) or [])  # type: ignore[call-overload]
    return any(row["kind"] in NAMES[slip.kind] for row in rows)


def setting(title: str, world: World, n: int, *, rate: float, seed: int, run: int = 1) -> None:
    """Simulate a setting and print what came of it."""
    kept: list[Day] = []
    for first in range(0, n, FLEET):
        bench = Bench(world, min(FLEET, n - first), seed=seed * 10_000 + first)
        made = list(_fleet(bench, rate, run))
        kept += made
    report(title, kept, [d.drawn for d in kept], by_kind=rate >= 0.3)


TUNED_ON = World()
DRAWN_OTHERWISE = World(
    level_sd=1.1,
    drift_mean=-0.5,
    drift_sd=0.5,
    wander=0.25,
    battery_sd=0.3,
    crank_sd_mm=0.25,
    hang_sd=0.0018,
    angle_sd_deg=1.6,
    zero_sd_nm=0.04,
    step_nm=0.1,
    gap_days=(60, 300),
    reset_from=1.3,
    struck=0.03,
    length_known=0.5,
    kinds=(("crank_spider", 0.5), ("crank_arm_left", 0.3), ("hub", 0.2)),
    slips=tuple(EVERY.items()),
)
"""Days to measure on: another fleet, other hands, every kind of slip."""


def main(n: int, seed: int) -> None:
    for name, world in (("tuned", TUNED_ON), ("otherwise", DRAWN_OTHERWISE)):
        for rate in (0.05, 0.3, 0.5):
            setting(f"{name}, slips {rate}", world, n, rate=rate, seed=seed)
        setting(f"{name}, no past", world.but(past=0), n, rate=0.3, seed=seed)
        setting(f"{name}, struck", world.but(struck=1.0), n, rate=0.3, seed=seed)
        noted = world.but(struck=1.0, recorded=1.0)
        setting(f"{name}, struck and recorded", noted, n, rate=0.3, seed=seed)
        hangers = world.but(slips=(("hanger_not_hung", 1.0),))
        setting(f"{name}, runs of 5, hanger", hangers, n, rate=0.3, seed=seed, run=5)


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["2000", "1"][len(sys.argv) - 1 :])))
