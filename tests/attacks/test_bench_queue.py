"""What waits on a tablet goes into the store it was saved for, under the name of who saved it."""

import json
from collections.abc import Callable
from typing import Any

import pytest

from dashboard.service import Service
from ingest.store import changes
from tests.dashboard.browsing import serving, until
from tests.dashboard.people import NAMES, WORDS, Caller

pytestmark = pytest.mark.usefixtures("cheap_hashes")
EVENT = {"meter_id": "K1", "event": "crash", "on": "2026-03-01", "side": None, "note": None}


def test_an_entry_of_somebody_else_or_of_another_store_is_not_taken(
    people_service: Service,
) -> None:
    with serving(people_service) as address:
        mechanic = Caller(address).as_role("mechanic")
        owner = json.loads(mechanic.ask("/bench/kit")[1])["owner"]
        assert json.loads(Caller(address).as_role("owner").ask("/bench/kit")[1])["owner"] != owner
        body = json.dumps(EVENT).encode()
        status, text, _ = mechanic.ask("/bench/event", body, X_Bench_Owner="0123456789abcdef")
        assert (status, "waits for whoever saved it" in text) == (409, True)
        assert mechanic.ask("/bench/event", body, X_Bench_Owner=owner)[0] == 200


@pytest.mark.browser
def test_a_queue_waits_for_its_own_person(
    people_service: Service, visit: Callable[..., Any]
) -> None:
    with serving(people_service) as address:
        tablet = visit()
        page = tablet.page

        def signed_in_as(role: str) -> None:
            page.goto(f"{address}/sign-in?next=/bench")
            page.fill("#name", NAMES[role])
            page.fill("#password", f"{WORDS} {role}")
            page.click("button[type=submit]")
            page.wait_for_selector(".bench-card")

        def queued() -> int:
            return int(page.evaluate("slopewatchBench.queued().length"))

        signed_in_as("mechanic")
        page.context.set_offline(True)
        page.evaluate("slopewatchBench.saveEvent('K1', 'crash', 'K1', {on: '2026-03-01'})")
        assert queued() == 1
        page.context.clear_cookies()
        page.goto("about:blank")
        page.context.set_offline(False)
        assert all("DISCONNECTED" in text for text in tablet.complaints)
        tablet.complaints.clear()

        signed_in_as("owner")
        assert queued() == 0
        page.evaluate("slopewatchBench.flush()")
        page.context.clear_cookies()
        signed_in_as("mechanic")
        until(page, "!slopewatchBench.queued().length && slopewatchBench.done().length")
    assert changes(people_service.store)["who"].to_list()[0] == NAMES["mechanic"]
