"""A part of a page that is worked out beside it: a line of progress, then the part itself."""

from collections.abc import Callable
from typing import Any, TypeVar

from dash import Dash, Input, Output, dcc, html, no_update

from dashboard import theme
from dashboard.components.sections import empty
from dashboard.navigation import Document
from dashboard.service import Progress

T = TypeVar("T")
EVERY_MS = 700
UNTOUCHED = "The records and the settings are as they were; ask again with other values."


def arriving(name: str, asked: Document, before: Any = None) -> html.Div:
    """Return the place of the part: what is asked for, its progress, its body.

    name: what the ids begin with
    before: what was there before and stays, greyed, until the part is there
    """
    greyed = "stale" if before is not None else ""
    return html.Div(
        [
            dcc.Store(id=f"{name}-asked", data=dict(asked)),
            dcc.Interval(id=f"{name}-tick", interval=EVERY_MS, disabled=True),
            html.P("Working it out…", id=f"{name}-progress", className="progress", role="status"),
            html.Div(before, id=f"{name}-body", className=greyed),
        ],
        className="arriving",
    )


def show_arrived(app: Dash, name: str, answer: Callable[[Document], tuple[Any, str, bool]]) -> None:
    """Register the callback that draws a part; `answer` turns what is asked for into `arrived`."""

    @app.callback(
        Output(f"{name}-body", "children"),
        Output(f"{name}-progress", "children"),
        Output(f"{name}-tick", "disabled"),
        Input(f"{name}-asked", "data"),
        Input(f"{name}-tick", "n_intervals"),
    )
    def show(asked: Document, _ticks: int | None) -> tuple[Any, str, bool]:
        return answer(asked)


def arrived(told: Progress[T], draw: Callable[[T], Any]) -> tuple[Any, str, bool]:
    """Return body, line of progress and whether to stop asking, of an answer on its way."""
    if told["state"] == "working":
        return no_update, progress_line(told), False
    if told["document"] is None:
        return empty(theme.sentence(told["said"]), UNTOUCHED), "", True
    return draw(told["document"]), "", True


def progress_line(told: Progress[Any]) -> str:
    """Return what is going on, and for how long."""
    said = theme.sentence(told.get("said") or "working it out").rstrip(".")
    seconds = int(told.get("seconds") or 0)
    return f"{said}… {theme.duration(seconds)}" if seconds else f"{said}…"
