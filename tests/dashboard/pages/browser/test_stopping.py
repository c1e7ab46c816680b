"""What takes long is stopped on the page that waits for it and started again, in a real browser."""

from functools import wraps

import pytest

from tests.dashboard.browsing import serving
from tests.dashboard.fake import FakeData
from tests.dashboard.fake_season import working

pytestmark = pytest.mark.browser
PARTS = {
    "season": ("/season", "plan", ".week[data-week]"),
    "budget": ("/budget?tolerance=0.8", "budget", ".headline"),
    "policies": ("/budget", "policies", ".js-plotly-plot"),
}
"""Where each part is, the question it waits for, and what is there once it is answered."""


class Endless(FakeData):
    """One answer is in the making until it was stopped once."""

    def __init__(self, question):
        super().__init__()
        self.asked, answer = 0, getattr(self, question)

        @wraps(answer)
        def endless(*args, **kwargs):
            self.asked += 1
            return answer(*args, **kwargs) if self.cancelled else working("counting seasons")

        setattr(self, question, endless)


class Fitting(FakeData):
    """A fit that goes on until it is stopped."""

    def work(self):
        if not self.cancelled:
            return super().work() | {"now": "refit", "text": "reading"}
        ended = {"at": 1.0, "count": 1, "answer": None, "failure": "the fit was stopped"}
        return super().work() | {"ended": {"refit": ended}}


@pytest.mark.parametrize("width", [390, 1440])
def test_a_fit_is_stopped_on_the_intake_page(visit, width):
    data = Fitting()
    with serving(data) as address:
        page = visit(width).page
        page.goto(f"{address}/intake")
        page.click("#intake-stop:text-is('Stop the fit')")
        page.wait_for_selector("#intake-work:has-text('The fit was stopped')")
        assert page.locator("#intake-stop").count() == 0
        assert data.cancelled == ["refit"]
        assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("part", PARTS)
def test_what_takes_long_is_stopped_asked_for_no_more_and_started_again(visit, part):
    path, question, there = PARTS[part]
    data = Endless(question)
    width = 390 if part == "season" else 1440
    with serving(data) as address:
        page = visit(width).page
        page.goto(address + path)
        page.wait_for_selector(f"#{part}-progress:has-text('Counting seasons')")
        page.click(f"#{part}-stop:text-is('Stop')")
        page.wait_for_selector(
            f"#{part}-progress:has-text('Stopped. All that was entered is kept')"
        )
        assert set(data.cancelled) == {question}
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        asked = data.asked
        page.wait_for_timeout(1_500)  # twice as long as it waits before it asks once more
        assert data.asked == asked
        page.click(f"#{part}-stop:text-is('Start again')")
        page.wait_for_selector(f"#{part}-body {there}")
        assert not page.is_visible(f"#{part}-stop")
