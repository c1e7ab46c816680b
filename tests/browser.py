"""A real browser: one for a worker's whole run, whichever tests drive it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.dashboard.browsing import Visit

# The first has no windows, and needs a fifth less time for the same pages.
BROWSERS = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


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


@pytest.fixture(scope="session")
def tabs(browser: Any) -> list[Any]:
    """Tabs that are not in use; most tests take the same one, one after the other."""
    return []


def _visits(tabs: list[Any], browser: Any) -> Iterator[Callable[..., Visit]]:
    """Opens tabs; at the end none of them has complained or asked elsewhere."""
    from tests.dashboard.browsing import Visit

    visits: list[Visit] = []

    def start(width: int = 1440, height: int = 900, scheme: str = "light") -> Visit:
        page = tabs.pop() if tabs else browser.new_context().new_page()
        visits.append(Visit(page, width=width, height=height, scheme=scheme))
        return visits[-1]

    yield start
    for one in visits:
        one.end()
        if not one.page.is_closed():
            tabs.append(one.page)
    assert [text for one in visits for text in one.complaints] == []
    assert {host for one in visits for host in one.hosts} <= {"127.0.0.1"}


@pytest.fixture
def visit(tabs: list[Any], browser: Any) -> Iterator[Callable[..., Visit]]:
    """Opens tabs for a test."""
    yield from _visits(tabs, browser)


@pytest.fixture(scope="module")
def long_visit(tabs: list[Any], browser: Any) -> Iterator[Callable[..., Visit]]:
    """Opens tabs that all tests of a file share; `browsing.opened` brings a page afresh."""
    yield from _visits(tabs, browser)
