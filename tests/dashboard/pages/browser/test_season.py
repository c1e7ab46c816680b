"""A mechanic's plan in a real browser: a visit pinned, by hand and by keys, and taken along."""

import io
import re

import icalendar
import pypdf
import pytest

from tests.dashboard.browsing import opened, serving
from tests.dashboard.fake import FakeData
from tests.dashboard.fake_season import week

pytestmark = pytest.mark.browser
BOARD = ".week[data-week]"


@pytest.fixture(scope="module")
def shared():
    return FakeData()


@pytest.fixture(scope="module")
def address(shared):
    with serving(shared) as address:
        yield address


@pytest.fixture
def data(shared):
    """The data as they are at first: what a test pins is gone with it."""
    first = dict(vars(shared))
    yield shared
    vars(shared).clear()
    vars(shared).update(first)


@pytest.fixture(scope="module")
def tab(long_visit):
    return long_visit().page


@pytest.fixture
def page(tab, data, address):
    opened(tab, address, "/season")
    tab.wait_for_selector(BOARD)
    return tab


def visit_in(meter, n):
    return f"{BOARD[:-1]}='{week(n).isoformat()}'] .visit[data-meter='{meter}']"


def test_plan_is_pinned_by_keys_exported_and_unpinned(page, data):
    page.focus(visit_in("S001", 1))
    page.keyboard.press("Enter")
    page.wait_for_selector("#season-visit[open]")
    assert "within ±" in page.inner_text("#season-visit-reason")
    offered = page.locator("#season-visit-week option").all_inner_texts()
    assert any("closed" in text for text in offered)
    assert any("free" in text for text in offered)
    assert any("A race Lantern Hills" in text for text in offered)
    page.select_option("#season-visit-week", week(1).isoformat())
    assert "There is an A race in this week" in page.inner_text("#season-visit-warning")
    page.select_option("#season-visit-week", week(6).isoformat())
    assert page.inner_text("#season-visit-warning") == ""
    page.click("#season-close")  # nothing is moved by looking
    page.wait_for_selector("#season-visit", state="hidden")
    assert "pins_kept" not in data.__dict__ or data.pins_kept == {}
    page.click(visit_in("S001", 1))
    page.select_option("#season-visit-week", week(6).isoformat())
    page.focus("#season-pin")
    page.keyboard.press("Enter")
    page.wait_for_selector(visit_in("S001", 6) + ".is-pinned")
    assert data.pins_kept == {"S001": [week(6).isoformat()]}
    page.click(visit_in("S001", 6))
    page.select_option("#season-visit-week", week(8).isoformat())
    page.click("#season-add")
    page.wait_for_selector(visit_in("S001", 8) + ".is-pinned")
    assert page.is_visible(visit_in("S001", 6))
    page.click(f".unpin[data-week='{week(8).isoformat()}']")
    page.wait_for_selector(visit_in("S001", 8), state="detached")
    assert not page.is_visible("#season-visit")

    with page.expect_download() as got:
        page.click("#season-ics")
    calendar = icalendar.Calendar.from_ical(got.value.path().read_bytes())
    events = {str(e["SUMMARY"]).split()[1]: e for e in calendar.walk("VEVENT")}
    assert events["S001"]["DTSTART"].dt == week(6)
    assert len(events) == 5
    with page.expect_download() as got:
        page.click("#season-csv")
    lines = got.value.path().read_text("utf-8").splitlines()
    assert lines[0].startswith("week,meter_id,rider_id,pinned")
    assert any(line.startswith(f"{week(6).isoformat()},S001,") for line in lines)

    page.reload()
    page.wait_for_selector(visit_in("S001", 6) + ".is-pinned")  # kept, not only in this page
    page.click(".unpin")
    page.wait_for_selector(visit_in("S001", 1))
    assert data.pins_kept == {}


def test_visit_dragged_to_another_week_is_pinned_there(page, data):
    target = f"{BOARD[:-1]}='{week(3).isoformat()}']"
    page.drag_and_drop(visit_in("V002", 1), target)
    page.wait_for_selector(visit_in("V002", 3) + ".is-pinned")
    assert data.pins_kept == {"V002": [week(3).isoformat()]}


def test_what_was_moved_is_shown_at_once_while_the_plan_is_made_again(page, data):
    page.evaluate(
        """() => {
          window.seen = [];
          new MutationObserver(() => {
            const chip = document.querySelector(".visit-coming");
            if (chip) window.seen.push([
              chip.textContent,
              chip.closest(".week").dataset.week,
              document.getElementById("season-body").className,
              document.getElementById("season-progress").textContent,
            ]);
          }).observe(document.body, {childList: true, subtree: true, attributes: true});
        }"""
    )
    page.drag_and_drop(visit_in("V002", 1), f"{BOARD[:-1]}='{week(3).isoformat()}']")
    page.wait_for_selector(visit_in("V002", 3) + ".is-pinned")
    seen = page.evaluate("() => window.seen")
    assert seen[0][:2] == ["V002 pinned, planning again", week(3).isoformat()]
    assert seen[-1][2] == "stale"
    assert any("lanning again" in said or "weighing" in said.lower() for *_, said in seen)
    assert page.locator(".visit-coming, .leaving").count() == 0
    assert page.get_attribute("#season-body", "class") in ("", None)


def test_it_prints_every_reason_in_full_and_no_help_for_the_mouse(page):
    printed = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4")))
    words = " ".join(one.extract_text() for one in printed.pages).replace("\n", " ")
    assert "it carries about 4 days ridden out of tolerance, 52 EUR".lower() in words.lower()
    assert "lent out: it cannot come to the bench" in words.lower()
    assert "Drag a visit" not in words


def test_meter_without_a_visit_is_given_one(page, data):
    page.click("#season-unplanned button[data-meter='A006']")
    page.wait_for_selector("#season-visit[open]")
    assert page.inner_text("#season-visit-title") == "A006"
    assert not page.is_visible("#season-unpin")
    page.select_option("#season-visit-week", week(2).isoformat())
    page.click("#season-pin")
    page.wait_for_selector(visit_in("A006", 2))


def test_another_period_is_asked_for_in_the_address(page):
    page.fill("#season-from", "2027-11-01")
    page.fill("#season-slots", "2")
    page.click("#season-again")
    page.wait_for_url(re.compile(r"from=2027-11-01&to=\d+-\d+-\d+&slots=2$"))
    page.wait_for_selector(f"{BOARD} .week-slots:has-text('of 2 used')")
    assert page.input_value("#season-from") == "2027-11-01"


def test_bench_list_of_a_week_opens_from_the_board(page):
    page.click(f"{BOARD[:-1]}='{week(1).isoformat()}'] .to-bench-list")
    page.wait_for_selector("h1:has-text('Bench list, week of')")
    page.wait_for_selector("th:text-is('S001')")
    assert "33.39 to 34.41" in page.inner_text("table.plain")
