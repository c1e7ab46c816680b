"""What stands in for a page while the fleet of an earlier day is being fitted for it."""

from collections.abc import Callable
from datetime import date
from typing import Any

from dash import Dash, Input, Output, State, html, no_update

from dashboard import components as parts
from dashboard import security, theme
from dashboard.components import arrived, arriving
from dashboard.navigation import Document, Page, View, find
from dashboard.security import Guarded, person_asking
from dashboard.service import Progress
from models import run

Found = tuple[Page, View]
Draw = Callable[[Found], Any]
NAME = "day"


def not_yet(data: Guarded, found: Found | None) -> html.Div | None:
    """Return the waiting page for a day that no fit stands for yet; None: the page can be drawn."""
    told = _told(data, found)
    if found is None or told is None or told["state"] != "working":
        return None
    view = found[1]
    day = theme.day(view.as_of)
    return html.Div(
        [
            html.Div(
                [
                    html.H1(next(iter(view.params.values()), found[0].title)),
                    parts.as_of_line(view, view.as_of, None),
                    html.P(
                        f"The models are fitted once more on nothing but what was known on {day}: "
                        "the first look from a day takes a quarter of a minute or more, the next "
                        "ones none. You can go to another page meanwhile; it keeps the day.",
                        className="note",
                    ),
                ],
                id=f"{NAME}-head",
            ),
            arriving(NAME, {"as_of": view.as_of}),
        ]
    )


def _told(data: Guarded, found: Found | None) -> Progress[date] | None:
    """Return how far the fit of the day looked from is; None where there is nothing to wait for."""
    if found is None or not found[1].as_of or not security.may_open(person_asking(), found[0]):
        return None
    return data.on(found[1].as_of).later(run.looked_from)


def register(app: Dash, data: Guarded, pages: list[Page], draw: Draw) -> None:
    """Draw the page in place of the waiting one as soon as its day is fitted."""

    @app.callback(
        Output(f"{NAME}-body", "children"),
        Output(f"{NAME}-progress", "children"),
        Output(f"{NAME}-tick", "disabled"),
        Output(f"{NAME}-head", "children"),
        Input(f"{NAME}-asked", "data"),
        Input(f"{NAME}-tick", "n_intervals"),
        State("place", "pathname"),
        State("place", "search"),
    )
    def look(
        _asked: Document, _ticks: int | None, pathname: str | None, search: str | None
    ) -> tuple[Any, str, bool, Any]:
        found = find(pages, pathname, search)
        told = _told(data, found)
        if found is None or told is None:
            return no_update, "", True, no_update
        if told["state"] == "working":
            return *arrived(told, lambda _document: None), no_update
        return draw(found), "", True, []  # a failed fit is told by the page itself
