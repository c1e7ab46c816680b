"""The invented fleet's season, riders and money: documents as the data contract has them."""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

from models.run import SeasonAsk
from models.season import calendar_text

Document = dict[str, Any]
TODAY = date(2027, 9, 30)
MONDAY = date(2027, 9, 27)
WEEKS = 12
PLANNED = (("S001", 1), ("V002", 1), ("A003", 2), ("S004", 5), ("V005", 7))
TOLERANCE = 1.5


def week(n: int) -> date:
    """The Monday of the n-th week of the season."""
    return MONDAY + timedelta(weeks=n)


def done(document: Any) -> Document:
    """An answer that is there."""
    return {"state": "done", "said": "", "seconds": 0.1, "document": document}


def working(said: str = "weighing visits") -> Document:
    """An answer still in the making."""
    return {"state": "working", "said": said, "seconds": 3.4, "document": None}


class FakeDecisions:
    """The parts of the door that the season, riders, budget and method pages ask."""

    # ---- season --------------------------------------------------------------------------

    def season(self, as_of: str | None = None) -> Document:
        return {
            "empty": False,
            "as_of": as_of or TODAY.isoformat(),
            "today_note": None,
            "first": TODAY.isoformat(),
            "last": week(WEEKS - 1).isoformat(),
        }

    def _pins(self) -> dict[str, list[str]]:
        pins: dict[str, list[str]] = self.__dict__.setdefault("pins_kept", {})
        return pins

    def plan(self, asked: SeasonAsk, as_of: str | None = None) -> Document:
        """The first time after each change it is still in the making."""
        question = (str(asked), as_of, str(self._pins()))
        known = self.__dict__.setdefault("plans_asked", set())
        if question not in known:
            known.add(question)
            return working()
        slots = asked.slots_per_week
        document = self._plan(4 if slots is None else slots)
        return done(document | {"pins": copy.deepcopy(self._pins())})

    def _plan(self, slots: int) -> Document:
        weeks = {meter: week(n).isoformat() for meter, n in PLANNED} if slots else {}
        pins = self._pins()
        several = {meter: [at] for meter, at in weeks.items()} | pins
        visits = [
            self._visit(meter, at, pinned=meter in pins)
            for meter, days in several.items()
            for at in days
        ]
        visits.sort(key=lambda row: (row["week"], row["meter_id"]))
        used = [sum(v["week"] == week(n).isoformat() for v in visits) for n in range(WEEKS)]
        return {
            "from": TODAY.isoformat(),
            "to": week(WEEKS - 1).isoformat(),
            "as_of": TODAY.isoformat(),
            "target": 0.9,
            "gap": 0.0,
            "visits": visits,
            "second_visits": [],
            "shares": [],
            "choices": [],
            "unplanned": self._unplanned(),
            "cost": {"currency": "EUR", "plan": 500.0, "visits": 300.0, "without_visits": 1700.0},
            "days_out_of_tolerance": {"plan": 12.3, "without_visits": 171.0},
            "with_mishaps": {
                "days": 90.0,
                "interval90": [8.0, 310.0],
                "by_mishaps": 77.7,
                "mishaps": 1.4,
            },
            "slots": [
                {
                    "week": week(n).isoformat(),
                    "slots": 0 if n == 4 else slots,
                    "used": used[n],
                    "held": 0,
                    "closed": n == 4,
                }
                for n in range(WEEKS)
            ],
            "events": self._calendar(),
            "idle_pins": [],
            "lacks": [],
            "notes": [] if slots else ["There is no bench slot in this period."],
        }

    def _visit(self, meter: str, at: str, *, pinned: bool) -> Document:
        chance = 0.3 + 0.12 * (sum(map(ord, meter)) % 6)
        return {
            "week": at,
            "meter_id": meter,
            "rider_id": f"R{sum(map(ord, meter)) % 20 + 1:02d}",
            "reason": f"The chance that it is within ± 1.5 % is {100 * chance:.0f} % by then; a "
            "visit spares about 21 days ridden out of tolerance, 280 EUR of priced risk.",
            "p_within_tolerance_before": chance,
            "deadline": "2027-10-09",
            "pinned": pinned,
            "tolerance_pct": TOLERANCE,
            "days_out_prevented": 21.0,
            "money_saved": 280.0,
            "cost": 60.0,
        }

    def _unplanned(self) -> list[Document]:
        carried = "it carries about 4 days ridden out of tolerance, 52 EUR"
        full = {
            "meter_id": "A006",
            "reason": f"every slot that would help is worth more to another meter: {carried}",
            "p_within_tolerance_now": 0.97,
            "p_within_tolerance_end": 0.71,
            "days_out_of_tolerance": 4.2,
            "risk_money": 52.0,
            "no_slot": True,
            "deadline": "2027-11-20",
        }
        small = full | {"meter_id": "S007", "risk_money": 0.4, "days_out_of_tolerance": 0.1}
        small |= {"no_slot": False, "reason": "it stays within tolerance for the whole period"}
        lent = {"meter_id": "V008", "reason": "lent out: it cannot come to the bench"}
        return [full, small, lent]

    def _calendar(self) -> list[Document]:
        def row(name: str, first: date, days: int, kind: str, priority: str | None) -> Document:
            return {
                "name": name,
                "from_date": first.isoformat(),
                "to_date": (first + timedelta(days=days)).isoformat(),
                "kind": kind,
                "priority": priority,
                "rider_id": None,
            }

        return [
            row("Lantern Hills", date(2027, 10, 10), 0, "race", "A"),
            row("Marsh Criterium", date(2027, 10, 16), 1, "race", "C"),
            row("Autumn break", week(4), 6, "closed", None),
            row("Salt Lakes camp", week(6), 12, "camp", None),
        ]

    def move_visit(
        self,
        meter_id: str,
        away: date | None = None,
        to: date | None = None,
        keep: Sequence[date] = (),
    ) -> Document:
        kept = [day for day in self._pins().get(meter_id, []) if day != str(away)]
        after = [day.isoformat() for day in (to, *keep)] if to else []
        self._pins()[meter_id] = sorted({*kept, *after})
        if not self._pins()[meter_id]:
            del self._pins()[meter_id]
        return {"meter_id": meter_id, "weeks": self._pins().get(meter_id, [])}

    def plan_calendar(self, asked: SeasonAsk, as_of: str | None = None) -> str:
        slots = asked.slots_per_week
        plan = self._plan(4 if slots is None else slots)
        dated = [
            v | {"week": date.fromisoformat(v["week"]), "deadline": None} for v in plan["visits"]
        ]
        document = {"from": TODAY, "visits": dated}
        return calendar_text(document, stamp=datetime(2027, 9, 30, 8, tzinfo=UTC))

    def bench_list(self, asked: SeasonAsk, week: date, as_of: str | None = None) -> Document:
        rows = [
            {
                "meter_id": visit["meter_id"],
                "rider_id": visit["rider_id"],
                "bike_id": "B1",
                "crank_length_mm": 172.5,
                "mass_kg": 20.043,
                "expected_torque_nm": 33.9,
                "lowest_nm": 33.39,
                "highest_nm": 34.41,
                "slope_convention": "multiplier",
                "slope": 5.69,
                "large_ring": 52,
                "small_ring": 36,
                "arms": ["left"],
                "why": visit["reason"],
                "next_action": "Bench it now.",
                "lacks": ["place not given: standard gravity, good to 0.3 %"],
            }
            for visit in self._plan(4)["visits"]
            if visit["week"] == week.isoformat()
        ]
        return done(rows)

    # ---- riders --------------------------------------------------------------------------

    def riders(self, as_of: str | None = None) -> list[Document]:
        def meter(name: str, status: str, value: float, role: str) -> Document:
            return {
                "meter_id": name,
                "bike_id": f"bike-{role}",
                "role": role,
                "since": "2026-11-01",
                "status": status,
                "gain_error_pct": value,
                "interval90_pct": [value - 0.7, value + 0.7],
                "p_within_tolerance": 0.96 if status == "ok" else 0.2,
                "tolerance_pct": TOLERANCE,
                "watts_status": status,
                "shown_w": 300 + 3 * value,
                "interval90_w": [300 + 3 * (value - 0.7), 300 + 3 * (value + 0.7)],
            }

        return [
            {
                "rider_id": "R01",
                "coach": "Halina",
                "left": None,
                "meters": [meter("S001", "out", 2.1, "race"), meter("V002", "ok", 0.2, "home")],
            },
            {"rider_id": "R02", "coach": None, "left": None, "meters": []},
            {"rider_id": "R03", "coach": None, "left": "2027-06-30", "meters": []},
        ]

    def rider(self, rider_id: str, as_of: str | None = None) -> Document:
        periods = [
            _period("V002", "home", date(2026, 1, 5), date(2026, 10, 31), 0.2),
            _period("S001", "race", date(2026, 11, 1), None, 2.1),
            _period("V002", "home", date(2026, 11, 1), None, 0.2),
        ]
        return done(
            {
                "rider_id": rider_id,
                "as_of": TODAY.isoformat(),
                "periods": periods if rider_id == "R01" else [],
                "reads": [_reading()] if rider_id == "R01" else [],
                "bikes": [_between()] if rider_id == "R01" else [],
                "efforts": [
                    _effort_row("2027-08-20", "S001", 342.0, 1200),
                    _effort_row("2027-03-14", "V002", 325.0, 1200),
                ]
                if rider_id == "R01"
                else [],
                "notices": [_notice()] if rider_id == "R01" else [],
            }
        )

    def doubtful(self, *, rider_id: str | None = None, as_of: str | None = None) -> Document:
        rows = [_doubt()] if rider_id in (None, "R01") else []
        return {"as_of": TODAY.isoformat(), "doubts": rows, "text": "in words"}

    def effort(
        self, efforts: list[Document], *, carry_to: Sequence[str] = (), as_of: str | None = None
    ) -> Document:
        errors = {"S001": 2.1, "V002": 0.2}
        rows = []
        for one in efforts:
            true = one["watts"] / (1 + errors.get(one["meter_id"], 0.0) / 100)
            interval = [true * 0.994, true * 1.006]
            rider = {"rider_w": true, "rider_interval90_w": interval}
            sensor = {"corrected_w": true, "interval90_w": interval}
            rows.append(one | sensor | rider | {"text": "in words"})
        return {"efforts": rows, "differences": _differences(rows), "notes": []}

    def ledger(
        self, first: date, last: date, *, rider_id: str, as_of: str | None = None
    ) -> Document:
        days = {"from_date": first.isoformat(), "to_date": last.isoformat()}
        row: Document = {"meter_id": "S001", "rider_id": rider_id} | days
        row |= {"factor": 0.9794, "interval90": [0.973, 0.986], "note": None}
        row |= {"rider_factor": 0.9794, "rider_interval90": [0.973, 0.986]}
        return {"ledger": [row], "applied_in": "ledger", "warnings": [], "notes": []}

    def notices_read(self) -> Document:
        return {}

    def acknowledge_notice(self, notice_id: str, *, rider_id: str) -> None:
        self.__dict__.setdefault("acknowledged", []).append((rider_id, notice_id))

    # ---- money and looking back ------------------------------------------------------------

    def budget(self, asked: SeasonAsk, as_of: str | None = None) -> Document:
        tolerance_pct, slots = asked.tolerance_pct, asked.slots_per_week
        scale = TOLERANCE / (tolerance_pct or TOLERANCE) * (1.0 if slots is None else 0.5)
        total = 2400.0 * scale
        return done(
            {
                "from": asked.first.isoformat(),
                "to": asked.last.isoformat(),
                "currency": "EUR",
                "total": total,
                "interval90": [total * 0.9, total * 1.3],
                "by_item": [_priced("item", name, total * part) for name, part in _ITEMS],
                "by_group": [
                    _priced("group", name, total / 3) | {"meters": 20}
                    for name in ("arm Heron", "pedal Vole", "spider Alder")
                ],
                "choices": [
                    {
                        "name": "as many as last year",
                        "asked": 30,
                        "visits": 24,
                        "cash": 1440.0,
                        "days_out": 68.0,
                        "interval90": [20.0, 140.0],
                        "risk": 640.0,
                    }
                ],
                "beside": [
                    {
                        "what": "battery",
                        "before": [
                            {"from": "2025-09-30", "to": "2025-12-19", "n": 20.0, "money": 60.0},
                            {"from": "2026-09-30", "to": "2026-12-19", "n": 22.0, "money": 66.0},
                        ],
                        "n": None,
                        "money": 63.0,
                        "interval90": [40.0, 90.0],
                        "why": "80 swaps in 60 meter-years of records.",
                    }
                ],
                "groups": [_group(n) for n in ("arm Heron", "pedal Vole", "spider Alder")],
                "meters": [_kept("S001", total / 40, "replace"), _kept("V002", total / 60, "keep")],
                "risk": {
                    "money": 640.0,
                    "money_without_visits": 16400.0,
                    "days_out_of_tolerance": 68.0,
                    "days_interval90": [68.0, 68.0],
                    "days_out_without_visits": 1579.0,
                    "day_cost": 9.0,
                    "days_weighed": 71.0,
                    "with_mishaps": {
                        "days": 290.0,
                        "interval90": [20.0, 800.0],
                        "by_mishaps": 222.0,
                        "mishaps": 2.8,
                    },
                },
                "visits_planned": 24,
                "bench": {"done": 3, "done_cost": 180.0, "planned": 24, "planned_cost": 1440.0},
                "warranty": [{"meter_id": "A003", "text": "Its warranty ends on 2027-12-01."}],
                "lacks": ["costs has no battery: batteries count as nothing"],
                "notes": ["The price of days ridden out of tolerance is a risk."],
                "kept_tolerance_pct": TOLERANCE,
                "kept_target": 0.9,
            }
        )

    def group_warranty(self, name: str, as_of: str | None = None) -> Document:
        return {
            "name": name,
            "as_of": TODAY.isoformat(),
            "text": f"{name}: 1 meters, 1 bench sessions.",
            "lacks": [
                "meters has no warranty_until for A003: whether a claim is open is not known"
            ],
            "difference": None,
            "meters": [
                {
                    "meter_id": "A003",
                    "serial_number": "70830001",
                    "group": name,
                    "in_service_on": "2026-01-02",
                    "purchase_date": None,
                    "warranty_until": None,
                    "days_left": None,
                    "stated_accuracy_pct": 1.5,
                    "factory_slope_error_pct": 2.1,
                    "interval90_pct": [1.8, 2.4],
                    "p_exceeds_stated": 0.99,
                }
            ],
            "sessions": [
                {
                    "session_id": "S1",
                    "meter_id": "A003",
                    "measured_at": "2027-03-01T09:00:00Z",
                    "gain_error_pct": 2.0,
                    "expanded_uncertainty_pct": 0.4,
                    "coverage_factor": 2.0,
                    "temperature_c": None,
                    "bench_id": "B1",
                    "technician": None,
                    "slope_before": 5.69,
                    "slope_after": None,
                    "zero_offset_nm": 0.0,
                }
            ],
        }

    def policies(self, *, tolerance_pct: float | None = None, as_of: str | None = None) -> Document:
        asked = self.__dict__.setdefault("policies_asked", [])
        asked.append((tolerance_pct, as_of))
        if len(asked) == 1:
            return working("simulating seasons of fleets like this one")
        rows = [
            _policy("fixed", f"every {m} months", f"{m} months", 12 / m, 0.001 * m)
            for m in (3, 6, 12, 24)
        ]
        rows += [_policy("method", "staircase", "staircase", 1.6, 0.009)]
        rows += [
            _policy(
                "target",
                f"by forecast, target {t} %",
                f"{t} %",
                3.5 - t / 35,
                0.0004 * (110 - t),
            )
            for t in (80, 90)
        ]
        rows += [_policy("cost", "by forecast, at least cost", "least cost", 0.53, 0.002)]
        rows += [_policy("method", "reliability by group, 90 %", "reliability by group", 0.4, 0.14)]
        saved = [
            {"name": "by forecast, target 90 %", "fixed_visits_per_meter_year": 1.9, "ratio": 0.5}
        ]
        text = "A visit a year leaves 1.2 % of the days out of tolerance."
        return done(
            {
                "policies": rows,
                "visits_saved": saved,
                "years": 4.0,
                "fleets": 24,
                "meters": 60,
                "visit_cost": 60.0,
                "day_cost": 9.0,
                "currency": "EUR",
                "text": text,
                "record": {
                    "from": "2026-10-01",
                    "to": "2027-09-30",
                    "visits_per_meter_year": 2.6,
                    "out_of_tolerance_share": 0.054,
                    "most": [{"meter_id": "S004", "days_out": 212.0}],
                },
                "mishaps": [{"kind": "knock", "count": 6, "over": 161.0}],
                "simulated": "Mishaps are simulated as often as the records tell of them: 6 knocks "
                "in 161 meter-years.",
                "not_simulated": "Each session ends with a reset.",
                "elsewhere": [
                    {
                        "world": "knocked",
                        "said": "more knocks than recorded, of some 2 %, move one meter in five "
                        "each year",
                        "policies": rows,
                        "cheapest": "every 6 months",
                        "planned_costs_more": 3.2,
                        "planned_out_share": 0.04,
                    }
                ],
            }
        )

    def hindcast(self, as_of: str | None = None) -> Document:
        bins = [
            {
                "p_from": k / 10,
                "p_to": (k + 1) / 10,
                "n": 10 * k,
                "mean_p": k / 10 + 0.05,
                "share": k / 10 + 0.04,
                "share_lo": k / 10 - 0.05,
                "share_hi": min(1.0, k / 10 + 0.13),
            }
            for k in range(4, 10)
        ]
        total = {"n": 393, "n_meters": 60, "coverage90": 0.893, "coverage90_lo": 0.86}
        total |= {"coverage90_hi": 0.919, "brier": 0.0421, "brier_no_skill": 0.0596}
        total |= {"bias_pct": -0.024, "u_bias_pct": 0.025, "rmse_pct": 0.44, "mean_sd_pct": 0.43}
        total |= {"within_tolerance_share": 0.94, "mean_p_within_tolerance": 0.95}
        groups = [total | {"group": name, "n": 120} for name in ("arm Heron", "spider Alder")]
        text = "Of 393 bench sessions 89% found what had been forecast."
        left = [{"session_id": "b7", "meter_id": "V008", "reason": "no as-found reading"}]
        rest = {"text": text, "by_group": groups, "reliability": bins, "left_out": left}
        return done(total | rest)


_ITEMS = (("bench_session", 0.6), ("battery", 0.1), ("service", 0.0), ("replacement", 0.3))


def _priced(kind: str, name: str, cost: float) -> Document:
    return {kind: name, "cost": cost, "interval90": [0.8 * cost, 1.4 * cost]}


def _group(name: str) -> Document:
    return {
        "group": name,
        "meters": 20,
        "sessions": 120,
        "drift_pct_per_year": 0.5,
        "drift_interval90": [0.3, 0.7],
        "drift_method": "mixed",
        "drift_reason": None,
        "found_out": 7,
        "out_share": 0.06,
        "out_share_interval90": [0.03, 0.11],
        "within_1y": 0.9,
        "within_1y_interval90": [0.82, 0.96],
        "reliable_years": 1.1,
        "reliable_years_interval90": [0.8, 1.9],
        "time_method": "weibull",
        "time_reason": None,
    }


def _kept(meter: str, cost: float, verdict: str) -> Document:
    reason = "Visits and days out come to 43 EUR a year, of a new one to 57 EUR."
    return {
        "meter_id": meter,
        "cost": cost,
        "interval90": [0.0, 2 * cost],
        "verdict": verdict,
        "keep_or_replace": verdict,
        "reason": reason,
        "holding_cost_per_year": 43.0,
        "new_holding_cost_per_year": 57.0,
        "gain_if_replaced": 120.0 if verdict == "replace" else -300.0,
    }


def _policy(kind: str, name: str, label: str, visits: float, share: float) -> Document:
    return {
        "name": name,
        "label": label,
        "kind": kind,
        "visits_per_meter_year": visits,
        "visits_interval90": [0.9 * visits, 1.1 * visits],
        "out_of_tolerance_share": share,
        "interval90": [0.6 * share, 1.6 * share],
        "cost_per_meter_year": 60.0 * visits + 9.0 * 365.25 * share,
    }


def _period(meter: str, role: str, first: date, last: date | None, end: float) -> Document:
    until = last or TODAY
    days = [first + timedelta(days=30 * k) for k in range((until - first).days // 30 + 1)]
    points = []
    for on in [*days, until]:
        value = end - (TODAY - on).days / 800
        points.append(
            {
                "date": on.isoformat(),
                "gain_error_pct": value,
                "sd_pct": 0.4,
                "lo90_pct": value - 0.66,
                "hi90_pct": value + 0.66,
            }
        )
    return {
        "meter_id": meter,
        "bike_id": f"bike-{role}",
        "role": role,
        "from_date": first.isoformat(),
        "to_date": last and last.isoformat(),
        "points": points,
        "resets": [],
    }


def _between() -> Document:
    return {
        "meter_id": "S001",
        "other_meter_id": "V002",
        "difference_pct": 1.9,
        "interval90_pct": [0.9, 2.9],
        "example_w": 300.0,
        "difference_w": 5.7,
        "interval90_w": [2.7, 8.7],
        "p_more": 0.998,
    }


def _effort_row(day: str, meter: str, watts: float, seconds: int) -> Document:
    row = {"date": day, "meter_id": meter, "reference_id": None, "watts": watts}
    return row | {"duration_s": seconds, "kind": "field"}


def _notice() -> Document:
    return {
        "notice_id": "n1",
        "from_date": "2027-09-21",
        "kind": "reset",
        "meter_id": "S001",
        "rider_id": "R01",
        "coach": "Halina",
        "change_pct": -2.1,
        "interval90_pct": [-2.1, -2.1],
        "text": "From Tuesday 21 September 2027 the same effort shows 2.1 % less on S001.",
        "acknowledged_by": None,
        "acknowledged_at": None,
    }


def _reading() -> Document:
    return {
        "meter_id": "S001",
        "example_w": 300.0,
        "shown_w": 309.4,
        "interval90_w": [304.1, 314.8],
        "sensor_w": 306.3,
        "unknown": ["S001 sees the left leg alone"],
    }


def _differences(rows: list[Document]) -> list[Document]:
    found = []
    for start in range(len(rows)):
        for end in range(start + 1, len(rows)):
            real = rows[end]["corrected_w"] - rows[start]["corrected_w"]
            shown = rows[end]["watts"] - rows[start]["watts"]
            found.append(
                {
                    "from": start,
                    "to": end,
                    "watts": shown,
                    "corrected_w": real,
                    "interval90_w": [real - 4.0, real + 4.0],
                    "meter_part_w": shown - real,
                    "road_part_w": 0.0,
                    "rider_w": real,
                    "rider_interval90_w": [real - 4.0, real + 4.0],
                    "p_increase": 0.5 * math.erfc(-real / 2.43 / math.sqrt(2)),
                    "rider_p_increase": 0.5 * math.erfc(-real / 2.43 / math.sqrt(2)),
                    "resolution_w": 1.0,
                    "text": "in words",
                }
            )
    return found


def _doubt() -> Document:
    return {
        "meter_id": "S001",
        "rider_id": "R01",
        "from_earliest": "2027-05-13",
        "from_latest": "2027-06-11",
        "taken_over": False,
        "to_earliest": None,
        "to_latest": None,
        "ending": "lasts",
        "error_pct": 2.1,
        "interval90_pct": [1.4, 2.8],
        "example_w": 300.0,
        "shown_w": 306.3,
        "rider_factor": 0.9794,
        "rider_interval90": [0.9728, 0.9862],
        "p_out_of_tolerance": 0.8,
        "causes": [{"kind": "step", "size_pct": 2.4}],
        "why": "a sudden step that nobody recorded (+2.4 %)",
        "what_now": "It has not been put right: correct its rides, those to come too.",
        "text": "in words",
    }
