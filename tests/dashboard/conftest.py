"""A served dashboard and a real browser, for the tests that drive one."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from dashboard.service import Service
from dashboard.web import server
from dashboard.web.app import create_app
from tests.dashboard import bench_team, whole_team
from tests.once import built_once

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@contextmanager
def serving(data: Any, *, behind: str | None = None) -> Iterator[str]:
    """The dashboard over some data, served as it is for a user; gives its address.

    Its tabs are closed before it stops: one that asks in the background would complain.
    """
    listener = server.listen(create_app(data), host="127.0.0.1", port=0, behind=behind)
    thread = threading.Thread(target=listener.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listener.effective_port}"
    finally:
        while TABS:
            TABS.pop().page.context.close()
        server.stop(listener)
        thread.join(timeout=30)
        assert not thread.is_alive()
        listener.task_dispatcher.shutdown()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A headless browser; the test is skipped where there is none."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    found = next((path for path in map(shutil.which, BROWSERS) if path), None)
    if found is None:
        pytest.skip(f"no browser on this machine (looked for {', '.join(BROWSERS)})")
    with api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=found, args=ARGUMENTS)
        yield chromium
        chromium.close()


TABS: list[Visit] = []
"""Open tabs."""


class Visit:
    """One tab, with all that it asked for and complained about."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.hosts: set[str] = set()
        self.complaints: list[str] = []
        page.on("request", lambda request: self._requested(request.url))
        page.on("console", lambda message: self._said(message.type, message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def _requested(self, url: str) -> None:
        if not url.startswith(("data:", "blob:")):
            self.hosts.add(urlsplit(url).hostname or "")

    def _said(self, kind: str, text: str) -> None:
        if kind in ("error", "warning"):
            self.complaints.append(text)


@pytest.fixture
def visit(browser: Any) -> Iterator[Callable[..., Visit]]:
    """Opens tabs; at the end of the test, none of them has complained or asked elsewhere."""
    visits: list[Visit] = []

    def start(width: int = 1440, height: int = 900, scheme: str = "light") -> Visit:
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme
        )
        visits.append(Visit(context.new_page()))
        TABS.append(visits[-1])
        visits[-1].page.set_default_timeout(60_000)
        return visits[-1]

    yield start
    for one in visits:
        one.page.context.close()
    assert [text for one in visits for text in one.complaints] == []
    assert {host for one in visits for host in one.hosts} <= {"127.0.0.1"}


@pytest.fixture(scope="session")
def team_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fitted store of a small team with a meter of every kind; not to be written to."""
    return built_once(tmp_path_factory, "bench-team", bench_team.store) / "team.duckdb"


@pytest.fixture(scope="session")
def whole_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fitted store in which no page is empty; not to be written to."""
    return built_once(tmp_path_factory, "whole-team", whole_team.store) / "whole.duckdb"


@pytest.fixture(scope="module")
def whole(whole_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """The service over a copy of it, shared by the tests of a file."""
    own = shutil.copytree(whole_store.parent, tmp_path_factory.mktemp("own") / "whole")
    data = Service(own / whole_store.name)
    yield data
    assert data.settled()


@pytest.fixture
def team_door(team_store: Path, tmp_path: Path) -> Iterator[Service]:
    """The service over a copy of the team's store, to write to."""
    own = tmp_path / "own.duckdb"
    shutil.copy(team_store, own)
    data = Service(own)
    yield data
    assert data.settled()
