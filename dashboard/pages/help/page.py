"""Help: what is done on each page, in five steps; nothing of it needs a network."""

from dash import html

from dashboard import components as parts
from dashboard.navigation import Help, Page, View, find_pages
from dashboard.security import Guarded, may_open, person_asking
from models.run import EVERYONE, OWNER

PATH = "/help"
TITLE = "Help"
PLACE = 98
ROLES = EVERYONE


def layout(_data: Guarded, _view: View) -> html.Div:
    """Return how things are done on the pages that are open to whoever asks."""
    person = person_asking()
    pages = [page for page in find_pages() if may_open(person, page)]
    return html.Div(
        [
            html.H1(TITLE),
            parts.search_field("help-search", "slope, battery, sheet…"),
            html.P(id="help-none", role="status", className="remark"),
            html.P(parts.demo_button()) if person.role == OWNER else None,
            *[_topic(page, page.help) for page in pages if page.help is not None],
        ],
        className="help",
    )


def _topic(page: Page, found: Help) -> html.Div:
    where = parts.link(page.title, page.path) if page.place is not None else html.B(page.title)
    return html.Div([html.P(["On ", where, ":"]), parts.how_to(found)], className="topic")
