"""What a page is, and how the address bar finds one.

A page is one module below `dashboard/pages/`. It exposes

    PATH      "/meter/<meter_id>": its address; a <name> becomes a parameter
    TITLE     the words in the navigation and the browser's tab
    PLACE     its place in the navigation, an int; None leaves it out
    ROLES     who may open it, roles of `models.run`
    HELP      what one comes to do here, and how in five steps
    layout(data, view) -> component
    drawn_from(data, view) -> key    optional: what differs when the page would; as long as it does
                                     not, the page is kept as it was drawn
    register(app, data) -> None      optional: its callbacks, ids beginning with the page's name

and needs no entry anywhere else.
"""

import pkgutil
import re
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field
from datetime import date
from importlib import import_module
from types import ModuleType
from typing import Any
from urllib.parse import parse_qs, quote, unquote, urlencode

Document = Mapping[str, Any]
"""An answer, to be read."""
Fields = dict[str, Any]
"""Something that is being put together for the browser."""

PAGES = "dashboard.pages"


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
        """Return an address that keeps the day looked from."""
        return f"{path}?{urlencode({'as_of': self.as_of})}" if self.as_of else path


@dataclass(frozen=True)
class Help:
    """How something is done on a page. task: "see who needs the bench"; steps: five sentences."""

    task: str
    steps: tuple[str, ...]


@dataclass(frozen=True)
class Page:
    """One page of the dashboard, found in its module."""

    path: str
    title: str
    place: int | None
    roles: frozenset[str]
    help: Help | None
    layout: Callable[[Any, View], Any]
    register: Callable[[Any, Any], None] | None
    drawn_from: Callable[[Any, View], Hashable] | None = None

    def match(self, pathname: str) -> dict[str, str] | None:
        """Return the parameters of an address that is this page's; None when it is not."""
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
        roles=frozenset(module.ROLES),
        help=getattr(module, "HELP", None),
        layout=module.layout,
        register=getattr(module, "register", None),
        drawn_from=getattr(module, "drawn_from", None),
    )


def find(pages: list[Page], pathname: str | None, search: str | None) -> tuple[Page, View] | None:
    """Return the page at an address, with what the address asks of it; None for no page."""
    query = {key: values[-1] for key, values in parse_qs((search or "").lstrip("?")).items()}
    for page in pages:
        params = page.match(pathname or "/")
        if params is not None:
            return page, View(params, query)
    return None


def meter_path(meter_id: str) -> str:
    """Return the address of a meter's page; any sign may stand in the id."""
    return f"/meter/{quote(meter_id, safe='')}"


def meter_of(pathname: str) -> str:
    """Return the meter whose page is at an address."""
    return unquote(pathname.removeprefix("/meter/"))


def bench_path(meter_id: str) -> str:
    """Return the address of the bench page with a meter chosen."""
    return f"/bench?{urlencode({'meter': meter_id})}"
