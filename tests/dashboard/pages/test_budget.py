"""What the budget page says of a season's money, and what a what-if changes."""

import io
from dataclasses import replace

import plotly.graph_objects as go
import pypdf
import pytest

from dashboard import pdf
from dashboard.figures import policy_chart as policy_figure
from dashboard.figures import reliability
from dashboard.navigation import View
from dashboard.pages.budget import evidence
from dashboard.pages.budget import page as budget
from dashboard.pages.budget.policies import draw_policies
from dashboard.pages.budget.ranking import meter_columns, meter_rows
from dashboard.pages.budget.summary import difference, draw_budget, headline
from dashboard.pages.budget.what_if import asked_in, is_supposed, refusals, supposed
from dashboard.pages.method.look_back import hindcast_parts
from dashboard.service import asked_of
from tests.dashboard.fake import EmptyData, FakeData
from tests.dashboard.reading import find, of_kind, text

NBSP = "\u00a0"
PERIOD = ("2027-09-30", "2027-12-19")
AS_IT_IS = {"slots": None, "tolerance": None, "target": None, "as_of": None}


@pytest.fixture
def data():
    return FakeData()


def test_what_if_comes_from_the_address_and_what_cannot_be_is_left_out(data):
    query = {"tolerance": "1,0", "target": "95", "slots": "0", "visits": "60", "race": "0.8"}
    asked = asked_in(View(query=query), data.season())
    assert supposed(asked) == {
        "slots_per_week": 0,
        "tolerance_pct": 1.0,
        "target": 0.95,
        "visits": 60,
        "spend": None,
        "roles": {"race": 0.8, "spare": 0.8},
    }
    bad = asked_in(View(query={"tolerance": "-1", "target": "high"}), data.season())
    assert not is_supposed(bad)


def test_frame_computes_nothing_and_an_empty_store_says_what_to_do(data):
    page = budget.layout(data, View(query={"tolerance": "1"}))
    assert find(page, "budget-tolerance").value == 1.0
    assert find(page, "budget-asked").data["first"] == PERIOD[0]
    assert "policies_asked" not in data.__dict__
    assert "slopewatch load" in text(budget.layout(EmptyData(), View()))


def test_total_items_groups_and_verdicts_are_said_with_their_intervals(data):
    found = data.budget(asked_of(*PERIOD))["document"]
    said = text(draw_budget(found, found, AS_IT_IS))
    assert f"cost 2{NBSP}400{NBSP}EUR (90{NBSP}%: 2{NBSP}160 to 3{NBSP}120{NBSP}EUR)" in said
    assert "Bench session" in said
    assert f"The same days a year ago cost 66{NBSP}EUR." in said
    assert f"24 of 30 1{NBSP}440{NBSP}EUR 68 (20 to 140) 640{NBSP}EUR" in " ".join(said.split(" "))
    assert f"22: 66{NBSP}EUR 63{NBSP}EUR (40 to 90) 80 swaps" in " ".join(said.split(" "))
    assert f"7 of 120 (3 to 11{NBSP}%)" in said
    assert f"+0.50{NBSP}% (+0.30 to +0.70{NBSP}%)" in said
    assert "1.1 (0.8 to 1.9)" in said
    assert "Its warranty ends on 1" in said
    assert "batteries count as nothing" in said
    assert "would pay for a new one" in said
    assert headline(found).endswith(".")


def test_ranking_begins_with_what_gains_most(data):
    found = data.budget(asked_of(*PERIOD))["document"]
    rows = meter_rows(found, View())
    assert [(row["meter_id"], row["verdict"]) for row in rows] == [
        ("S001", "Replace"),
        ("V002", "Keep"),
    ]
    assert {column["field"] for column in meter_columns(found)} <= set(rows[0])


def test_what_if_is_compared_with_things_as_they_are(data):
    as_is = data.budget(asked_of(*PERIOD))["document"]
    tighter = data.budget(replace(asked_of(*PERIOD), tolerance_pct=1.0))["document"]
    assert difference(tighter, as_is).startswith(f"What if: 1{NBSP}200{NBSP}EUR more than as it is")
    fewer = tighter | {"total": 2300.0, "visits_planned": 23}
    assert difference(fewer, as_is).startswith(f"What if: 100{NBSP}EUR less")
    assert difference(fewer, as_is).endswith("1 fewer visit.")
    assert difference(as_is, as_is) == ""


def test_group_that_never_went_out_says_so_instead_of_a_number(data):
    found = data.budget(asked_of(*PERIOD))["document"]
    blank = {"reliable_years": None, "within_1y": None, "out_share": None}
    blank |= {"time_reason": "None of 1 went out in 3.3 meter-years."}
    found["groups"][0] |= blank
    assert "None of 1 went out in 3.3 meter-years." in text(draw_budget(found, None, AS_IT_IS))


def test_visits_done_and_to_come_stand_apart_with_their_money(data):
    found = data.budget(asked_of("2027-09-30", "2027-12-19"))["document"]
    said = text(draw_budget(found, None, {"as_of": None, "target": None}))
    assert "3 done, 180\u00a0EUR; 24 planned, 1\u00a0440\u00a0EUR" in said
    assert "visits after an alarm would come on top" in said


def test_a_target_that_moves_no_visit_says_what_it_does():
    season = {"first": "2027-09-30", "last": "2027-12-19"}
    view = View(query={"target": "98"})
    asked = asked_in(view, season)
    found = FakeData().budget(asked_of("2027-09-30", "2027-12-19"))["document"]
    said = text(draw_budget(found, dict(found), asked))
    assert "no change in cost" in said
    assert "counts as due" in said
    assert "0\u00a0EUR less" not in said


def test_what_cannot_be_supposed_is_said_and_stays_in_its_field():
    view = View(query={"target": "150", "slots": "2"})
    assert refusals(view) == [
        "Reliability target, %: found 150, expected 50 to 99. It is not used below."
    ]
    assert "150" in str(budget.layout(FakeData(), view))


def test_evidence_names_serials_dates_and_sessions_on_the_page_and_on_paper(data):
    said = text(evidence.layout(data, View(params={"name": "arm Heron"})))
    assert "70830001" in said
    assert f"+2.10{NBSP}% (+1.80 to +2.40{NBSP}%)" in said
    assert "whether a claim is open is not known" in said
    made = pypdf.PdfReader(io.BytesIO(pdf.claim_pdf(data.group_warranty("arm Heron"))))
    words = made.pages[0].extract_text()
    assert "70830001" in words
    assert "1 Mar" in words.replace(NBSP, " ")


# ---- policies --------------------------------------------------------------------------------


def test_policies_are_drawn_with_their_intervals_and_ours_are_marked(data):
    data.policies()
    found = data.policies()["document"]
    figure = go.Figure(policy_figure.policies(found["policies"], found["record"]))
    fixed, other, ours, record = figure.data
    assert (list(record.x), record.text[0]) == ([2.6], f"last year: 5.4{NBSP}%")
    assert (fixed.name, ours.name) == ("fixed intervals", "by forecast (this program)")
    assert fixed.marker.symbol != ours.marker.symbol != other.marker.symbol
    row = next(r for r in found["policies"] if r["name"] == "every 12 months")
    place = list(fixed.x).index(1.0)
    assert fixed.y[place] == pytest.approx(100 * row["out_of_tolerance_share"])
    high = fixed.y[place] + fixed.error_y.array[place]
    assert high == pytest.approx(100 * row["interval90"][1])
    said = text(draw_policies(found))
    assert "24 fleets like this one of 60 meters over 4 years" in said
    assert f"2.6 visits a meter, 5.4{NBSP}% of the days ridden out of tolerance" in said
    assert "The most days by meter: S004 212." in said
    assert "Mishaps are simulated as often as" in said
    assert "Each session ends with a reset." in said
    assert "1.90" in said  # what a fixed interval takes for the same as ours at 90 %


def test_a_policy_beyond_the_axis_and_the_one_in_use_are_marked(data):
    data.policies()
    found = data.policies()["document"]
    figure = go.Figure(policy_figure.policies(found["policies"]))
    other = figure.data[1]
    place = list(other.x).index(0.4)
    assert other.y[place] < figure.layout.yaxis.range[1]
    assert other.marker.symbol[place] == "triangle-up"
    assert "14\u00a0%, beyond the axis" in other.text[place]
    said = text(draw_policies(found))
    assert said.count("in use") == 1
    assert "A visit costs 60\u00a0EUR" in said
    assert "ours" not in said


# ---- looking back ----------------------------------------------------------------------------


def test_look_back_says_coverage_score_and_every_bin(data):
    found = data.hindcast()["document"]
    page = hindcast_parts(found)
    said = text(page)
    assert f"89{NBSP}% (86 to 92{NBSP}%)" in said
    assert "0.042 (no skill: 0.060)" in said
    assert "1 session without a forecast" in said
    bins = [row for row in found["reliability"] if row["n"]]
    figure = go.Figure(reliability(bins))
    line, dots = figure.data
    assert list(line.x) == list(line.y)
    assert list(dots.y) == [100 * row["share"] for row in bins]
    assert len(of_kind(page, "Table")) == 2


def test_look_back_without_sessions_says_so():
    assert "No bench session to forecast yet." in text(hindcast_parts({"n": 0}))
