"""Nobody gets in without signing in because the store with the accounts went away."""

import shutil
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from dashboard.security import People
from dashboard.service import Service
from dashboard.web import server
from ingest.schema import UserError
from ingest.store import Store
from tests.dashboard.browsing import serving
from tests.dashboard.people import NAMES, WORDS, Caller, make_store

pytestmark = pytest.mark.usefixtures("cheap_hashes")


@pytest.fixture
def store(people_store: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(people_store, tmp_path / "team.duckdb"))


def moved(store: Path) -> None:
    store.rename(store.with_name("moved.duckdb"))


def replaced_by_one_from_before_the_accounts(store: Path) -> None:
    (store.parent / "before").mkdir()
    make_store(store.parent / "before", fit=False).replace(store)


@pytest.mark.parametrize("go_away", [moved, replaced_by_one_from_before_the_accounts])
def test_sign_in_stays_asked_for(store: Path, go_away) -> None:  # type: ignore[no-untyped-def]
    with serving(Service(store)) as address:
        assert Caller(address).ask("/download/store")[0] in (303, 401)
        go_away(store)
        for path, body in (("/", None), ("/download/store", None), ("/_dash-layout", None)):
            assert Caller(address).ask(path, body)[0] in (303, 401), path
        update = Caller(address).ask("/_dash-update-component", b"{}")
        assert update[0] == 401
        assert store.exists() is (go_away is not moved)


def test_service_ends_with_one_line(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "LOOKS_S", 0.05)
    monkeypatch.setattr(Service, "prepare", lambda _service: None)
    said: list[str] = []

    def say(text: str) -> None:
        said.append(text)
        threading.Timer(0.2, moved, args=(store,)).start()

    with pytest.raises(UserError, match="is not here any more, or was replaced"):
        server.serve(store, host="127.0.0.1", port=0, say=say)
    assert len(said) == 1


def test_a_sign_in_of_a_clock_that_was_ahead_is_worth_nothing(store: Path) -> None:
    now = datetime(2026, 3, 14, 9, tzinfo=UTC)
    ahead = People(Service(store), clock=lambda: now + timedelta(days=3650))
    token = ahead.sign_in(NAMES["owner"], f"{WORDS} owner", address="192.0.2.1")
    assert People(Service(store), clock=lambda: now).signed_in(token) is None
    assert Store(store).exists()
