"""Bringing files in, putting a row right, taking an import back: in a real browser."""

import shutil

import pytest

from dashboard.service import Service
from dashboard.web import limits
from models import run
from tests.dashboard.browsing import serving
from tests.dashboard.pages.test_intake import BAD
from tests.dashboard.pages.test_intake_sheets import OWN
from tests.dashboard.people import WORDS

pytestmark = pytest.mark.browser


@pytest.fixture
def data(people_service):
    return people_service


@pytest.fixture(scope="module")
def unchanged(people_store, cheap_hashes, tmp_path_factory):
    """The address of a small team's pages, and the data, for tests that change nothing."""
    data = Service(shutil.copy(people_store, tmp_path_factory.mktemp("own") / "team.duckdb"))
    with serving(data) as address:
        yield address, data
    assert data.settled()


def sign_in(page, address, name, role, onward="/intake"):
    page.goto(address + onward)
    page.fill("#name", name)
    page.fill("#password", f"{WORDS} {role}")
    page.press("#password", "Enter")
    page.wait_for_selector("h1")


def sessions(data):
    with data.store.reading() as db:
        return set(db.frame("bench")["session_id"])


def test_import_is_brought_in_corrected_and_taken_back(visit, data):
    with serving(data) as address:
        page = visit().page
        sign_in(page, address, "Mo", "mechanic")
        page.wait_for_selector("text=No row is set aside.")
        page.set_input_files(
            "#intake-upload input[type=file]",
            {"name": "bench-march.csv", "mimeType": "text/csv", "buffer": BAD.encode()},
        )
        page.wait_for_selector("h2:text-is('Set aside (1)')")
        page.wait_for_selector("#intake-report th:text-is('bench-march.csv')")
        field = page.get_by_label("crank length mm")
        assert field.input_value() == "170"  # 17 in centimetres: what is suggested
        field.fill("16")
        page.click("button:text-is('Put right')")
        page.wait_for_selector(".wrong:has-text('found \"16\"')")
        field.fill("170")
        page.click("button:text-is('Put right')")
        page.wait_for_selector("text=The row was put right and loaded.")
        page.wait_for_selector("h2:text-is('Set aside (0)')")
        assert "S9" in sessions(data)
        for number in (8, 7):
            page.click(f"#intake-log .ag-row[row-id='{number}'] [col-id='file']")
            page.click(f"button:text-is('Take import {number} back')")
            page.wait_for_selector(f"text=Import {number} was taken back")
        assert "S9" not in sessions(data)


def test_what_is_sure_is_accepted_with_one_press(visit, data):
    with serving(data) as address:
        page = visit(width=390, height=844).page
        sign_in(page, address, "Mo", "mechanic")
        page.set_input_files(
            "#intake-upload input[type=file]",
            {
                "name": "bench-march.csv",
                "mimeType": "text/csv",
                "buffer": BAD.replace(",170,", ",17 cm,").encode(),
            },
        )
        page.click("button:text-is('Accept all: 1 cell')")
        page.wait_for_selector("text=1 cell taken as suggested: 1 row loaded.")
        page.wait_for_selector("h2:text-is('Set aside (1)')")
        assert "S9" in sessions(data)
        page.close()


def test_sheet_of_ones_own_is_answered_filled_in_and_loaded(visit, data):
    with serving(data) as address:
        page = visit(width=820, height=1180).page
        sign_in(page, address, "Mo", "mechanic")
        page.set_input_files(
            "#intake-upload input[type=file]",
            {"name": "Kalibrierung.csv", "mimeType": "text/csv", "buffer": OWN.encode()},
        )
        page.click("label:has-text('day, month, year')")
        page.click("button:text-is('Read with these answers')")
        page.get_by_label("slope convention of all that lack it").fill("divisor")
        page.click("button:text-is('Load what is certain')")
        page.wait_for_selector("#intake-report th:text-is('Kalibrierung.csv')")
        with data.store.reading() as db:
            kinds = dict(db.frame("meters").select("meter_id", "slope_convention").iter_rows())
        assert (kinds["N1"], kinds["N2"]) == ("divisor", "divisor")
        assert {"N1-2025-04-03", "N2-2025-06-05"} <= sessions(data)


def test_file_that_changes_stored_rows_is_asked_about_first(visit, data):
    with serving(data) as address:
        page = visit(width=390, height=844).page
        sign_in(page, address, "Mo", "mechanic")
        file = {"name": "meters.csv", "mimeType": "text/csv"}
        field = "#intake-upload input[type=file]"
        page.set_input_files(field, {**file, "buffer": b"meter_id,owner\nK1,team\n"})
        page.wait_for_selector("h3:text-is('1 stored row would change')")
        page.click("button:text-is('Load nothing')")
        page.wait_for_selector("text=Nothing was loaded.")
        page.set_input_files(field, {**file, "buffer": b"meter_id,owner\nK1,us\n"})
        page.click("button:text-is('Load and change them')")
        page.wait_for_selector("#intake-report th:text-is('meters.csv')")
        page.close()
    with data.store.reading() as db:
        meter = db.frame("meters").filter(meter_id="K1").row(0, named=True)
    assert (meter["owner"], meter["kind"]) == ("us", "crank_spider")


def test_proposed_event_is_confirmed_with_one_tap_and_keyboard(visit, data):
    with serving(data) as address:
        page = visit(width=820, height=1180).page
        sign_in(page, address, "Ada", "owner")
        page.wait_for_selector("h2:text-is('Proposed events (2)')")
        page.click("button[aria-label^='Confirm: K1, battery swap']")
        page.wait_for_selector("h2:text-is('Proposed events (1)')")
        page.focus("button[aria-label^='Reject: K2']")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=No event waits for a decision.")
    with data.store.reading() as db:
        states = dict(db.frame("events").select("meter_id", "state").iter_rows())
    assert states == {"K1": "confirmed", "K2": "rejected"}


def test_viewer_is_refused_a_write(visit, unchanged):
    """A coach looks; the page has no intake for them, and a request made by hand is refused."""
    address, data = unchanged
    page = visit().page
    sign_in(page, address, "Cleo", "coach", "/")
    page.wait_for_selector("#shell-nav a")
    assert "Intake" not in page.locator("#shell-nav a").all_inner_texts()
    page.goto(f"{address}/intake")
    page.wait_for_selector("text=This page is not open to a coach.")
    said = page.evaluate(
        """async () => {
            const known = await (await fetch('/_dash-dependencies')).json();
            const call = known.find((c) => c.output.includes('intake-upload.contents'));
            const answer = await fetch('/_dash-update-component', {
                method: 'POST',
                headers: {'Content-Type': 'application/json'},
                body: JSON.stringify({
                    output: call.output,
                    outputs: call.output.slice(2, -2).split('...').map((o) => ({
                        id: o.slice(0, o.lastIndexOf('.')),
                        property: o.slice(o.lastIndexOf('.') + 1),
                    })),
                    inputs: [{id: 'intake-upload', property: 'contents',
                              value: ['data:text/csv;base64,YSxiCg==']}],
                    state: [{id: 'intake-upload', property: 'filename', value: ['meters.csv']}],
                    changedPropIds: ['intake-upload.contents'],
                }),
            });
            return await answer.text();
        }"""
    )
    assert "not open to a coach" in said
    assert data.work()["ended"] == {}


def test_rider_is_removed_only_when_the_name_is_typed(visit, data):
    with serving(data) as address:
        page = visit(width=390, height=844).page
        sign_in(page, address, "Ada", "owner")
        page.select_option("#intake-rider", "R2")
        page.click("summary:has-text('Remove R2 for good')")
        page.click("#intake-rider-remove")
        page.wait_for_selector("text=Nothing was removed: type R2 exactly.")
        page.fill("#intake-rider-typed", "R2")
        page.click("#intake-rider-remove")
        page.wait_for_selector("text=2 rows and 0 recordings removed")
    assert data.ask(run.riders_named) == [{"rider_id": "R1"}]


def test_signing_out_shows_the_sign_in_page_and_ended_sign_in_is_said(visit, unchanged):
    address, _ = unchanged
    tab = visit()
    page = tab.page
    sign_in(page, address, "Mo", "mechanic", "/")
    page.wait_for_selector("#shell-nav a")
    page.click("button:text-is('Sign out')")
    page.wait_for_selector("h1:has-text('Slopewatch')")
    assert page.url.endswith("/sign-in")
    page.fill("#name", "Mo")
    page.fill("#password", "wrong")
    with page.expect_response("**/sign-in") as answer:
        page.click("button[type=submit]")
    assert answer.value.status == 401
    page.wait_for_selector("[role=alert]:has-text('do not fit together')")
    assert [text for text in tab.complaints if "401" not in text] == []
    tab.complaints.clear()  # the browser notes a refused sign-in


def test_ended_sign_in_is_said_in_the_page_which_keeps_what_was_typed(visit, unchanged):
    address, _ = unchanged
    tab = visit()
    page = tab.page
    sign_in(page, address, "Mo", "mechanic", "/")
    page.wait_for_selector("#fleet-search")
    page.fill("#fleet-search", "K1")
    page.context.clear_cookies()
    page.click("#shell-nav a:text-is('Intake')")
    page.wait_for_selector("#shell-notice:has-text('Your sign-in has ended')")
    assert page.get_attribute("#shell-notice a", "href") == "/sign-in"
    assert page.input_value("#fleet-search") == "K1"
    page.wait_for_load_state("networkidle")
    tab.complaints.clear()  # the browser notes the refused request


def test_what_a_busy_server_did_not_begin_is_asked_again(visit, unchanged, monkeypatch):
    address, _ = unchanged
    tab = visit()
    sign_in(tab.page, address, "Mo", "mechanic", "/")
    tab.page.wait_for_selector("#fleet-search")
    tab.page.wait_for_load_state("networkidle")
    monkeypatch.setattr(limits, "TOO_LATE_S", -1.0)
    monkeypatch.setattr(limits, "AGAIN_S", 1)
    with tab.page.expect_response(lambda answer: answer.status == 503):
        tab.page.click("#shell-nav a:text-is('Intake')")
    monkeypatch.undo()
    tab.page.wait_for_selector("text=No row is set aside.")
    tab.complaints.clear()  # the browser notes the refused request


def test_more_than_the_server_takes_at_once_is_not_sent(visit, unchanged, tmp_path):
    large = tmp_path / "bench.csv"
    with large.open("wb") as file:
        file.truncate(47 * 1024 * 1024)
    address, data = unchanged
    page = visit().page
    sign_in(page, address, "Mo", "mechanic")
    page.wait_for_selector("text=No row is set aside.")
    page.set_input_files("#intake-upload input[type=file]", large)
    page.wait_for_selector("#shell-notice:has-text('more than 46 MB together')")
    assert data.work()["ended"] == {}
