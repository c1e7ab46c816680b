"""What a digest finds changed, and what it asks for, on made-up documents of two days."""

from __future__ import annotations

from datetime import date
from typing import Any

from models import digest

TODAY, BEFORE = date(2026, 9, 30), date(2026, 9, 23)


def alarm(on: date, kind: str = "step", observation: str | None = None) -> dict[str, Any]:
    return {"kind": kind, "date": on, "observation": observation, "text": f"{kind} of {on}"}


def meter(name: str, status: str, *alarms: dict[str, Any], rider: str | None = None) -> Any:
    return {
        "meter_id": name,
        "status": status,
        "rider_id": rider,
        "alarms": list(alarms),
        "reasons": ["its alarm", "Reads 2.0 % high."],
        "reason_kinds": ["alarm", "reads"],
        "next_action": "Bench it now.",
        "short_reason": "Jumped by 2 %",
    }


def document(on: date, *meters: Any, references: Any = ()) -> Any:
    return {"as_of": on, "meters": meters, "references": references, "benches": []}


def texts(lines: list[digest.DigestLine]) -> list[tuple[str, str]]:
    return [(one["kind"], one["text"]) for one in lines]


def test_a_calm_meter_comes_because_it_is_planned():
    now = document(TODAY, meter("A", "ok"), meter("B", "due"), meter("C", "ok", alarm(TODAY)))
    visits: Any = [{"meter_id": name, "week": date(2026, 9, 28)} for name in "AB"]
    found = [text for _, text in texts(digest.tasks(now, [], visits, ["C"]))]
    assert [text.partition(" Jumped")[0] for text in found] == [
        "B: Bench it now.",
        "A: It is on this week's plan for the bench.",
        "C: Bench it now.",
    ]


def test_what_changed_is_said_and_what_stayed_is_not():
    then = document(
        BEFORE, meter("A", "ok"), meter("B", "due"), meter("C", "out"), meter("D", "out")
    )
    now = document(
        TODAY,
        meter("A", "due", rider="Ada"),
        meter("B", "out"),
        meter("C", "ok"),
        meter("D", "out"),
    )
    assert texts(digest.status_changes(now, then)) == [
        ("now_out", "B is out now and was not. Reads 2.0 % high."),
        ("now_due", "A (Ada) is due now and was not. Reads 2.0 % high."),
        ("needs_no_bench", "C does not need the bench any more. Reads 2.0 % high."),
    ]
    assert digest.status_changes(now, now) == []


def test_an_alarm_is_new_only_once_however_more_data_move_its_day():
    then = document(BEFORE, meter("A", "ok", alarm(date(2026, 6, 1))))
    moved = meter("A", "ok", alarm(date(2026, 6, 20)), alarm(date(2026, 9, 25)))
    trainer = {"reference_id": "T", "alarms": [alarm(date(2026, 9, 26), "noise")]}
    found = digest.status_changes(document(TODAY, moved, references=[trainer]), then)
    assert texts(found) == [
        ("new_alarm", "New alarm: noise of 2026-09-26"),
        ("new_alarm", "New alarm: step of 2026-09-25"),
    ]
    assert [one["meter_id"] for one in found] == [None, "A"]


def test_wrong_entries_are_told_apart_by_their_session():
    on = date(2026, 9, 1)
    then = document(BEFORE, meter("A", "ok", alarm(on, "entry", "S1")))
    now = document(TODAY, meter("A", "ok", alarm(on, "entry", "S1"), alarm(on, "entry", "S2")))
    assert len(digest.status_changes(now, then)) == 1


def test_everything_is_new_where_nothing_was_known():
    now = document(TODAY, meter("A", "out", alarm(TODAY)), meter("B", "ok"))
    kinds = [one["kind"] for one in digest.status_changes(now, None)]
    assert kinds == ["new_alarm", "now_out"]


def test_what_to_do_holds_the_visits_of_seven_days_and_new_alarms():
    weeks = {"A": date(2026, 9, 28), "B": date(2026, 10, 5), "C": date(2026, 10, 12)}
    visits: Any = [{"meter_id": name, "week": week} for name, week in weeks.items()]
    trainer = {"reference_id": "T", "status": "out", "next_action": "Recalibrate it.", "alarms": []}
    now = document(TODAY, *(meter(name, "due") for name in "ABCD"), references=[trainer])
    found = digest.tasks(now, [], visits, alarmed=["D", "A"])
    assert [one["meter_id"] for one in found] == ["A", "B", "D", None]
    assert found[0]["text"] == "A: Bench it now. Jumped by 2 %. Reads 2.0 % high."
    assert found[3]["text"] == "T: Recalibrate it."


def test_a_meter_before_a_race_is_told_once_with_what_is_wrong_with_it():
    eve: Any = {"meter_id": "A", "rider_id": "Ada", "race_on": TODAY, "first": "Hang once more."}
    visits: Any = [{"meter_id": "A", "week": date(2026, 9, 28)}]
    found = digest.tasks(document(TODAY, meter("A", "out")), [eve], visits, alarmed=["A"])
    assert texts(found) == [
        (
            "before_race",
            "A is likely out, and Ada races today, 2026-09-30. Hang once more. If it still is, "
            "the page Season says what to race on. Jumped by 2 %. Reads 2.0 % high.",
        )
    ]


def test_decisions_are_told_and_other_changes_are_not():
    changes = [
        {"what": "event confirmed", "subject": "A, battery_swap on 2026-09-24"},
        {"what": "setting", "subject": "tolerance_pct"},
        {"what": "account added", "subject": "Ilse"},
        {"what": "setting", "subject": "tolerance_pct"},
    ]
    assert [text for _, text in texts(digest.decided_lines(changes))] == [
        "A, battery_swap on 2026-09-24: confirmed.",
        "The setting tolerance pct was changed.",
    ]


def test_concerns_are_those_asked_about():
    now = document(TODAY, meter("A", "due"), meter("B", "out", alarm(TODAY)), meter("C", "soon"))

    def found(*asked: str) -> list[str]:
        return [f"{row['concern']} {row['device']}" for row in digest.concerns_in(now, asked)]

    assert found("due", "out") == ["out B", "due A"]
    assert found("alarm") == ["alarm B"]
