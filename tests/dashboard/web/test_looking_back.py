"""Looking from an earlier day: the page says so at once; the fit is made beside it, only once."""

import time

import pytest

from dashboard.navigation import find, find_pages
from dashboard.web import past_days as looking_back
from models.run.known import pipeline as assess
from tests.dashboard.browsing import serving
from tests.dashboard.fake import FakeData
from tests.dashboard.reading import text

DAY = "2027-06-30"


class SlowPast(FakeData):
    """A day that is fitted once it was asked about often enough."""

    asked = 0

    def looked_from(self, as_of):
        self.asked += 1
        state = "working" if self.asked < 4 else "done"
        said = "fitting what was known on 2027-06-30"
        return {"state": state, "said": said, "seconds": 3, "document": {"as_of": as_of}}


def test_a_page_of_an_unfitted_day_says_what_is_going_on():
    found = find(find_pages(), "/riders/R01", f"?as_of={DAY}")
    said = text(looking_back.not_yet(SlowPast(), found)).replace("\u00a0", " ")
    assert "R01" in said
    assert "As of 30 Jun 2027" in said
    assert "Working it out" in said


def test_today_and_a_fitted_day_are_drawn_at_once():
    data = SlowPast()
    assert looking_back.not_yet(data, find(find_pages(), "/riders", "")) is None
    data.asked = 9
    assert looking_back.not_yet(data, find(find_pages(), "/riders", f"?as_of={DAY}")) is None


def test_a_day_is_fitted_once_for_every_page(team_service, monkeypatch):
    fits, real = [], assess.fitted
    monkeypatch.setattr(assess, "fitted", lambda *given: fits.append(1) or real(*given))
    day = "2026-03-15"  # before the last bench sessions
    for _ in range(3000):
        told = team_service.looked_from(day)
        if told["state"] != "working":
            break
        time.sleep(0.02)
    assert told["state"] == "done"
    assert team_service.status(day)["as_of"] == day
    for rider in team_service.riders(day):
        team_service.effort(rider["rider_id"], [], day)
    assert len(fits) == 1


@pytest.mark.browser
def test_the_page_takes_the_waiting_ones_place_and_the_navigation_keeps_the_day(visit):
    with serving(SlowPast()) as address:
        page = visit().page
        page.goto(f"{address}/riders?as_of={DAY}")
        page.wait_for_selector("#day-progress:has-text('Fitting what was known on 30')")
        links = page.locator("#shell-nav a").evaluate_all("all => all.map(a => a.href)")
        assert all(link.endswith(f"?as_of={DAY}") for link in links)
        page.wait_for_selector("#riders-grid .ag-row")
        assert page.locator("#day-head").inner_text() == ""
        assert page.locator("h1").count() == 1
