"""What the riders pages say: trust in words, the effort question, the bikes, the ledger."""

import plotly.graph_objects as go
import pytest

from dashboard import theme
from dashboard.figures import ridden
from dashboard.navigation import View
from dashboard.pages.riders import page as riders
from dashboard.pages.riders import rider
from dashboard.pages.riders.doubts import COLUMNS, doubts_part, file_row, since
from dashboard.pages.riders.effort_answer import cautions, effort_answer, verdict
from dashboard.pages.riders.effort_form import effort_form, to_begin_with
from dashboard.pages.riders.ledger import ledger_row
from dashboard.pages.riders.page import columns, headline, narrowed, rider_rows
from dashboard.pages.riders.ridden import reads_part
from models.coaching.effort_asks import _as_text, effort_ask, effort_of
from tests.dashboard.fake import EmptyData, FakeData
from tests.dashboard.reading import of_kind, text

NBSP = "\u00a0"


@pytest.fixture
def data():
    return FakeData()


def test_rows_say_trust_in_words_and_what_three_hundred_watts_read_as(data):
    rows = rider_rows(View(), data.riders())
    assert [(r["rider_id"], r["meter_id"]) for r in rows[:2]] == [("R01", "S001"), ("R01", "V002")]
    assert rows[0]["status_word"] == "Correct first"
    assert rows[0]["reads_text"] == f"306 ±{NBSP}2{NBSP}W"
    assert rows[1]["status_word"] == "Take as shown"
    assert {column["field"] for column in columns()} <= set(rows[0])


def test_since_is_the_beginning_of_the_doubt_and_a_range_where_the_day_is_not_known(data):
    told = data.doubtful()
    rows = rider_rows(View(), data.riders(), since(told["doubts"]))
    assert [row["since"] for row in rows[:2]] == [
        "13 May 2027 to 11 Jun 2027".replace(" ", NBSP).replace(f"{NBSP}to{NBSP}", " to "),
        "",
    ]
    said = text(doubts_part(View(), data.doubtful(rider_id="R01")))
    assert "today" in said
    assert "A sudden step that nobody recorded" in said
    assert "not been put right" in said
    saved = file_row(told["doubts"][0])
    assert (saved["error_pct"], saved["rider_factor_hi90"]) == ("2.10", "0.9862")
    assert set(COLUMNS) <= set(saved)
    (told["doubts"][0]["taken_over"], told["doubts"][0]["ending"]) = (True, "handed_on")
    assert since(told["doubts"]) == {}
    assert "when it was taken over" in text(doubts_part(View(), told))


def test_a_good_sensor_that_sees_one_leg_is_not_taken_as_shown(data):
    told = data.riders()
    told[0]["meters"][1] |= {"watts_status": "due", "shown_w": 308.4, "interval90_w": [299, 318]}
    row = next(r for r in rider_rows(View(), told) if r["meter_id"] == "V002")
    assert row["status_word"] == "Take with care"
    assert row["reads_text"].startswith("308")
    assert "compare rides on this one meter" in row["what"]


def test_one_word_for_each_state_and_the_other_pages_word_beside_it(data):
    words = {status: shown.watts for status, shown in theme.STATUSES.items()}
    assert len(set(words.values())) == len(words)
    said = text(riders.layout(data, View()))
    assert "What the words mean" in said
    for status, word in words.items():
        assert word in said
        assert f"“{theme.STATUSES[status].word}”" in said


def test_rider_without_a_meter_keeps_a_row_and_one_who_left_does_not(data):
    rows = rider_rows(View(), data.riders())
    assert [r["rider_id"] for r in rows] == ["R01", "R01", "R02"]
    assert rows[2]["status_word"] == "No meter"
    assert headline(data.riders()).startswith("1 of 1 rider")


def test_rows_are_narrowed_by_word_and_coach(data):
    rows = rider_rows(View(), data.riders())
    assert [r["meter_id"] for r in narrowed(rows, "r01 v002", None)] == ["V002"]
    assert {r["rider_id"] for r in narrowed(rows, "", rows[0]["coach"])} == {
        r["rider_id"] for r in rows if r["coach"] == rows[0]["coach"]
    }
    assert narrowed(rows, "nobody of that name", None) == []


def test_nobody_known_says_which_tables_to_fill():
    assert "assignments" in text(riders.layout(EmptyData(), View()))


def test_rider_page_shows_cards_at_once_and_asks_for_the_rest(data):
    said = text(rider.layout(data, View({"rider_id": "R01"})))
    assert "Coach: Halina" in said
    assert "Correct first" in said
    assert f"300{NBSP}W of the rider are shown as 306" in said
    assert "No rider X is known" in text(rider.layout(data, View({"rider_id": "X"})))


def test_the_eve_of_a_race_stands_on_the_page_of_the_rider_alone():
    option = {"do": "Fit V002.", "risk": "2 % that it is out too"}
    eve = {"meter_id": "S001", "rider_id": "R01", "race_on": "2027-10-01", "cause": "step"}
    eve |= {"p_within_tolerance": 0.2, "first": "Look again.", "never": "No remount."}

    class Eve(FakeData):
        def status(self, as_of=None):
            return super().status(as_of) | {"race_eve": [eve | {"options": [option]}]}

    own, other = (text(rider.layout(Eve(), View({"rider_id": who}))) for who in ("R01", "R02"))
    assert f"S001, R01, race on 1{NBSP}Oct{NBSP}2027" in own
    assert "Fit V002. Risk: 2 % that it is out too." in own
    assert "Just before an A race" not in other


def test_what_arrives_holds_chart_bikes_and_notices(data):
    page = rider.draw(View(), data.rider("R01")["document"], 1.5, data.doubtful(rider_id="R01"))
    said = text(page)
    assert f"1.9{NBSP}% (+0.9 to +2.9{NBSP}%)" in said
    assert f"6{NBSP}W (+3 to +9{NBSP}W)" in said
    assert "Notices (1)" in said
    assert "Which meter when" in said
    assert "Shows more today by" in said
    (seen,) = [b for b in of_kind(page, "Button") if "notice-seen" in getattr(b, "className", "")]
    assert getattr(seen, "data-notice") == "n1"
    meters = {link.href for link in of_kind(page, "A") if "/meter/" in link.href}
    assert meters  # a notice leads to the meter it is about


def test_rider_without_anything_says_so(data):
    said = text(
        rider.draw(View(), data.rider("R02")["document"], None, data.doubtful(rider_id="R02"))
    )
    assert "has not ridden a known meter" in said
    assert "Looked for in the last year, and not found: a slope changed" in said
    assert "cannot be known here" in said  # no more is claimed than was looked at


def test_acknowledged_notice_names_who_has_noted_it(data):
    document = data.rider("R01")["document"]
    document["notices"][0] |= {"acknowledged_by": "Halina", "acknowledged_at": "2027-09-22T06:00Z"}
    said = text(rider.draw(View(), document, 1.5, data.doubtful()))
    assert f"noted by Halina, 22{NBSP}Sep{NBSP}2027" in said


def test_chart_draws_each_meter_with_its_interval_over_its_own_days_only(data):
    periods = data.rider("R01")["document"]["periods"]
    figure = go.Figure(ridden(periods, 1.5))
    assert len(figure.data) == 3 * len(periods)
    for n, period in enumerate(periods):
        low, high, line = figure.data[3 * n : 3 * n + 3]
        assert line.name == period["meter_id"]
        assert list(line.x) == [p["date"] for p in period["points"]]
        assert list(low.y) == [p["lo90_pct"] for p in period["points"]]
        assert list(high.y) == [p["hi90_pct"] for p in period["points"]]
        assert high.fill == "tonexty"
    dashes = {trace.name: trace.line.dash for trace in figure.data if trace.hoverinfo != "skip"}
    assert len(set(dashes.values())) == 2  # meters differ by their line, not by colour alone
    assert sum(trace.showlegend is True for trace in figure.data) == 2  # each meter once


# ---- the effort question ---------------------------------------------------------------------


def test_rows_begin_with_the_last_effort_and_the_one_before_of_the_same_length():
    efforts = [
        {"date": "2027-08-20", "meter_id": "A", "watts": 340.0, "duration_s": 1200},
        {"date": "2027-06-01", "meter_id": "A", "watts": 410.0, "duration_s": 300},
        {"date": "2027-03-14", "meter_id": "B", "watts": 325.0, "duration_s": 1200},
        {"date": "2027-01-14", "meter_id": None, "watts": 320.0, "duration_s": 1200},
    ]
    before, after = to_begin_with(efforts)
    assert (before["date"], after["date"]) == ("2027-03-14", "2027-08-20")
    assert to_begin_with(efforts[1:2]) == ({}, efforts[1])
    alone = {"date": "2027-09-01", "meter_id": "A", "watts": 600.0, "duration_s": 30}
    before, after = to_begin_with([alone, *efforts])  # the newest has nothing to compare with
    assert (before["date"], after["date"]) == ("2027-03-14", "2027-08-20")
    assert to_begin_with([]) == ({}, {})


def test_form_shows_what_is_prefilled_and_offers_the_records(data):
    form = effort_form(data.rider("R01")["document"])
    values = {i.id: i.value for i in of_kind(form, "Input")}
    assert values["rider-watts-0"] == "325"
    assert values["rider-watts-1"] == "342"
    assert values["rider-seconds-1"] == "20:00"
    assert f"20{NBSP}min" in text(form)


def asked(data, before, after):
    rows = [
        {"date": "2027-03-14", "meter_id": "V002", "watts": before},
        {"date": "2027-08-20", "meter_id": "S001", "watts": after},
    ]
    return {"state": "done", "said": "", "document": data.effort(rows)}


def test_answer_splits_the_change_into_the_meters_part_and_the_riders(data):
    told = asked(data, 325.0, 342.0)
    (change,) = told["document"]["differences"]
    said = text(effort_answer(told))
    assert "A real gain of +11 ±" in said
    assert f"Shown +17.0{NBSP}W" in said
    parts = change["meter_part_w"] + change["road_part_w"] + change["rider_w"]
    assert round(parts, 6) == 17.0
    assert f"+{change['meter_part_w']:.1f}{NBSP}W" in said
    assert f"+{change['rider_w']:.1f}{NBSP}W (90 %:" in said


def test_odd_efforts_are_asked_about_before_any_meter_is():
    said = " ".join(
        cautions([{"watts": 4120.0, "seconds": 1200}, {"watts": 330.0, "seconds": 300}])
    ).replace(NBSP, " ")
    assert "W over 20 min is more than a rider holds" in said
    assert "lasted 20 min and 5 min" in said
    assert cautions([{"watts": 330.0, "seconds": 1200}, {"watts": 340.0, "seconds": 1210}]) == []


def test_what_the_fields_say_of_zero_and_cadence_reaches_the_models():
    one = {"date": "2026-03-14", "meter_id": "K07", "watts": 312.0, "seconds": 1200.0}
    written = _as_text(one | {"zeroed": "no", "cadence_rpm": 60.0, "temperature_c": 8.5})
    effort = effort_of(effort_ask(written), "UTC")
    assert (effort.zeroed, effort.cadence_rpm, effort.seconds) == (False, 60.0, 1200.0)
    assert effort.celsius == 8.5
    unsaid = _as_text(one | {"zeroed": None, "cadence_rpm": None})
    assert effort_of(effort_ask(unsaid), "UTC").zeroed is None


def test_what_the_riders_watts_are_shown_as_counts_legs_ring_and_chain(data):
    said = text(reads_part(data.rider("R01")["document"]["reads"]))
    assert f"What 300{NBSP}W of the rider are shown as" in said
    assert f"309{NBSP}W" in said
    assert f"306{NBSP}W" in said
    assert "sees the left leg alone" in said
    assert reads_part([]) is None


def test_ledger_factors_have_four_places():
    sensor = {"factor": 0.97943210123, "interval90": [0.97, 0.98666666]}
    row = ledger_row(sensor | {"rider_factor": 1.0212345, "rider_interval90": [1.01, 1.03]})
    assert row["rider_factor"] == "1.0212"
    assert (row["factor"], row["factor_lo90"], row["factor_hi90"]) == ("0.9794", "0.9700", "0.9867")


@pytest.mark.parametrize(
    ("p", "watts", "expected"),
    [
        (0.99, 12.0, "A real gain of +12"),
        (0.02, -9.0, "A real loss, 9 ±"),
        (0.7, 2.0, "The meters cannot tell"),
        (0.3, -2.0, "the rider fell"),
        (0.99, 0.6, "No change that watts shown to 1 W can tell"),
    ],
)
def test_verdict(p, watts, expected):
    ends = [watts - 4, watts + 4]
    change = {"rider_p_increase": p, "rider_w": watts, "rider_interval90_w": ends}
    change["resolution_w"] = 1.0
    assert expected in verdict(change)


def test_what_cannot_be_answered_is_said_where_it_was_asked():
    told = {"state": "failed", "said": "S001 came into service later", "document": None}
    said = text(effort_answer(told))
    assert "S001 came into service later." in said
    assert "Put it right above" in said
