"""A coach's ten minutes in a real browser: is the change real, and the ledger to take along."""

import csv
import io

import pytest

from ingest.schema import UserError
from tests.dashboard.browsing import opened, serving
from tests.dashboard.fake import FakeData

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def data():
    return FakeData()


@pytest.fixture(scope="module")
def address(data):
    with serving(data) as address:
        yield address


@pytest.fixture(scope="module")
def tab(long_visit):
    return long_visit().page


@pytest.fixture
def page(tab, address):
    opened(tab, address, "/riders")
    tab.click("#riders-grid .ag-row[row-index='0'] a")
    tab.wait_for_selector("#rider-ask")
    return tab


def test_effort_is_answered_by_filling_in_two_rows(page):
    page.click("#rider-ask")  # the rows are filled from the records to begin with
    page.wait_for_selector(".effort-answer .headline:has-text('A real gain of +11')")
    page.fill("#rider-watts-1", "329,5")
    page.press("#rider-watts-1", "Tab")
    assert "stale" in page.get_attribute("#rider-answer", "class")  # for other numbers
    assert "other numbers" in page.inner_text("#rider-stale")
    assert page.input_value("#rider-record-1") == ""  # filled in by hand now
    page.click("#rider-ask")
    page.wait_for_selector(".effort-answer .headline:has-text('The meters cannot tell')")
    assert "stale" not in page.get_attribute("#rider-answer", "class")
    assert page.inner_text("#rider-stale") == ""
    assert "+4.5" in page.inner_text(".split-line >> nth=0")


def test_an_empty_field_is_marked_and_nothing_is_asked(page):
    page.fill("#rider-watts-0", "")
    page.click("#rider-ask")
    assert page.get_attribute("#rider-watts-0", "aria-invalid") == "true"
    assert page.evaluate("document.activeElement.id") == "rider-watts-0"
    assert page.locator(".effort-answer").count() == 0


def test_what_is_wrong_is_said_under_the_field(page):
    for field, value, said in (
        ("date-1", "2099-01-01", "still to come"),
        ("date-1", "2020-01-01", "swap the two"),
        ("seconds-0", "20:xx", "20:00 or 1200"),
        ("watts-0", "many", "a number above 0"),
    ):
        right = page.input_value(f"#rider-{field}")
        page.fill(f"#rider-{field}", value)
        page.click("#rider-ask")
        assert said in page.inner_text(f"#rider-{field}-wrong")
        assert page.locator(".effort-answer").count() == 0
        page.fill(f"#rider-{field}", right)


def test_ledger_that_cannot_be_made_says_so_beside_the_button(page, data, monkeypatch):
    def refuse(*_given, **_named):
        raise UserError("nobody rode a meter between 2020-01-01 and 2020-02-01")

    monkeypatch.setattr(type(data), "ledger", refuse)
    page.click("#rider-ledger")
    page.wait_for_selector("#rider-ledger-said .warn")
    said = page.inner_text("#rider-ledger-said").replace("\u00a0", " ")
    assert said.startswith("Nobody rode a meter between 1 Jan 2020")
    assert page.inner_text("#shell-notice") == ""


def test_row_is_filled_from_the_records(page):
    listed = page.locator("#rider-record-0 option").all_inner_texts()
    assert listed[0].startswith("14")  # what the row holds
    page.select_option("#rider-record-0", value="2027-08-20|S001|342|20:00")
    assert page.input_value("#rider-watts-0") == "342"
    assert page.input_value("#rider-date-0") == "2027-08-20"
    assert page.input_value("#rider-meter-0") == "S001"
    page.click("#rider-ask")
    page.wait_for_selector(".effort-answer .headline:has-text('0 ±')")


def test_ledger_is_taken_along(page):
    page.fill("#rider-from", "2027-01-01")
    with page.expect_download() as got:
        page.click("#rider-ledger")
    rows = list(csv.DictReader(io.StringIO(got.value.path().read_text("utf-8"))))
    assert rows[0]["from_date"] == "2027-01-01"
    assert float(rows[0]["factor"]) == 0.9794
    assert float(rows[0]["factor_lo90"]) == 0.973
    assert got.value.suggested_filename == "ledger-R01.csv"


def test_notice_is_noted(page, data):
    page.click(".notice-seen")
    for _ in range(100):
        if getattr(data, "acknowledged", None):
            break
        page.wait_for_timeout(50)
    assert data.acknowledged == [("R01", "n1")]


def test_the_list_is_searched(tab, address):
    opened(tab, address, "/riders", width=390)
    tab.wait_for_selector("#riders-grid .ag-row")
    tab.fill("#riders-search", "V002")
    tab.wait_for_selector("#riders-grid .ag-row[row-index='1']", state="detached")
    assert "V002" in tab.inner_text("#riders-grid .ag-row")
    tab.fill("#riders-search", "")
    tab.wait_for_selector("#riders-grid .ag-row[row-index='2']")
