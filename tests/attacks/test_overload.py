"""More is asked at once than can be done: nobody is left without an answer, nothing half done."""

import threading
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from dashboard.service import Service
from dashboard.web import limits
from models import run
from tests.dashboard.browsing import serving
from tests.dashboard.people import Caller, make_store

AT_ONCE = 90  # more than one address may leave idle, and than there are threads


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Service:
    return Service(make_store(tmp_path_factory.mktemp("team"), fit=False))


@pytest.fixture
def address(service: Service) -> Iterator[str]:
    with serving(service) as found:
        yield found


def asked(address: str, count: int) -> Counter[int]:
    """The statuses that so many get who ask at once."""
    together = threading.Barrier(count)

    def ask(_: int) -> int:
        together.wait(30)
        return Caller(address).page("/intake")[0]  # headers and body arrive one after the other

    with ThreadPoolExecutor(count) as pool:
        return Counter(pool.map(ask, range(count)))


def test_no_request_ends_unanswered(address: str) -> None:
    assert asked(address, AT_ONCE) == {200: AT_ONCE}


def test_who_waited_too_long_is_told_when_to_ask_again(
    address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "TOO_LATE_S", 0.0)
    status, text, headers = Caller(address).ask("/")
    assert (status, headers["Retry-After"]) == (503, "5")
    assert "did not begin this: nothing was changed. Ask again in 5 seconds." in text
    monkeypatch.undo()
    assert Caller(address).ask("/")[0] == 200


def test_what_was_not_begun_can_be_sent_again(
    address: str, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    def is_waiting() -> bool:
        return event in [row["event_row"] for row in service.ask(run.proposed_events)]

    caller, event = Caller(address), service.ask(run.proposed_events)[0]["event_row"]
    confirmation = caller.confirmation(event)
    monkeypatch.setattr(limits, "TOO_LATE_S", 0.0)
    assert caller.ask(*confirmation)[0] == 503
    assert is_waiting()
    monkeypatch.undo()
    assert "was confirmed" in caller.ask(*confirmation)[1]
    assert not is_waiting()
    assert "was decided about already" in caller.ask(*confirmation)[1]  # its answer got lost, say
