"""Looking from an earlier day: the page says so at once; the fit is made beside it, only once."""

from datetime import date

import pytest

from dashboard.navigation import find, find_pages
from dashboard.service.jobs import LANES
from dashboard.web import past_days as looking_back
from models import run
from models.run import Fleet
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


PAST = date(2026, 3, 15)  # before the last bench sessions


def test_a_day_is_fitted_once_for_every_question(team_service, monkeypatch):
    fits, real = [], assess.fitted
    monkeypatch.setattr(assess, "fitted", lambda *given: fits.append(1) or real(*given))
    fleet = Fleet(team_service.store, PAST)
    assert run.looked_from(fleet) == PAST
    assert run.status(fleet)["as_of"] == PAST
    assert run.history(fleet, "SP-1")["points"]
    for rider in run.riders(fleet):
        assert run.rider(fleet, rider["rider_id"])["as_of"] == PAST
    run.effort(fleet, [])
    assert len(fits) == 1


def test_a_day_is_fitted_once_for_every_page(team_service, monkeypatch):
    put, jobs = LANES["past"].put, []
    monkeypatch.setattr(LANES["past"], "put", lambda job: jobs.append(job) or put(job))
    looking = team_service.on(PAST.isoformat())
    assert looking.later(run.looked_from)["state"] == "working"
    assert looking.ask(run.looked_from) == PAST.isoformat()
    assert looking.later(run.looked_from)["state"] == "done"
    assert looking.ask(run.status)["as_of"] == PAST.isoformat()
    for rider in looking.ask(run.riders):
        looking.ask(run.rider, rider["rider_id"])
        looking.ask(run.effort, [])
    assert [job.call.question for job in jobs].count("looked_from") == 1
    assert len(jobs) >= 5
    assert jobs[0].said
    assert not [job.call.question for job in jobs[1:] if "fitting" in job.said]


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
