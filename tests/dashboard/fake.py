"""An invented fleet behind the same questions as the real one: documents, no store, no models."""

from __future__ import annotations

import math
import random
from datetime import date, timedelta
from typing import Any

from tests.dashboard import fake_bench
from tests.dashboard.fake_season import FakeDecisions
from tests.dashboard.fake_service import LIVE, FakeService

Document = dict[str, Any]
TODAY = date(2027, 9, 30)
TOLERANCE = 1.5
GROUPS = (
    ("spider Alder", "crank_spider", "multiplier", 5.69),
    ("pedal Vole", "pedal_pair", "divisor", 212.4),
    ("arm Heron", "crank_arm_left", "fixed", 1.0),
)
ACTIONS = {
    "out": "Take it to the bench before the next ride",
    "due": "Bench it this week",
    "soon": "Bench it before 2027-10-20",
    "ok": "Nothing to do",
    "unknown": "Bench it once, as found",
}
SHORT_REASONS = {
    "out": "Jumped by +2.3 % between 12 Aug 2027 and 3 Sep 2027",
    "due": "Within tolerance with a chance of 62 % (target 90 %)",
    "soon": "Falls below 90 % sure on 20 Oct 2027",
    "unknown": "Never on the bench",
}
SHORT_ACTIONS = {
    "out": "Bench it; reset if confirmed",
    "due": "Bench it now",
    "soon": "Bench it before 20 Oct 2027",
    "unknown": "Bench it as found",
}


def _reasons(mean: float, sd: float, inside: float) -> list[str]:
    side = "high" if mean > 0 else "low"
    return [
        f"Reads {abs(mean):.1f} % {side} ± {1.645 * sd:.1f}; the limit is {TOLERANCE}.",
        f"The chance that it is within ± {TOLERANCE} % is {100 * inside:.0f} %; "
        "the target is 90 %.",
        "Last compared on 2027-09-02; drifts -0.4 % a year.",
    ]


def _phi(x: float) -> float:
    return 0.5 * (1 + math.erf(x / math.sqrt(2)))


class FakeData(FakeDecisions, FakeService):
    """Answers over an invented fleet; `blank` meters have no data at all."""

    def __init__(
        self, meters: int = 60, *, trainers: int = 4, seed: int = 7, blank: tuple[str, ...] = ()
    ) -> None:
        self.rng = random.Random(seed)
        self.blank = set(blank)
        self._meters = {row["meter_id"]: row for row in map(self._meter, range(meters))}
        for meter_id in blank:
            self._meters[meter_id] = self._blank_row(meter_id)
        self.trainers = trainers
        self.calls: list[tuple[str, Any]] = []

    # ---- the fleet -----------------------------------------------------------------------

    def status(self, as_of: str | None = None) -> Document:
        self.calls.append(("status", as_of))
        rows = list(self._meters.values())
        counts = {s: sum(row["status"] == s for row in rows) for s in ACTIONS}
        return {
            "as_of": as_of or TODAY.isoformat(),
            "today_note": None
            if as_of
            else "Today is the last day of the demo's data, not the calendar's.",
            "fit": {"fitted_at": "2027-09-30T06:12:00Z", "stale": False, "converged": True},
            "reliability_target": 0.9,
            "meters": rows,
            "references": self._references(),
            "benches": self._benches(),
            "fleet": {"counts": counts, "hyperparameters": {}},
        }

    def _meter(self, n: int) -> Document:
        group, kind, _, _ = GROUPS[n % 3]
        meter_id = f"{'SVA'[n % 3]}{n + 1:03d}"
        if n % 20 == 11:
            return self._blank_row(meter_id) | {"group": group, "kind": kind}
        sd = self.rng.uniform(0.25, 0.75)
        mean = self.rng.gauss(0.1, 0.8) + (2.4 if n % 17 == 5 else 0.0)
        inside = _phi((TOLERANCE - mean) / sd) - _phi((-TOLERANCE - mean) / sd)
        status, due = self._status(inside)
        return {
            "meter_id": meter_id,
            "status": status,
            "reasons": [*(a["text"] for a in self._alarms(n)), *_reasons(mean, sd, inside)],
            "reason_kinds": ["alarm"] * len(self._alarms(n)) + ["reads", "chance", "compared"],
            "gain_error_pct": mean,
            "gain_error_sd_pct": sd,
            "sides": None,
            "interval90_pct": [mean - 1.645 * sd, mean + 1.645 * sd],
            "p_within_tolerance": inside,
            "tolerance_pct": TOLERANCE,
            "drift_pct_per_year": self.rng.gauss(0.5, 0.4),
            "drift_sd_pct_per_year": 0.3,
            "due_date": due and due.isoformat(),
            "last_bench": (TODAY - timedelta(days=self.rng.randint(3, 300))).isoformat(),
            "last_comparison": (TODAY - timedelta(days=self.rng.randint(1, 60))).isoformat(),
            "alarms": self._alarms(n),
            "next_action": ACTIONS[status],
            "short_reason": SHORT_REASONS.get(status),
            "short_action": SHORT_ACTIONS.get(status),
            "group": group,
            "kind": kind,
            "rider_id": None if n % 13 == 12 else f"R{n % 24 + 1:02d}",
            "bike_id": None if n % 13 == 12 else f"B{n % 24 + 1:02d}-{n // 24 + 1}",
            "serial_number": str(480000 + 37 * n),
            "state": "spare" if n % 13 == 12 else "active",
        }

    def _status(self, inside: float) -> tuple[str, date | None]:
        if inside < 0.5:
            return "out", TODAY
        if inside < 0.9:
            return "due", TODAY
        days = int(190 * (inside - 0.9) / 0.1)
        return ("soon" if days <= 28 else "ok"), TODAY + timedelta(days=days)

    def _blank_row(self, meter_id: str) -> Document:
        return {
            "meter_id": meter_id,
            "status": "unknown",
            "reasons": ["No bench session yet; the numbers are those of its group"],
            "reason_kinds": ["never_benched"],
            "gain_error_pct": 0.2,
            "gain_error_sd_pct": 1.4,
            "sides": None,
            "interval90_pct": [-2.1, 2.5],
            "p_within_tolerance": 0.71,
            "tolerance_pct": TOLERANCE,
            "drift_pct_per_year": None,
            "drift_sd_pct_per_year": None,
            "due_date": TODAY.isoformat(),
            "last_bench": None,
            "last_comparison": None,
            "alarms": [],
            "next_action": ACTIONS["unknown"],
            "short_reason": SHORT_REASONS["unknown"],
            "short_action": SHORT_ACTIONS["unknown"],
            "group": "spider Alder",
            "kind": "crank_spider",
            "rider_id": None,
            "bike_id": None,
            "serial_number": None,
            "state": "spare",
        }

    def _alarms(self, n: int) -> list[Document]:
        if n == 5:
            text = "The gain error jumped by about +2.3 % by 3 Sep 2027: a strike?"
            return [{"kind": "step", "date": "2027-09-03", "size_pct": 2.3, "text": text}]
        if n == 16:
            text = "Its session of 12 May 2027 reads as if 170 mm had been entered for 172.5 mm."
            return [{"kind": "entry", "date": "2027-05-12", "size_pct": 1.47, "text": text}]
        return []

    def _references(self) -> list[Document]:
        rows = []
        for n in range(self.trainers):
            jump = n == 2
            text = "Its readings fell by about 1.6 % after the spindown of 2 Aug 2027."
            alarm = {"kind": "step", "date": "2027-08-02", "size_pct": -1.6, "text": text}
            rows.append(
                {
                    "reference_id": f"T{n + 1}",
                    "kind": "trainer",
                    "gain_error_pct": -1.2 - 0.4 * n,
                    "gain_error_sd_pct": 0.3,
                    "alarms": [alarm] if jump else [],
                }
            )
        return rows

    def _benches(self) -> list[Document]:
        if not self.trainers:
            return []
        return [
            {"bench_id": "M-A", "gain_error_pct": 0.02, "gain_error_sd_pct": 0.06, "alarms": []},
            {"bench_id": "M-B", "gain_error_pct": -0.11, "gain_error_sd_pct": 0.14, "alarms": []},
        ]

    def bench_kit(self) -> Document:
        return fake_bench.kit(self.status()["meters"], on=TODAY)

    # ---- one meter -----------------------------------------------------------------------

    def meter(self, meter_id: str) -> Document:
        return self._meters.get(meter_id, {})

    def history(self, meter_id: str, as_of: str | None = None) -> Document:
        row = self._meters[meter_id]
        if row["last_bench"] is None:
            return self._empty_history(meter_id)
        reset = {
            "date": "2026-11-20",
            "slope_before": 5.69,
            "slope_after": 5.61,
            "step_pct": -1.4,
            "recorded": True,
        }
        observations = self._observations(row)
        return {
            "meter_id": meter_id,
            "tolerance_pct": TOLERANCE,
            "points": self._points(row, upto=TODAY),
            "forecast": self._points(row, upto=TODAY + timedelta(days=240))[-9:],
            "observations": observations,
            "events": self._events(),
            "resets": [reset],
            "control": _control(observations),
        }

    def _empty_history(self, meter_id: str) -> Document:
        empty: Document = {"individuals": [], "ewma": [], "limits": {}}
        return {
            "meter_id": meter_id,
            "tolerance_pct": TOLERANCE,
            "control": empty,
            **{key: [] for key in ("points", "forecast", "observations", "events", "resets")},
        }

    def _level(self, row: Document, on: date) -> float:
        years = (on - TODAY).days / 365.25
        before_reset = 1.4 if on < date(2026, 11, 20) else 0.0
        return float(row["gain_error_pct"] + row["drift_pct_per_year"] * years + before_reset)

    def _points(self, row: Document, *, upto: date) -> list[Document]:
        days = [date(2025, 2, 1) + timedelta(days=30 * k) for k in range(60)]
        days += [date(2026, 11, 19), date(2026, 11, 20), TODAY]
        points = []
        for on in sorted(day for day in days if day <= upto):
            gap = min(abs((on - date(2025, 3, 4) - timedelta(days=190 * k)).days) for k in range(6))
            sd = 0.2 + 0.0025 * gap
            mean = self._level(row, on)
            points.append(
                {
                    "date": on.isoformat(),
                    "gain_error_pct": mean,
                    "sd_pct": sd,
                    "lo90_pct": mean - 1.645 * sd,
                    "hi90_pct": mean + 1.645 * sd,
                }
            )
        return points

    def _observations(self, row: Document) -> list[Document]:
        rng = random.Random(row["meter_id"])
        found = []
        for k in range(30):
            bench = k % 6 == 0
            on = date(2025, 3, 4) + timedelta(days=31 * k)
            sd, wild = (0.25, 0.0) if bench else (0.7, 3.0 if k == 13 else 0.0)
            error = rng.gauss(0, sd)
            found.append(
                {
                    "date": on.isoformat(),
                    "kind": "bench" if bench else "comparison",
                    "id": f"{row['meter_id']}-{'b' if bench else 'c'}{k:02d}",
                    "gain_error_pct": self._level(row, on) + error + wild,
                    "sd_pct": sd,
                    "standardized_residual": error / sd + wild,
                    "used": wild == 0.0,
                }
            )
        return found

    def _events(self) -> list[Document]:
        return [
            {"date": "2025-08-14", "event": "battery_swap", "note": "CR2450", "state": "confirmed"},
            {"date": "2026-06-02", "event": "battery_swap", "note": None, "state": "confirmed"},
            {"date": "2027-03-11", "event": "crash", "note": "left side", "state": "confirmed"},
            {"date": "2027-08-20", "event": "firmware_update", "note": None, "state": "proposed"},
        ]

    def bench_sessions(self, meter_id: str) -> list[Document]:
        row = self._meters[meter_id]
        if row["last_bench"] is None:
            return []
        found = [o for o in self._observations(row) if o["kind"] == "bench"]
        return [_session(meter_id, o, first=n == 0) for n, o in enumerate(found)]

    def opened_session(self, session_id: str) -> Document:
        corrected = {
            "changed_at": TODAY.isoformat(),
            "who": "Mo",
            "before": {"reading 2, torque_nm": "33.12"},
            "after": {"reading 2, torque_nm": "33.72"},
        }
        return {
            "session_id": session_id,
            "import_id": 7,
            "by_hand": True,
            "rows": [{"session_id": session_id, "note": "windy"}],
            "corrections": [corrected],
        }

    def rows_of_meters(self) -> Document:
        return {}

    def whereabouts(self, meter_id: str) -> Document:
        where = dict.fromkeys(("location", "return_by", "retired_date"))
        named = {"state": "active", "rider_id": "Ada", "bike_id": "K1"}
        return {**where, **named, "riders": ["Ada", "Bo"], "bikes": ["K1", "K2"]}

    def happened_lately(self) -> list[Document]:
        return []

    def comparisons(self, meter_id: str) -> list[Document]:
        row = self._meters[meter_id]
        if row["last_bench"] is None:
            return []
        found = [o for o in self._observations(row) if o["kind"] == "comparison"]
        return [_comparison(meter_id, o, n) for n, o in enumerate(found)]

    # ---- what later pages ask for ----------------------------------------------------------

    def method(self) -> Document:
        return {"hyperparameters": {}, "diagnostics": {}, "population": []}

    def set_aside(self) -> list[Document]:
        return []

    def imports(self, most: int | None = None) -> list[Document]:
        return []

    def proposed_events(
        self, meter_id: str | None = None, most: int | None = None
    ) -> list[Document]:
        return []

    def events_waiting(self) -> int:
        return 0

    def rides_kept(self) -> list[Document]:
        return []

    def rides_waiting(self) -> list[Document]:
        return []

    def accounts(self) -> list[Document]:
        return []

    def find_changes(self, words: str = "", **_asked: Any) -> Document:
        return {"rows": [], "found": 0, "all": 0, "who": [], "what": []}

    def add_account(self, name: str, password: str, *, role: str, coach: str | None = None) -> None:
        self.calls.append(("add_account", name))

    def set_account_role(self, name: str, role: str, *, coach: str | None = None) -> None:
        self.calls.append(("set_account_role", name))

    def set_account_enabled(self, name: str, *, enabled: bool) -> None:
        self.calls.append(("set_account_enabled", name))

    def set_account_password(self, name: str, password: str) -> None:
        self.calls.append(("set_account_password", name))

    def riders_named(self) -> list[Document]:
        return [{"rider_id": "R01"}, {"rider_id": "R02"}]


class EmptyData(FakeData):
    """A store into which nothing has been loaded."""

    def __init__(self) -> None:
        super().__init__(0, trainers=0)

    live_now = {**LIVE, "empty": True}  # noqa: RUF012

    def season(self, as_of: str | None = None) -> Document:
        return {"empty": True, "as_of": as_of or TODAY.isoformat()}

    def riders(self, as_of: str | None = None) -> list[Document]:
        return []

    def status(self, as_of: str | None = None) -> Document:
        fit = {"fitted_at": None, "stale": False, "converged": None}
        return super().status(as_of) | {"fit": fit, "today_note": None}


class BrokenData(FakeData):
    """A store that fails in a way nobody foresaw."""

    def status(self, as_of: str | None = None) -> Document:
        raise RuntimeError("secret detail of the machine room")


def _control(observations: list[Document]) -> Document:
    individuals, ewma, level = [], [], 0.0
    for n, seen in enumerate(observations):
        z = seen["standardized_residual"]
        level = 0.8 * level + 0.2 * z
        width = 2.7 * math.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2 * (n + 1))))
        common = {"date": seen["date"], "kind": seen["kind"], "id": seen["id"]}
        individuals.append(common | {"value": z, "limit": 3.0, "signal": abs(z) > 3.0})
        ewma.append(common | {"value": level, "limit": width, "signal": abs(level) > width})
    limits = {"individuals": 3.0, "ewma": 2.7, "weight": 0.2}
    return {"individuals": individuals, "ewma": ewma, "limits": limits}


def _session(meter_id: str, seen: Document, *, first: bool) -> Document:
    error, expanded = seen["gain_error_pct"], 0.55
    verdict = "indeterminate"
    if abs(error) + expanded <= TOLERANCE:
        verdict = "in_tolerance"
    elif abs(error) - expanded > TOLERANCE:
        verdict = "out_of_tolerance"
    budget = (("crank length", 0.17, "B", "crank"), ("crank angle", 0.08, "B", "session"))
    budget += (("repeatability", 0.12, "A", "session"), ("mass", 0.02, "B", "bench"))
    suspicion = {
        "kind": "crank_length",
        "entered": "170 mm",
        "would_explain": 1.47,
        "residual_pct": 0.08,
        "text": "A crank of 172.5 mm entered as 170 mm would explain it; +0.08 % remains.",
    }
    return {
        "session_id": seen["id"],
        "meter_id": meter_id,
        "measured_at": f"{seen['date']}T09:30:00Z",
        "technician": "Ilse",
        "bench_id": "M-A",
        "readings": [_reading(n, error) for n in range(5)],
        "zero_offset_nm": -0.12,
        "gain_error_pct": error,
        "gain_error_left_pct": error - 0.2,
        "gain_error_right_pct": error + 0.2,
        "expanded_uncertainty_pct": expanded,
        "coverage_factor": 2.05,
        "effective_dof": 28,
        "budget": [
            {"source": s, "standard_uncertainty_pct": u, "type": t, "shared": by}
            for s, u, t, by in budget
        ],
        "ring_difference_pct": 1.3,
        "arm_difference_pct": -0.4,
        "linearity_pct": None,
        "repeatability_pct": 0.12,
        "tolerance_pct": TOLERANCE,
        "verdict": verdict,
        "p_in_tolerance": 0.62,
        "slope_before": 5.69,
        "slope_after": 5.61 if first else 5.69,
        "new_slope": 5.61,
        "slope_mismatch_pct": None,
        "as_left_gain_error_pct": 0.05 if first else None,
        "advice": "reset" if verdict == "out_of_tolerance" else "leave",
        "suspicions": [suspicion] if first else [],
    }


def _reading(n: int, error: float) -> Document:
    zero = n == 0
    return {
        "stage": "as_found",
        "load": "zero" if zero else "mass",
        "direction": None,
        "chainring": None if zero else ("small" if n < 3 else "large"),
        "arm": None if zero else ("left" if n % 2 else "right"),
        "torque_nm": -0.12 if zero else 33.392 * (1 + error / 100),
        "expected_torque_nm": 0.0 if zero else 33.392,
        "error_pct": None if zero else error,
    }


def _comparison(meter_id: str, seen: Document, n: int) -> Document:
    return {
        "comparison_id": seen["id"],
        "meter_id": meter_id,
        "reference_id": f"T{n % 4 + 1}",
        "measured_at": f"{seen['date']}T16:05:00Z",
        "gain_ratio_pct": seen["gain_error_pct"] + 1.2,
        "u_gain_ratio_pct": 0.45,
        "zero_offset_nm": 0.2,
        "u_zero_offset_nm": 0.15,
        "temperature_c": 21.0,
        "rider_id": "R03",
        "used_s": 1260.0,
        "void": None if n % 9 else "cadence never changed, so gain and zero cannot be told apart",
        "source": "steps",
    }
