"""What is taken out of an answer before a person gets it: others' riders, watts, legs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from ingest.schema import UserError
from models.run import LEGS, WATTS, Person, Question

REASONS_OF_LEGS = frozenset({"one_sided"})
OF_LEGS = frozenset({"rider_factor", "rider_interval90"})  # beside the sensor's they tell the legs
ROWS_NAMED_BY = ("meter_id", "rider_id", "replaces_meter_id")


class RefusedError(UserError):
    """The person who asks has no right to it; the text says so."""


@dataclass(frozen=True)
class Scope:
    """What a coach sees: the own riders, and the meters that were assigned to them.

    others   every name of a meter or a rider of somebody else's, and of a reference that is one
    """

    meters: frozenset[str]
    riders: frozenset[str]
    others: frozenset[str] = frozenset()

    def holds(self, kind: str, name: object) -> bool:
        """Return whether a meter (kind meter_id) or a rider (rider_id) is within it."""
        return str(name) in (self.riders if kind == "rider_id" else self.meters)


NOTHING = Scope(frozenset(), frozenset())


def trimmed(answer: Any, *, person: Person, about: Question, scope: Scope | None) -> Any:
    """Return an answer without what is not this person's to see.

    Raise RefusedError where the whole of it is about others.
    """
    if scope is not None:
        if isinstance(answer, dict) and _foreign(answer, scope):
            raise RefusedError("This is not about your riders or their meters.")
        answer = _own(answer, scope)
        if isinstance(answer, dict) and "meters" in answer and "counts" in answer.get("fleet", {}):
            answer["fleet"] = answer["fleet"] | {"counts": _counts(answer)}
        if isinstance(answer, dict) and "shares" in answer:
            answer = answer | _own_sums(answer)
    if about.watts and person.role not in WATTS:
        answer = _without_watts(answer)
    if about.legs and person.role not in LEGS:
        answer = _without_legs(answer)
    return answer


def _foreign(row: Mapping[str, Any], scope: Scope) -> bool:
    return any(
        row.get(kind) is not None and not scope.holds(kind, row[kind]) for kind in ROWS_NAMED_BY
    )


def _own(value: Any, scope: Scope) -> Any:
    if isinstance(value, dict):
        mine = {key: item for key, item in value.items() if key not in scope.others}
        return {key: _own(item, scope) for key, item in mine.items()}
    if isinstance(value, list | tuple):
        kept = [i for i in value if not (isinstance(i, dict) and _foreign(i, scope))]
        kept = [i for i in kept if not (isinstance(i, str) and i in scope.others)]
        return type(value)(_own(item, scope) for item in kept)
    return _plain(value)


def _counts(status: Mapping[str, Any]) -> dict[str, int]:
    """Return how many of the meters that are left have each status."""
    counts = dict.fromkeys(status["fleet"]["counts"], 0)
    for row in status["meters"]:
        counts[row["status"]] = counts.get(row["status"], 0) + 1
    return counts


def _own_sums(plan: Mapping[str, Any]) -> dict[str, Any]:
    """Return the money and the days of a plan for the meters that are left; no fleet's choices."""
    sums = {
        key: sum(row[key] for row in plan["shares"])
        for key in ("days_out", "days_without_visits", "risk", "risk_without_visits")
    }
    cash = sum(visit["cost"] for visit in plan["visits"])
    return {
        "choices": [],
        "cost": plan["cost"]
        | {
            "visits": cash,
            "plan": cash + sums["risk"],
            "without_visits": sums["risk_without_visits"],
        },
        "days_out_of_tolerance": {
            "plan": sums["days_out"],
            "without_visits": sums["days_without_visits"],
            "plan_interval90": [],
            "plan_sd": 0.0,
        },
        "with_mishaps": None,
    }


def is_watts(name: object) -> bool:
    """Return whether a key of a document holds power."""
    text = str(name)
    return "watts" in text or text.endswith("_w") or text in ("by_power_band", "power")


def _without_watts(value: Any) -> Any:
    if isinstance(value, dict):
        if is_watts(value.get("column")):  # a cell that was refused, and what stood in it
            value = value | {"found": None}
        return {
            key: ([] if isinstance(item, list) else None) if is_watts(key) else _without_watts(item)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple):
        return type(value)(_without_watts(item) for item in value)
    return _plain(value)


def _without_legs(value: Any) -> Any:
    """Return an answer without reasons and factors that tell a rider's legs."""
    if isinstance(value, dict):
        if "reason_kinds" in value and "reasons" in value:
            told = zip(value["reason_kinds"], value["reasons"], strict=True)
            kept = [(kind, text) for kind, text in told if kind not in REASONS_OF_LEGS]
            value = value | {
                "reason_kinds": [kind for kind, _ in kept],
                "reasons": [text for _, text in kept],
            }
        return {key: None if key in OF_LEGS else _without_legs(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return type(value)(_without_legs(item) for item in value)
    return _plain(value)


def _plain(value: Any) -> Any:
    """Return a value that nothing can be hidden in; refuse what cannot be looked through."""
    if value is None or isinstance(value, str | bytes | bool | int | float | date):
        return value
    raise RefusedError(f"A {type(value).__name__} cannot be checked for what is not yours to see.")
