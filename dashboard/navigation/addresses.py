"""What a page is, and how the address bar finds one.

A page is one module below `dashboard/pages/`. It exposes

    PATH      "/meter/<meter_id>": its address; a <name> becomes a parameter
    TITLE     the words in the navigation and the browser's tab
    PLACE     its place in the navigation, an int; None leaves it out
    KEPT      optional, True: it shows only what the door answers for the address, so that it
              may be kept as drawn until the data change
    layout(data, view) -> component
    register(app, data) -> None      optional: its callbacks, ids beginning with the page's name

and needs no entry anywhere else.
"""

from __future__ import annotations

import pkgutil
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from importlib import import_module
from types import ModuleType
from typing import Any, Protocol
from urllib.parse import parse_qs, quote, unquote, urlencode

Document = dict[str, Any]

PAGES = "dashboard.pages"


class Door(Protocol):
    """What the pages call of dashboard.service.pages.Data; documents by the data contract."""

    def status(self, as_of: str | None = None) -> Document: ...

    def fit_state(self) -> Document: ...

    def history(self, meter_id: str, as_of: str | None = None) -> Document: ...

    def meter(self, meter_id: str) -> Document: ...

    def bench_sessions(self, meter_id: str) -> list[Document]: ...

    def comparisons(self, meter_id: str) -> list[Document]: ...

    def season(self, as_of: str | None = None) -> Document: ...

    def plan(
        self, first: str, last: str, slots: int | None = None, as_of: str | None = None
    ) -> Document: ...

    def move_visit(
        self, meter_id: str, away: str | None = None, to: str | None = None
    ) -> Document: ...

    def plan_calendar(
        self, first: str, last: str, slots: int | None = None, as_of: str | None = None
    ) -> str: ...

    def bench_list(
        self,
        week: str,
        first: str,
        last: str,
        slots: int | None = None,
        as_of: str | None = None,
    ) -> Document: ...

    def riders(self, as_of: str | None = None) -> list[Document]: ...

    def rider(self, rider_id: str, as_of: str | None = None) -> Document: ...

    def effort(
        self,
        rider_id: str,
        efforts: Sequence[Document],
        as_of: str | None = None,
        carry_to: str | None = None,
    ) -> Document: ...

    def ledger(
        self, rider_id: str, first: str, last: str, as_of: str | None = None
    ) -> Document: ...

    def acknowledge_notice(self, rider_id: str, notice_id: str) -> None: ...

    def budget(
        self,
        first: str,
        last: str,
        *,
        slots: int | None = None,
        tolerance_pct: float | None = None,
        target: float | None = None,
        as_of: str | None = None,
    ) -> Document: ...

    def policies(
        self, *, tolerance_pct: float | None = None, as_of: str | None = None
    ) -> Document: ...

    def hindcast(self, as_of: str | None = None) -> Document: ...

    def method(self) -> Document: ...

    def accounts(self) -> list[Document]: ...

    def find_changes(
        self,
        words: str = "",
        *,
        who: str | None = None,
        what: str | None = None,
        first: str | None = None,
        last: str | None = None,
        most: int | None = None,
    ) -> Document: ...

    def add_account(
        self, name: str, password: str, *, role: str, coach: str | None = None
    ) -> None: ...

    def set_account_role(self, name: str, role: str, *, coach: str | None = None) -> None: ...

    def set_account_enabled(self, name: str, *, enabled: bool) -> None: ...

    def set_account_password(self, name: str, password: str) -> None: ...

    def bench_kit(self) -> Document: ...

    def judge_bench(self, rows: Sequence[Document]) -> Document: ...

    def save_bench(self, rows: Sequence[Document]) -> Document: ...

    def save_bench_event(self, meter_id: str, event: str, on: str) -> Document: ...

    def undo_bench_entry(self, import_id: int) -> Document: ...

    def bench_record(self, session_id: str) -> Document: ...


@dataclass(frozen=True)
class View:
    """What the address asks for: the path's parameters and the day to look from."""

    params: Mapping[str, str] = field(default_factory=dict)
    query: Mapping[str, str] = field(default_factory=dict)

    @property
    def as_of(self) -> str | None:
        """The day looked from, ISO; None for today or when the address holds no date."""
        asked = self.query.get("as_of", "")
        try:
            return date.fromisoformat(asked).isoformat()
        except ValueError:
            return None

    def link(self, path: str) -> str:
        """An address that keeps the day looked from."""
        return f"{path}?{urlencode({'as_of': self.as_of})}" if self.as_of else path


@dataclass(frozen=True)
class Page:
    """One page of the dashboard, found in its module."""

    path: str
    title: str
    place: int | None
    layout: Callable[[Door, View], Any]
    register: Callable[[Any, Door], None] | None
    kept: bool = False

    def match(self, pathname: str) -> dict[str, str] | None:
        """The parameters of an address that is this page's; None when it is not."""
        pattern = re.sub(r"<(\w+)>", r"(?P<\1>[^/]+)", self.path)
        found = re.fullmatch(pattern, pathname.rstrip("/") or "/")
        return None if found is None else {k: unquote(v) for k, v in found.groupdict().items()}


def find_pages() -> list[Page]:
    """Return every page below `dashboard/pages/`, in the order of the navigation."""
    below = pkgutil.walk_packages(import_module(PAGES).__path__, f"{PAGES}.")
    modules = [import_module(found.name) for found in below if not found.ispkg]
    pages = [_page(module) for module in modules if hasattr(module, "PATH")]
    return sorted(pages, key=lambda page: (page.place is None, page.place or 0, page.path))


def _page(module: ModuleType) -> Page:
    return Page(
        path=module.PATH,
        title=module.TITLE,
        place=module.PLACE,
        layout=module.layout,
        register=getattr(module, "register", None),
        kept=getattr(module, "KEPT", False),
    )


def find(pages: list[Page], pathname: str | None, search: str | None) -> tuple[Page, View] | None:
    """The page at an address, with what the address asks of it; None for no page."""
    query = {key: values[-1] for key, values in parse_qs((search or "").lstrip("?")).items()}
    for page in pages:
        params = page.match(pathname or "/")
        if params is not None:
            return page, View(params, query)
    return None


def meter_path(meter_id: str) -> str:
    """The address of a meter's page; any sign may stand in the id."""
    return f"/meter/{quote(meter_id, safe='')}"


def meter_of(pathname: str) -> str:
    """The meter whose page is at an address."""
    return unquote(pathname.removeprefix("/meter/"))


def bench_path(meter_id: str) -> str:
    """The address of the bench page with a meter chosen."""
    return f"/bench?{urlencode({'meter': meter_id})}"
