"""The day that a page shows, and the way to look from another."""

from collections.abc import Callable, Sequence
from typing import Any

from dash import html

from dashboard import theme
from dashboard.components.browser import facts_of
from dashboard.components.sections import link, load_first
from dashboard.navigation import Document, View


def as_of_line(view: View, as_of: object, note: str | None) -> html.Div:
    """Return the day the page shows, why it is that day, and the way to another day."""
    said: list[Any] = [html.B(f"As of {theme.day(as_of)}"), "."]
    if view.as_of:
        said += [
            " This is what could have been known on that day. ",
            link("Back to today", "?", className="back"),
        ]
    elif note:
        said.append(f" {theme.sentence(note)}")
    return html.Div(
        [html.P(said), _look_back(as_of)], className="as-of past" if view.as_of else "as-of"
    )


def season_page(
    title: str, view: View, season: Document, body: Callable[[], Sequence[Any]], *, nothing: str
) -> html.Div:
    """Return a page about a season: title, day, body; without a fleet, that there is none.

    nothing: what cannot be done without one
    """
    head = [html.H1(title), as_of_line(view, season["as_of"], season.get("today_note"))]
    rest = [load_first(nothing)] if season["empty"] else body()
    return html.Div([*head, *rest], className=title.lower())


def _look_back(as_of: object) -> html.Details:
    return html.Details(
        [
            html.Summary("Look from another day"),
            html.Div(
                [
                    html.Label("Day", htmlFor="as-of-day"),
                    # the browser's own date field is put in here when it is opened
                    html.Div(id="as-of-place", **facts_of(day=theme.iso(as_of) or "")),
                    html.Button("Show", id="as-of-show", n_clicks=0),
                ],
                className="look-back",
            ),
        ]
    )
