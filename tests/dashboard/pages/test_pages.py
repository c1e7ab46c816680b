"""What the pages say, over a fleet, an empty store, a silent meter, a broken store."""

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import pytest
from plotly.io.json import to_json_plotly

from dashboard.navigation import View, find, find_pages, meter_path
from dashboard.pages.fleet import page as fleet
from dashboard.pages.fleet.glance import all_alarms, headline
from dashboard.pages.fleet.meters import columns, meter_rows
from dashboard.pages.fleet.picture import described
from dashboard.pages.meter import page as meter
from dashboard.pages.meter.sessions import largest_term, session_detail, session_row, sessions_part
from dashboard.pages.meter.standing import due_words
from dashboard.pages.meter.why import why_sentences
from dashboard.pages.method import page as method
from dashboard.web import app as shell
from ingest.schema import UserError
from tests.dashboard.fake import TODAY, BrokenData, EmptyData, FakeData
from tests.dashboard.fake_service import LIVE, STANDING
from tests.dashboard.reading import find as component
from tests.dashboard.reading import of_kind, rows_of, text


@pytest.fixture(scope="module")
def data():
    return FakeData()


def meter_page(data, meter_id, **query):
    return meter.layout(data, View({"meter_id": meter_id}, query))


def charts(page):
    stores = [store.id for store in of_kind(page, "Store") if isinstance(store.id, dict)]
    return [name["name"] for name in stores if name["type"] == "chart-source"]


# ---- finding pages -------------------------------------------------------------------------


def test_pages_are_found_by_their_files_in_the_order_of_the_navigation():
    pages = find_pages()
    assert [page.path for page in pages[:1]] == ["/"]
    assert "/meter/<meter_id>" in [page.path for page in pages]
    assert len({page.path for page in pages}) == len(pages)


def test_every_page_says_in_five_steps_how_its_work_is_done():
    pages = [page for page in find_pages() if page.path != "/help"]
    assert [page.path for page in pages if page.help is None] == []
    for page in pages:
        assert len(page.help.steps) == 5, page.path
        assert all(step[-1] in ".!" for step in page.help.steps), page.path
    bench = next(page for page in pages if page.path == "/bench")
    assert "from under the masses" in bench.help.steps[0]  # safety first


@pytest.mark.parametrize("meter_id", ["V005", "a/b", "Ω 7", "50%", "..", "<b>"])
def test_any_meter_id_survives_the_address_bar(meter_id):
    page, view = find(find_pages(), meter_path(meter_id), "")
    assert page.path == "/meter/<meter_id>"
    assert view.params == {"meter_id": meter_id}


def test_only_a_real_date_is_looked_from():
    assert View(query={"as_of": "2027-01-05"}).as_of == "2027-01-05"
    assert View(query={"as_of": "2027-02-31"}).as_of is None
    assert View(query={"as_of": "yesterday"}).as_of is None
    assert View(query={"as_of": "2027-01-05"}).link("/x") == "/x?as_of=2027-01-05"
    assert View().link("/x") == "/x"


def test_no_page_at_an_address():
    assert find(find_pages(), "/nowhere", None) is None
    body, title = shell.page_body(FakeData(1), None)
    assert "no page at this address" in text(body)
    assert title.startswith("No such page")


# ---- fleet ---------------------------------------------------------------------------------


def test_fleet_says_who_needs_the_bench(data):
    page = fleet.layout(data, View())
    counts = Counter(row["status"] for row in data.status()["meters"])
    now = counts["out"] + counts["due"]
    said = text(page)
    assert f"{now} meters need the bench now." in said
    assert "As of 30\u00a0Sep\u00a02027" in said
    assert "last day of the demo's data" in said
    for button in of_kind(page, "Button"):
        if isinstance(getattr(button, "id", None), dict):
            assert str(counts[button.id["status"]]) in text(button)


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ({"out": 1}, "1 meter needs the bench now."),
        ({"ok": 3}, "No meter needs the bench now."),
        ({"due": 2, "soon": 1}, "2 meters need the bench now. 1 more within 28 days."),
        (
            {"out": 1, "unknown": 2, "soon": 4},
            "1 meter needs the bench now. 4 more within 28 days; 2 cannot be judged yet.",
        ),
        ({}, "No meters are loaded yet."),
    ],
)
def test_headline(counts, expected):
    assert headline(Counter(counts)) == expected


def test_rows_come_in_the_order_of_urgency_and_carry_why_and_what_next(data):
    rows = meter_rows(View(), data.status())
    assert len(rows) == 60
    order = ["out", "due", "soon", "unknown", "ok"]
    places = [order.index(row["status"]) for row in rows]
    assert places == sorted(places)
    for row in rows:
        assert row["reasons"]
        assert row["next_action"]
        assert bool(row["short_reason"]) is bool(row["short_action"]) is (row["status"] != "ok")
        assert row["status_word"].lower() == row["status"]
    out = [row["p_within_tolerance"] for row in rows if row["status"] == "out"]
    assert out == sorted(out)


def test_row_of_a_struck_meter_names_the_alarm_with_sign_and_day(data):
    (row,) = [row for row in meter_rows(View(), data.status()) if row["meter_id"] == "A006"]
    assert row["alarms"] == ["Step +2.3\u00a0%, 3\u00a0Sep\u00a02027"]
    assert row["href"] == "/meter/A006"
    assert row["rider_id"] == "R06"
    assert row["also"].startswith("crank_arm_left")


def test_row_without_any_number_shows_dashes():
    status = FakeData(1).status()
    blank = dict.fromkeys(status["meters"][0])
    status["meters"] = [blank | {"meter_id": "X", "status": "unknown"}]
    (row,) = meter_rows(View(), status)
    assert row["error_text"] == row["p_text"] == row["drift_text"] == "—"
    assert row["bar"] is None


def test_looking_from_another_day_is_said_and_kept_in_every_link(data):
    view = View(query={"as_of": "2027-01-05"})
    page = fleet.layout(data, view)
    assert data.calls[-1] == ("status", "2027-01-05")
    assert "could have been known on that day" in text(page)
    rows = component(page, "fleet-rows").data
    assert {row["href"].partition("?")[2] for row in rows} == {"as_of=2027-01-05"}


def test_columns_name_fields_that_the_rows_have(data):
    row = meter_rows(View(), data.status())[0]
    assert {column["field"] for column in columns()} <= set(row)
    shown_on_a_phone = [c["field"] for c in columns() if c["context"]["since"] <= 340]
    assert shown_on_a_phone == ["status", "meter_id", "gain_error_pct", "short_action"]


def test_the_riders_legs_are_no_matter_of_the_list_of_meters():
    status = FakeData(1).status()
    [row] = status["meters"]
    row["reasons"].append("Under R1 its rides show +1.2 %.")
    row["reason_kinds"].append("one_sided")
    assert "Under R1" not in str(meter_rows(View(), status))


def test_the_picture_is_told_in_words():
    known = {"tolerance_pct": 1.5, "status": "ok"}
    rows = [
        known | {"meter_id": "A", "gain_error_pct": 0.1, "interval90_pct": [-0.2, 0.4]},
        known | {"meter_id": "B", "gain_error_pct": 1.2, "interval90_pct": [0.8, 1.6]},
        known | {"meter_id": "C", "gain_error_pct": 0.0, "interval90_pct": [-1.6, 1.6]},
        known
        | {"meter_id": "D", "gain_error_pct": -1.9, "interval90_pct": [-2.5, -1.3]}
        | {"status": "out"},
        known | {"meter_id": "E", "gain_error_pct": None, "interval90_pct": [None, None]},
    ]
    assert described(rows) == (
        "4 meters, each with its 90 % interval. Wholly within tolerance: 1; reaching above it: 1; "
        "below it: 1; beyond both limits: 1. Out: D −1.9\u00a0%. "
        "Without an estimate, and not drawn: 1."
    )


def test_trainers_and_mass_sets_are_devices_with_their_own_alarms(data):
    said = text(fleet.layout(data, View()))
    for device in ("T1", "T2", "T3", "T4", "M-A", "M-B"):
        assert device in said
    assert "fell by about 1.6\u00a0%" in said


def test_alarms_of_all_devices_are_listed_the_newest_first(data):
    found = all_alarms(data.status())
    assert [(device, is_meter) for device, is_meter, _ in found] == [
        ("A006", True),
        ("T3", False),
        ("V017", True),
    ]


def test_empty_store_says_what_to_do_next():
    said = text(fleet.layout(EmptyData(), View()))
    assert "Nothing is loaded yet." in said
    assert "slopewatch load FOLDER" in said
    assert "slopewatch template FOLDER" in said


@pytest.mark.parametrize(
    ("behind", "working", "expected"),
    [(True, False, "refit on the"), (True, True, "being taken in"), (False, False, None)],
)
def test_data_to_be_taken_in_and_unsettled_fits_are_said(behind, working, expected):
    data = FakeData(2)
    data.live_now = {**LIVE, "behind": behind, "working": working}
    data.standing_now = replace(STANDING, converged=(False, "no"))
    body, _ = shell.page_body(data, find(find_pages(), "/", ""))
    said = str(body)
    assert [words for words in ("refit on the", "being taken in") if words in said] == (
        [expected] if expected else []
    )
    assert "provisional" in said


def test_fleet_of_3000_meters_keeps_its_page_light():
    data = FakeData(3000)
    page = fleet.layout(data, View())
    assert len(component(page, "fleet-rows").data) == 3000
    assert component(page, "fleet-grid").dashGridOptions["pagination"] is True
    older = [d for d in of_kind(page, "Details") if "older" in text(d)]
    assert not older  # three alarms fit


def test_fleet_page_weighs_less_than_a_kilobyte_a_meter():
    """The JSON that a browser gets, uncompressed, with little room above what was measured:
    883 bytes a meter, and 12.5 kB for all that does not grow with the fleet."""
    bare, whole = (
        to_json_plotly(fleet.layout(FakeData(n, trainers=0), View())).encode() for n in (0, 3000)
    )
    assert whole.count(b'"next_action":') == 3000  # a row each
    assert len(bare) < 13_500
    assert (len(whole) - len(bare)) / 3000 < 920


# ---- meter ---------------------------------------------------------------------------------


def test_meter_page_says_where_it_stands(data):
    said = text(meter_page(data, "V005"))
    row = data._meters["V005"]
    for expected in ("V005", "Due", "pedal Vole", "rider R05", row["next_action"], "76\u00a0%"):
        assert expected in said


def test_why_is_in_words_with_what_it_rests_on_and_the_rule(data):
    row = data._meters["V005"]
    sessions = meter.upto(data.bench_sessions("V005"), None)
    said = why_sentences(row, data.status(), sessions, data.comparisons("V005"))
    assert said[0] == "Reads 1.1\u00a0% high ±\u00a00.9; the limit is 1.5."
    assert said[2] == "Last compared on 2\u00a0Sep\u00a02027; drifts −0.4\u00a0% a year."
    assert "5 bench sessions (the last, on 18\u00a0Mar\u00a02027, found +1.03" in said[3]
    assert "25 ride comparisons" in said[3]
    assert said[4].startswith("Below 90\u00a0% probability of being within tolerance")


def test_why_does_not_repeat_the_alarm_that_stands_beside_it(data):
    row = data._meters["A006"]
    assert row["reasons"][0] == row["alarms"][0]["text"]
    said = " ".join(why_sentences(row, data.status(), [], []))
    assert "jumped" not in said
    assert "It has not been measured yet" in said
    (line,) = [r for r in meter_rows(View(), data.status()) if r["meter_id"] == "A006"]
    assert sum("jumped" in reason for reason in line["reasons"]) == 1
    assert line["reasons"][1].startswith("Reads 4.0")


def test_why_without_a_fit_claims_no_number(data):
    told = {"status": "unknown", "reasons": ["not fitted"], "reason_kinds": ["not_fitted"]}
    row = dict.fromkeys(data._meters["V005"]) | told
    said = why_sentences(row, data.status(), [], [])
    assert said[0] == "Not fitted."
    assert said[-1].startswith("Nothing could be fitted yet")


@pytest.mark.parametrize("meter_id", ["NOPE", "<script>alert(1)</script>", ""])
def test_unknown_meter_is_a_sentence(data, meter_id):
    said = text(meter_page(data, meter_id))
    assert f"The store knows no meter “{meter_id}”." in said


def test_meter_without_data_says_what_to_do_first(data):
    page = meter_page(data, "A012")
    said = text(page)
    assert "Nothing has been measured on this meter yet." in said
    assert "No bench session yet." in said
    assert "No ride comparison yet." in said
    assert not charts(page)


def test_retired_meter_keeps_its_records(data):
    class Retired(FakeData):
        def status(self, as_of=None):
            status = super().status(as_of)
            kept = [row for row in status["meters"] if row["meter_id"] != "V005"]
            return status | {"meters": kept}

    page = meter_page(Retired(), "V005")
    assert "This meter has no status." in text(page)
    assert len(component(page, "meter-sessions").rowData) == 5


def test_look_back_leaves_out_what_came_later(data):
    page = meter_page(data, "V005", as_of="2026-03-11")
    shown = [row["measured_at"] for row in component(page, "meter-sessions").rowData]
    assert shown == ["2026-03-11", "2025-09-06", "2025-03-04"]
    rides = component(page, "meter-comparisons").rowData
    assert max(row["measured_at"] for row in rides) <= "2026-03-11"


def test_charts_carry_a_description_for_those_who_cannot_see_them(data):
    page = meter_page(data, "V005")
    captions = [text(caption) for caption in of_kind(page, "Figcaption")]
    assert len(captions) == len(charts(page)) == 3
    assert "5 bench sessions and 25 ride comparisons, with 1 change of the slope" in captions[0]
    assert "beyond their limit" in captions[1]
    assert "The session on one line: found +1.03" in captions[2]


def test_session_row_has_verdict_advice_and_the_largest_term(data):
    session = data.bench_sessions("V005")[2]
    row = session_row(session)
    assert row["found_text"] == "+2.31 ±\u00a00.55\u00a0%"
    assert row["verdict"] == "Out of tolerance"
    assert row["advice"] == "Reset the slope"
    assert row["largest"] == "crank length, u 0.17\u00a0%"
    assert row["slope"] == "5.69, unchanged"


def test_largest_term_of_a_budget_without_numbers():
    empty = {"budget": [{"source": "mass", "standard_uncertainty_pct": None}]}
    assert largest_term(empty) is None
    assert largest_term({}) is None


def test_session_in_full_shows_suspicion_readings_and_budget(data):
    session = data.bench_sessions("V005")[0]
    said = text(session_detail(session))
    assert "172.5 mm entered as 170 mm would explain it" in said
    assert "small ring, left" in said
    assert said.index("crank length") < said.index("crank angle")
    assert "−0.12\u00a0N·m" in said


def test_session_of_a_meter_with_gaps_is_shown_without_them(data):
    session = dict(data.bench_sessions("V005")[0], zero_offset_nm=None, ring_difference_pct=None)
    said = text(session_detail(session))
    assert "Zero offset" not in said
    assert "Chainrings" not in said


# ---- when something fails ------------------------------------------------------------------


def test_broken_store_shows_a_sentence_and_no_detail(caplog):
    body, _ = shell.page_body(BrokenData(3), find(find_pages(), "/", ""))
    said = text(body)
    assert "cannot be drawn" in said
    assert "secret" not in said
    assert "secret detail" in caplog.text  # the log has it


def test_expected_problem_is_shown_in_its_own_words():
    class Refusing(FakeData):
        def history(self, meter_id, as_of=None):
            raise UserError("the store holds nothing before 3 Jan 2025")

    found = find(find_pages(), "/meter/V005", "")
    body, _ = shell.page_body(Refusing(), found)
    assert "The store holds nothing before 3 Jan 2025" in text(body)


def test_navigation_marks_the_open_page(data):
    pages = find_pages()
    links = of_kind(shell.navigation(pages, pages[0], View()), "A")
    marked = [getattr(link, "aria-current", None) for link in links]
    assert marked[0] == "page"
    assert set(marked[1:]) <= {None}


def test_due_words_say_how_far_off():
    later = (TODAY + timedelta(days=40)).isoformat()
    assert due_words(later, TODAY) == "9\u00a0Nov\u00a02027, in 6 weeks"
    assert due_words(TODAY, TODAY) == "now"
    assert due_words(None, TODAY) == "not within five years"


# ---- method --------------------------------------------------------------------------------


class Fitted(FakeData):
    """A store whose models are fitted."""

    def method(self):
        group = {
            "model_group": "alder", "n_meters": 20, "n_sessions": 90, "method": "prior",
            "reason": "too few meters", "drift_pct_per_year": 0.42, "drift_lo90": 0.2,
            "drift_hi90": 0.64, "swap_pct": None, "swap_lo90": None, "swap_hi90": None,
            "sd_drift_pct_per_year": 0.3, "sd_sensitivity_pct": 0.9, "sd_residual_pct": 0.25,
        }  # fmt: skip
        spread = {"meaning": "spread of drift", "value": 0.3, "standard_error": 0.05}
        chart = {"chart": "ewma", "limit": 3.46, "arl": 2529.0, "false_alarms_per_season": 0.33}
        return {
            "fit": {"fitted_at": "2027-09-30", "converged": True, "message": "", "stale": True},
            "population": [group],
            "hyperparameters": {
                "parameters": [
                    spread | {"group": None, "estimated": True},
                    spread | {"group": "birch", "estimated": False},
                ]
            },
            "observations": [{"kind": "bench", "n": 90, "weighed_down": 2, "left_out": 1}],
            "charts": [chart],
            "false_alarms_per_season": 1.0,
        }


def test_method_page_shows_groups_spreads_and_limits():
    page = method.layout(Fitted(3), View())
    nbsp = "\u00a0"
    assert rows_of(page, "Drift of each group") == [
        [
            *("alder", "20", "90", f"+0.42{nbsp}% (+0.20 to +0.64{nbsp}%)", "none seen"),
            *(f"0.30{nbsp}%", f"0.90{nbsp}%", f"0.25{nbsp}%", "weak prior: too few meters"),
        ]
    ]
    half = f"±{nbsp}{1.6449 * 0.05:.2f}"
    assert rows_of(page, "Hyperparameters") == [["Spread of drift", "the fleet", f"+0.30 {half}"]]
    assert rows_of(page, "Limits") == [["weighted mean (EWMA)", "3.46", f"2{nbsp}529", "0.33"]]
    said = text(page)
    assert "90, of which 2 down-weighted, 1 left out" in said
    assert f"30{nbsp}Sep{nbsp}2027, by this computer's clock" in said
    assert "the drift rates follow at the next fit (Intake page)" in said
    assert "false alarms the whole fleet may give in a season: 1.0" in said


def test_method_page_without_a_fit_says_what_to_do():
    said = text(method.layout(FakeData(3), View()))
    assert "Nothing is fitted yet." in said
    assert "slopewatch load FOLDER" in said


def test_sessions_that_wait_to_be_evaluated_are_not_said_to_be_missing() -> None:
    """As after an update of the store, until the models are fitted again."""
    assert "Being evaluated" in str(sessions_part([], taken_in=True))
    assert "No bench session yet" in str(sessions_part([]))
    assert "all numbers below" in str(meter.being_taken_in("measured", listed=False))
    assert meter.being_taken_in(None, listed=True) is None
