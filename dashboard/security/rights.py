"""Who may open which page, and fetch which other address of the server.

What may be asked is declared beside each question in `models.run`; what pages show and addresses
hand out comes through the guard as well, so this only says who gets that far.
"""

from dashboard.navigation import Page
from models.run import EVERYONE, MANAGER, MECHANIC, OWNER, Person

ROUTES: dict[str, frozenset[str]] = {
    "/bench/": frozenset({MECHANIC, OWNER}),
    "/evidence.pdf": frozenset({MECHANIC, MANAGER, OWNER}),
    "/download/": EVERYONE,
    "/account": EVERYONE,
    "/demo/": frozenset({OWNER}),
}
"""Addresses beside the pages and Dash's own, by their beginning."""


def may_open(person: Person, page: Page) -> bool:
    """Return whether a person may see a page."""
    return person.role in page.roles


def may_fetch(person: Person, address: str) -> bool:
    """Return whether a person may fetch an address that is no page; the longest beginning rules."""
    fitting = [start for start in ROUTES if address.startswith(start)]
    return bool(fitting) and person.role in ROUTES[max(fitting, key=len)]
