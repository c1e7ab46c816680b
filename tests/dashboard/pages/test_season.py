"""What the season page says of a plan, and what it does where something is missing."""

import csv
import io

import pytest

from dashboard.components import arrived, csv_file
from dashboard.components.deferred import progress_line
from dashboard.navigation import View
from dashboard.pages.fleet import planned as fleet_planned
from dashboard.pages.season import page as season
from dashboard.pages.season import week as season_week
from dashboard.pages.season.board import board, visit_facts
from dashboard.pages.season.rest import unplanned_columns, unplanned_rows
from dashboard.service import asked_of
from tests.dashboard.fake import EmptyData, FakeData
from tests.dashboard.fake_season import WEEKS, done, week, working
from tests.dashboard.reading import find, of_kind, text, walk

NBSP = "\u00a0"


@pytest.fixture
def data():
    return FakeData()


def planned(data, **asked):
    asked = {"first": "2027-09-30", "last": "2027-12-19", "slots": None, "as_of": None} | asked
    data.plan(asked_of(asked["first"], asked["last"], asked["slots"]))
    told = data.plan(asked_of(asked["first"], asked["last"], asked["slots"]))
    assert told["state"] == "done"
    return told, asked


def rows_of(tree):
    return [part for part in walk(tree) if "week" in str(getattr(part, "className", "")).split()]


def test_frame_asks_for_the_season_and_computes_nothing(data):
    page = season.layout(data, View())
    (asked,) = [s for s in of_kind(page, "Store") if s.id == "season-asked"]
    assert asked.data == {
        "first": "2027-09-30",
        "last": week(WEEKS - 1).isoformat(),
        "slots": None,
        "as_of": None,
    }
    assert "plans_asked" not in data.__dict__


def test_period_and_slots_come_from_the_address_and_nonsense_does_not(data):
    query = {"from": "2027-11-01", "to": "2027-12-24", "slots": "3", "as_of": "2027-01-05"}
    asked = season.asked_in(View(query=query), data.season())
    assert asked == {
        "first": "2027-11-01",
        "last": "2027-12-24",
        "slots": 3,
        "as_of": "2027-01-05",
    }
    assert season.query_of(asked) == "from=2027-11-01&to=2027-12-24&slots=3&as_of=2027-01-05"
    bad = season.asked_in(View(query={"from": "soon", "slots": "-1"}), data.season())
    assert (bad["first"], bad["slots"]) == ("2027-09-30", None)


def test_nothing_loaded_says_what_to_do():
    assert "slopewatch load FOLDER" in text(season.layout(EmptyData(), View()))


def test_every_week_stands_in_the_board_with_its_races_slots_and_visits(data):
    told, asked = planned(data)
    tree = board(told["document"], season.query_of(asked))
    rows = rows_of(tree)[1:]  # the first one heads the columns
    assert len(rows) == WEEKS
    first, race, both, closed = rows[0], rows[1], rows[2], rows[4]
    assert "0 of 4 used" in text(first)
    assert "2 of 4 used" in text(race)
    assert "A  race   Lantern Hills" in text(race)
    assert "10" + NBSP + "Oct" in text(race)
    assert {b.children[1].children for b in of_kind(race, "Button")} == {"S001", "V002"}
    assert "Marsh Criterium" in text(both)
    assert closed.className == "week closed"
    assert "closed" in text(closed)


def test_visit_says_its_state_without_colour_and_carries_its_reason(data):
    told, _ = planned(data)
    for button in of_kind(board(told["document"], ""), "Button"):
        assert getattr(button, "data-reason").startswith("The chance that it is within")
        assert getattr(button, "data-week")
        assert "%" in text(button)
        assert button.draggable == "true"


def test_pinned_visit_says_so_and_can_be_unpinned(data):
    data.move_visit("S001", to=week(6))
    told, asked = planned(data)
    tree = season.draw(told["document"], asked)
    (pinned,) = [b for b in of_kind(tree, "Button") if "is-pinned" in str(b.className)]
    assert "pinned" in text(pinned)
    assert getattr(pinned, "data-week") == week(6).isoformat()
    (unpin,) = [b for b in of_kind(tree, "Button") if "unpin" in str(b.className).split()]
    assert getattr(unpin, "data-meter") == "S001"
    assert "Pinned by hand (1)" in text(tree)


def test_a_second_visit_of_a_pinned_meter_is_offered_with_what_it_is_worth(data):
    told, asked = planned(data)
    offer = {"meter_id": "S001", "week": week(1).isoformat(), "money_saved": 310.0, "cost": 60.0}
    plan = told["document"] | {"second_visits": [offer]}
    tree = season.draw(plan, asked)
    assert "save another 310\u00a0EUR of risk and cost 60\u00a0EUR" in text(tree)
    (button,) = [b for b in of_kind(tree, "Button") if "second-visit" in str(b.className)]
    assert getattr(button, "data-week") == week(1).isoformat()


def test_what_can_be_done_just_before_a_race_is_shown_with_its_risk():
    option = {"do": "Fit V002, and ride it for ten minutes.", "risk": "2 % that it is out too"}
    eve = {"meter_id": "S001", "rider_id": "R01", "race_on": "2027-10-01", "cause": "step"}
    eve |= {"p_within_tolerance": 0.2, "first": "Look again.", "never": "No remount."}

    class Eve(FakeData):
        def status(self, as_of=None):
            return super().status(as_of) | {"race_eve": [eve | {"options": [option]}]}

    said = text(season.layout(Eve(), View()))
    assert "S001, R01, race on 1\u00a0Oct\u00a02027" in said
    assert "Fit V002, and ride it for ten minutes. Risk: 2 % that it is out too." in said
    assert "Look again. No remount." in said
    assert "Just before an A race" not in text(season.layout(FakeData(), View()))


def test_a_date_that_has_passed_is_called_overdue():
    visit = FakeData()._visit("S001", week(1).isoformat(), pinned=False)
    late = visit_facts(visit | {"deadline": "2027-09-29"}, "2027-09-30")
    assert late["data-deadline"].startswith("Overdue")
    assert (
        visit_facts(visit, "2027-09-30")["data-deadline"] == "Better before 9\u00a0Oct\u00a02027."
    )


def test_idle_pins_say_why_they_do_not_count(data):
    told, asked = planned(data)
    idle = [{"meter_id": "V008", "week": "2027-01-04", "why": "outside this period"}]
    pins = {"V008": ["2027-01-04"]}
    told["document"] = told["document"] | {"idle_pins": idle, "pins": pins}
    said = text(season.draw(told["document"], asked))
    assert "outside this period, so it does not count here" in said


def test_headline_says_cost_and_what_the_visits_prevent(data):
    told, _ = planned(data)
    said = season.headline(told["document"])
    assert said == (
        f"5 visits for 300{NBSP}EUR. About 12 days ridden out of tolerance remain; without any "
        "visit it would be 171. With knocks, wrong settings and wrong entries as often as the team "
        f"has had them, about 90 days (90{NBSP}%: 8 to 310)."
    )


def test_no_slot_is_said_and_the_risk_is_shown_all_the_same(data):
    told, asked = planned(data, slots=0)
    said = text(season.draw(told["document"], asked))
    assert "No visit is planned" in said
    assert "no bench slot" in said


def test_more_visits_than_slots_are_said_in_words(data):
    told, _ = planned(data)
    plan = told["document"]
    plan["slots"][1] |= {"slots": 1, "used": 2}
    assert "2 for 1 slot: too many" in text(board(plan, ""))


def test_unplanned_meters_carry_their_risk_and_their_fields_are_there(data):
    told, _ = planned(data)
    rows = unplanned_rows(told["document"], "2027-01-05")
    assert {c["field"] for c in unplanned_columns(told["document"])} <= set(rows[0])
    full, small, lent = rows
    assert full["days_text"] == "4.2"
    assert full["no_slot"]
    assert full["href"].endswith("as_of=2027-01-05")
    assert lent["pin"] == ""  # it cannot come at all
    assert lent["money_text"] == "—"
    assert small["reason"].endswith(".")


def test_waiting_shows_what_is_done_and_a_failure_its_words():
    _, progress, still = arrived(working("weighing visits"), lambda _d: "never")
    assert (progress, still) == (f"Weighing visits… 3{NBSP}s", False)
    body, progress, still = arrived(
        {"state": "failed", "said": "that season is over", "document": None}, lambda _d: "never"
    )
    assert "That season is over." in text(body)
    assert still
    assert progress_line({"said": "", "seconds": 0}) == "Working it out…"


def test_bench_list_has_limits_cautions_and_the_way_to_its_sheet(data):
    page = season_week.layout(data, View({"week": week(1).isoformat()}, {"slots": "4"}))
    assert f"week of 4{NBSP}Oct{NBSP}2027" in text(page)
    rows = data.bench_list(None, week(1))["document"]
    drawn = season_week.draw(rows)
    (way,) = [link.href for link in of_kind(drawn, "A")]
    assert way == "/bench?print=" + ",".join(row["meter_id"] for row in rows)
    said = text(drawn)
    assert "33.39 to 34.41" in said
    assert "20.043" in said
    assert "172.5, 52/36" in said
    assert "5.69" in said
    assert "Bench it now." in said
    assert "stand clear" in said
    assert "standard gravity" in said
    assert "No visit is planned" in text(season_week.draw([]))
    assert "no such week" in text(season_week.layout(data, View({"week": "soon"}, {})))


def test_csv_keeps_a_text_that_looks_like_a_formula_a_text():
    file = csv_file("plan", [{"meter_id": "=1+1", "cost": -2.5}], ("meter_id", "cost"))
    assert list(csv.reader(io.StringIO(file["content"]))) == [
        ["meter_id", "cost"],
        ["'=1+1", "-2.5"],
    ]
    assert file["filename"] == "plan.csv"


def test_what_is_done_is_drawn_once_and_asking_stops():
    assert arrived(done({"n": 1}), lambda d: d["n"]) == (1, "", True)


def test_fleet_tells_when_the_meters_that_are_due_come_and_which_the_plan_leaves(data):
    """S001, V002 in week 1, A003 in week 2 and S007, not worth its price, of the made-up plan."""
    told, asked = planned(data)
    needing = ["S001", "V002", "A003", "S007"]
    said = text(fleet_planned.draw(told["document"], needing))
    assert "brings 2 in the week of 4\u00a0Oct\u00a02027, 1 in the week of 11\u00a0Oct" in said
    assert "S007 needs the bench, but has no visit in the season's plan. It stays within" in said
    assert "A006" not in said
    place = fleet_planned.planned_part(View(), data.status())
    due = {row["meter_id"] for row in data.status()["meters"] if row["status"] in ("out", "due")}
    assert set(find(place, "fleet-planned-asked").data["needing"]) == due
    calm = {"meters": [{"meter_id": "S001", "status": "ok"}]}
    assert fleet_planned.planned_part(View(), calm) is None
    past = View(query={"as_of": asked["first"]})
    assert fleet_planned.planned_part(past, data.status()) is None
