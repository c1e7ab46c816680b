"""A served dashboard and a real browser, for the tests that drive one."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dashboard.service import Service
from dashboard.service.jobs import LANES
from ingest.admin import passwords
from tests.dashboard import bench_team, people, whole_team
from tests.once import built_once


@pytest.fixture(scope="session", autouse=True)
def nobody_stands_back() -> None:
    """The processes beside the pages are as quick as the tests and browsers beside them."""
    for lane in LANES.values():
        lane._stands_back = 0


@pytest.fixture(autouse=True)
def nothing_ahead(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is made ahead of being asked; a test of that calls PREPARE of `service/lanes.py`."""
    monkeypatch.setattr(Service, "prepare", lambda _service: None)


@pytest.fixture
def followed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What would bring the answers up to each change; it is noted and not begun."""
    noted: list[str] = []

    def note(service: Service, then: str | None) -> None:
        if then is not None and service.standing().behind:
            noted.append(then)

    monkeypatch.setattr(Service, "_begin_then", note)
    return noted


@contextmanager
def _cheap_hashes() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "METHOD", (64, 1))
        passwords.stand_in.cache_clear()
        yield
    passwords.stand_in.cache_clear()


@pytest.fixture(scope="module")
def cheap_hashes() -> Iterator[None]:
    """Passwords are hashed at once: what hashing costs is not what these tests are about."""
    with _cheap_hashes():
        yield


@pytest.fixture(scope="session")
def people_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small team's store with an account a role, not fitted; not to be written to."""
    return _people(tmp_path_factory, "people", fit=False)


@pytest.fixture(scope="session")
def fitted_people_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same store, fitted; not to be written to."""
    return _people(tmp_path_factory, "fitted-people", fit=True)


def _people(factory: pytest.TempPathFactory, name: str, *, fit: bool) -> Path:
    def make(folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        with _cheap_hashes():
            people.add_accounts(people.make_store(folder, fit=fit))

    return built_once(factory, name, make) / "team.duckdb"


@pytest.fixture
def people_service(
    people_store: Path, cheap_hashes: None, tmp_path: Path, followed: list[str]
) -> Iterator[Service]:
    """The service over a copy of the small team's store; what would follow a change is noted."""
    service = Service(shutil.copy(people_store, tmp_path / "team.duckdb"))
    yield service
    assert service.settled()


@pytest.fixture(scope="session")
def team_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fitted store of a small team with a meter of every kind; not to be written to."""
    return built_once(tmp_path_factory, "bench-team", bench_team.store) / "team.duckdb"


@pytest.fixture(scope="session")
def whole_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fitted store in which no page is empty; not to be written to."""
    return built_once(tmp_path_factory, "whole-team", whole_team.store) / "whole.duckdb"


@pytest.fixture(scope="module")
def season_team(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A team with riders, races and prices: its tables, and a fitted store of the file's own."""
    made = built_once(tmp_path_factory, "season-team", whole_team.season_store)
    return Path(shutil.copytree(made, tmp_path_factory.mktemp("own") / "team"))


@pytest.fixture(scope="module")
def whole(whole_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """The service over a copy of it, shared by the tests of a file."""
    own = shutil.copytree(whole_store.parent, tmp_path_factory.mktemp("own") / "whole")
    data = Service(own / whole_store.name)
    yield data
    assert data.settled()


@pytest.fixture
def team_service(team_store: Path, tmp_path: Path) -> Iterator[Service]:
    """The service over a copy of the team's store, to write to."""
    own = tmp_path / "own.duckdb"
    shutil.copy(team_store, own)
    data = Service(own)
    yield data
    assert data.settled()
