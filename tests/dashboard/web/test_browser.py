"""A mechanic's way through the dashboard in a real browser."""

import re

import pytest

from dashboard import theme
from tests.dashboard.browsing import opened, serving, until
from tests.dashboard.fake import BrokenData, EmptyData, FakeData

pytestmark = pytest.mark.browser
NASTY = '<img src=x onerror="window.hacked=1">'
ROWS = "#fleet-grid .ag-row .badge"


def wait_for_count(page, text):
    page.wait_for_selector(f"#fleet-shown:text-is('{text}')")


@pytest.fixture(scope="module")
def address():
    with serving(FakeData(blank=(NASTY,))) as found:
        yield found


@pytest.fixture(scope="module")
def tab(long_visit):
    return long_visit().page


def test_from_the_fleet_to_a_meter_and_back(tab, address):
    page = tab
    opened(page, address, "/")
    page.wait_for_selector(ROWS)
    assert "need the bench now" in page.inner_text(".headline")
    first = page.locator("#fleet-grid .ag-row[row-index='0']")
    meter_id = first.locator("a").inner_text()
    first.locator("[col-id='short_reason']").click()
    page.wait_for_selector("h1:text-is('" + meter_id + "')")
    assert page.url.endswith(f"/meter/{meter_id}")
    assert page.title() == f"{meter_id} · Slopewatch"
    page.wait_for_selector(".js-plotly-plot .scatterlayer .trace")
    page.go_back()
    page.wait_for_selector(ROWS)
    page.locator(".brand").focus()
    page.locator("#fleet-grid .ag-row[row-index='1'] a").press("Enter")
    page.wait_for_selector("h2:has-text('Why is this')")


def test_filters_narrow_the_table_together_and_can_be_undone(tab, address):
    page = tab
    opened(page, address, "/")
    page.wait_for_selector(ROWS)
    page.click(".count-button.ink-out")
    wait_for_count(page, "8 of 61 meters")
    assert page.get_attribute(".count-button.ink-out", "aria-pressed") == "true"
    assert set(page.locator(ROWS).all_inner_texts()) == {"Out"}
    page.fill("#fleet-search", "vole")
    wait_for_count(page, "2 of 61 meters")
    page.select_option("#fleet-rider", "R24")
    wait_for_count(page, "0 of 61 meters")
    page.reload()
    wait_for_count(page, "0 of 61 meters")
    assert page.input_value("#fleet-rider") == "R24"
    page.click("text=Show all")
    wait_for_count(page, "61 meters")
    assert page.input_value("#fleet-search") == page.input_value("#fleet-rider") == ""
    assert page.get_attribute(".count-button.ink-out", "aria-pressed") == "false"


def test_table_sorts_by_the_number_behind_the_words(tab, address):
    page = tab
    opened(page, address, "/")
    page.wait_for_selector(ROWS)
    page.click("#fleet-grid .ag-header-cell[col-id='gain_error_pct']")
    cells = "#fleet-grid .ag-center-cols-container [col-id='gain_error_pct']"
    until(page, f"document.querySelector(\"{cells}\").innerText.startsWith('\\u2212')")
    rows = page.locator("#fleet-grid .ag-row").evaluate_all(
        "rows => rows.sort((a, b) => a.getAttribute('row-index') - b.getAttribute('row-index'))"
        ".map(row => row.querySelector('[col-id=gain_error_pct]').innerText)"
    )
    values = [float(text.split()[0].replace("−", "-")) for text in rows]
    assert values == sorted(values)


def test_first_screen_says_of_fifteen_meters_why_and_what_next(tab, address):
    page = tab
    opened(page, address, "/", width=1440, height=900)
    page.wait_for_selector(ROWS)
    until(page, "document.querySelectorAll('#fleet-grid .ag-header-cell').length <= 9")
    rows = page.locator("#fleet-grid .ag-row").evaluate_all(
        """rows => rows.filter(row => row.getBoundingClientRect().bottom <= innerHeight).map(row =>
        Object.fromEntries([...row.querySelectorAll('[col-id]')].map(cell =>
        [cell.getAttribute('col-id'),
        cell.innerText + (cell.scrollHeight > 34 ? ' (cut)' : '')])))"""
    )
    assert len(rows) >= 15
    for row in rows:
        assert row["status"]
        assert "±" in row["gain_error_pct"]
        assert row["due_date"]
        assert "(cut)" not in row["short_reason"] + row["short_action"]
        assert bool(row["short_reason"]) is not row["status"].startswith("OK")


def test_what_is_chosen_can_be_sent_as_an_address(tab, address):
    page = tab
    opened(page, address, "/?status=out&sort=-gain_error_pct&rider=R06")
    wait_for_count(page, "1 of 61 meters")
    page.click("text=Show all")
    wait_for_count(page, "61 meters")
    assert page.url == f"{address}/?sort=-gain_error_pct"
    page.click(".count-button.ink-due")
    until(page, "location.search === '?sort=-gain_error_pct&status=due'")
    page.click("#fleet-grid .ag-header-cell[col-id='due_date']")
    until(page, "location.search === '?sort=due_date&status=due'")


def test_picture_of_the_fleet_leads_to_a_meter_and_a_row_opens(tab, address):
    page = tab
    opened(page, address, "/?q=V005")
    wait_for_count(page, "1 of 61 meters")
    page.click(".more-button")
    page.wait_for_selector(".fleet-more:has-text('The chance that it is within')")
    page.hover("#fleet-picture svg", position={"x": 400, "y": 60})
    assert page.inner_text("#fleet-picture-told").startswith("V005 · Due")
    assert page.locator("#fleet-picture .mark-due").count() == 1
    page.click("#fleet-picture svg", position={"x": 400, "y": 60})
    page.wait_for_selector("h1:text-is('V005')")


def test_theme_follows_the_system_until_the_reader_chooses(visit, address):
    page = visit(scheme="dark").page
    page.goto(f"{address}/meter/V005")
    page.wait_for_selector(".js-plotly-plot .scatterlayer .trace")
    paper = "document.querySelector('.js-plotly-plot').layout.paper_bgcolor"
    assert page.evaluate(paper) == theme.DARK["surface"]
    page.click("#theme-switch")  # auto → light
    until(page, f"{paper} === '{theme.LIGHT['surface']}'")
    assert page.inner_text("#theme-switch") == "Colours: light"
    page.reload()
    page.wait_for_selector(".js-plotly-plot .scatterlayer .trace")
    assert page.evaluate(paper) == theme.LIGHT["surface"]
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert ground == "rgb({}, {}, {})".format(*bytes.fromhex(theme.LIGHT["paper"][1:]))


def test_looking_from_another_day_stays_in_force_from_page_to_page(tab, address):
    page = tab
    opened(page, address, "/")
    page.wait_for_selector(ROWS)
    page.click("summary:has-text('Look from another day')")
    page.fill("#as-of-day", "2027-01-05")
    page.click("#as-of-show")
    page.wait_for_selector(".as-of.past")
    assert page.url.endswith("?as_of=2027-01-05")
    page.wait_for_selector(ROWS)
    page.locator("#fleet-grid .ag-row[row-index='0'] [col-id='short_action']").click()
    page.wait_for_selector("h2:has-text('Why is this')")
    assert page.url.endswith("?as_of=2027-01-05")
    page.click("text=Back to today")
    page.wait_for_selector(".as-of:not(.past)")
    assert "as_of" not in page.url


def test_choosing_a_session_shows_its_readings_and_budget(tab, address):
    page = tab
    opened(page, address, "/meter/V005")
    page.wait_for_selector("h3:has-text('Session V005-b24')")
    page.click("#meter-sessions .ag-row[row-index='4'] [col-id='verdict']")
    page.wait_for_selector("h3:has-text('Session V005-b00')")
    assert "172.5 mm" in page.inner_text("#meter-session")


@pytest.mark.parametrize("width", [390, 820, 1440])
def test_no_page_is_wider_than_its_screen(tab, address, width):
    for path, ready in (("/", ROWS), ("/meter/V005", ".js-plotly-plot .scatterlayer .trace")):
        opened(tab, address, path, width=width, height=1000)
        tab.wait_for_selector(ready)
        assert tab.evaluate("document.documentElement.scrollWidth") <= width


def test_narrow_table_sheds_columns_but_keeps_status_and_error(tab, address):
    page = tab
    opened(page, address, "/", width=390, height=844)
    page.wait_for_selector(ROWS)
    until(page, "document.querySelectorAll('#fleet-grid .ag-header-cell').length <= 4")
    shown = page.locator("#fleet-grid .ag-header-cell").evaluate_all(
        "cells => cells.map(cell => cell.getAttribute('col-id'))"
    )
    assert shown == ["status", "meter_id", "gain_error_pct", "short_action"]
    cells = "[...document.querySelectorAll(\"#fleet-grid .ag-row [col-id='short_action']\")]"
    until(page, f"{cells}.every(cell => cell.getBoundingClientRect().right <= 390)")


def test_what_a_file_says_is_never_run_as_code(tab, address):
    page = tab
    opened(page, address, "/")
    page.wait_for_selector(ROWS)
    page.fill("#fleet-search", "<img")
    wait_for_count(page, "1 of 61 meters")
    page.locator("#fleet-grid .ag-row a").click()
    page.wait_for_selector("h1:has-text('<img')")
    assert page.evaluate("window.hacked") is None


def test_files_stay_in_the_order_given_whichever_is_read_first(visit, address, tmp_path):
    page = visit().page
    page.goto(f"{address}/rides")
    page.wait_for_selector("#rides-upload button")
    given = [tmp_path / name for name in ("long.csv", "short.csv")]
    for file, lines in zip(given, (600_000, 1), strict=True):
        file.write_bytes(b"time\n" * lines)
    page.route("**/_dash-update-component*", lambda asked: asked.fulfill(status=204))
    with page.expect_request(lambda asked: "short.csv" in (asked.post_data or "")) as sent:
        page.set_input_files("#rides-upload input[type=file]", given)
    assert sent.value.response().status == 204
    page.unroute_all()
    (names,) = (state["value"] for state in sent.value.post_data_json["state"])
    assert names == ["long.csv", "short.csv"]


def test_what_is_not_there_is_said(visit, address):
    page = visit().page
    page.goto(f"{address}/meter/NOPE")
    page.wait_for_selector("text=The store knows no meter “NOPE”.")
    page.goto(f"{address}/nowhere")
    page.wait_for_selector("text=There is no page at this address.")


def test_empty_and_broken_stores_show_a_sentence(visit):
    with serving(EmptyData()) as address:
        page = visit().page
        page.goto(address)
        page.wait_for_selector("text=Nothing is loaded yet.")
    with serving(BrokenData(2)) as address:
        page = visit().page
        page.goto(address)
        page.wait_for_selector("text=This page cannot be drawn just now.")


def test_fleet_of_3000_meters_turns_pages(visit):
    with serving(FakeData(3000)) as address:
        page = visit().page
        page.goto(address)
        page.wait_for_selector(ROWS)
        assert page.inner_text("#fleet-shown") == "3000 meters"
        assert page.locator("#fleet-grid .ag-row").count() <= 25
        assert re.search(r"of 3,?000", page.inner_text("#fleet-grid .ag-paging-panel"))
