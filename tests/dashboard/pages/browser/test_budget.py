"""A manager's meeting in a real browser: what the season costs, what if, on one sheet of paper."""

import io

import pypdf
import pytest

from tests.dashboard.browsing import opened, serving
from tests.dashboard.fake import FakeData

pytestmark = pytest.mark.browser
SAID = ".budget .headline"


@pytest.fixture(scope="module")
def address():
    with serving(FakeData()) as address:
        yield address


@pytest.fixture(scope="module")
def tab(long_visit):
    return long_visit().page


def test_what_if_is_worked_out_compared_and_put_back(tab, address):
    page = tab
    opened(page, address, "/budget")
    page.wait_for_selector(f"{SAID}:has-text('2\u00a0400')")
    assert page.inner_text(".what-if-said") == ""
    page.fill("#budget-tolerance", "1")
    page.fill("#budget-slots", "2")
    page.press("#budget-slots", "Enter")
    page.wait_for_selector(f"{SAID}:has-text('1\u00a0800')")
    assert "600\u00a0EUR less than as it is" in page.inner_text(".what-if-said")
    assert "tolerance=1" in page.url
    page.reload()
    page.wait_for_selector(f"{SAID}:has-text('1\u00a0800')")
    assert page.input_value("#budget-tolerance") == "1"
    page.click("#budget-reset")
    page.wait_for_selector(f"{SAID}:has-text('2\u00a0400')")
    assert "tolerance" not in page.url


@pytest.mark.parametrize(
    ("width", "scheme"), [(1440, "light"), (820, "light"), (390, "light"), (1440, "dark")]
)
def test_it_prints_on_one_white_page_from_any_screen(tab, address, width, scheme):
    page = tab
    page.emulate_media(media="null", color_scheme=scheme)
    opened(page, address, "/budget", width=width)
    page.wait_for_selector("#policies-body .js-plotly-plot .scatterlayer .trace")
    page.wait_for_selector(".chart-on-paper .scatterlayer .trace", state="attached")
    printed = pypdf.PdfReader(io.BytesIO(page.pdf(format="A4", print_background=True)))
    assert len(printed.pages) == 1
    words = printed.pages[0].extract_text().replace("\u00a0", " ")
    for part in ("2 400", "By group", "S001", "What each further visit buys", "3 months"):
        assert part in words
    page.emulate_media(media="print")
    colour = "e => getComputedStyle(e).getPropertyValue('background-color')"
    assert page.eval_on_selector("body", colour) == "rgb(255, 255, 255)"
    assert (
        page.eval_on_selector(".budget .headline", colour.replace("background-", ""))
        == "rgb(0, 0, 0)"
    )
    chart = page.locator(".chart-on-paper .main-svg").first.bounding_box()
    assert chart["x"] >= 0
    assert chart["width"] <= 718  # A4 less its margins, at 96 dots an inch
    assert not page.is_visible("#policies-body figure")
    page.emulate_media(media="null", color_scheme="light")


def test_costs_are_taken_along(tab, address):
    page = tab
    opened(page, address, "/budget")
    page.wait_for_selector(SAID)
    with page.expect_download() as got:
        page.click("#budget-csv")
    lines = got.value.path().read_text("utf-8").splitlines()
    assert lines[0].startswith("meter_id,cost,cost_lo90,cost_hi90,verdict,keep_or_replace")
    assert lines[1].startswith("S001,60.0,0.0,120.0,replace,replace,")
