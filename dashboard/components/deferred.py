"""A part of a page that is worked out beside it: a line of progress, then the part itself."""

from collections.abc import Callable
from typing import Any, TypeVar

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard import theme
from dashboard.components.browser import in_browser
from dashboard.components.sections import empty
from dashboard.navigation import Document
from dashboard.service import Progress

T = TypeVar("T")
EVERY_MS = 700
UNTOUCHED = "The records and the settings are as they were; ask again with other values."
STOP, AGAIN = "Stop", "Start again"
STOPPED = "Stopped. All that was entered is kept; what is shown below is from before."
Arrived = tuple[Any, str, bool]


def arriving(name: str, asked: Document, before: Any = None, *, stops: bool = False) -> html.Div:
    """Return the place of the part: what is asked for, its progress, its body.

    name: what the ids begin with
    before: what was there before and stays, greyed, until the part is there
    stops: whether it takes so long that there is a button to stop it
    """
    greyed = "stale" if before is not None else ""
    said = html.P("Working it out…", id=f"{name}-progress", className="progress", role="status")
    stop = html.Button(STOP, id=f"{name}-stop", type="button", className="quiet stop", n_clicks=0)
    return html.Div(
        [
            dcc.Store(id=f"{name}-asked", data=dict(asked)),
            dcc.Interval(id=f"{name}-tick", interval=EVERY_MS, disabled=True),
            html.Div([said, stop] if stops else said, className="progress-line"),
            html.Div(before, id=f"{name}-body", className=greyed),
        ],
        className="arriving",
    )


def show_arrived(
    app: Dash,
    name: str,
    answer: Callable[[Document], Arrived],
    *,
    stop: Callable[[Document], None] | None = None,
    after: tuple[Input, Callable[[Any], None]] | None = None,
) -> None:
    """Register the callback that draws a part.

    answer: turns what is asked for into `arrived`
    stop: stops working it out, where `arriving` has a button for it
    after: an input that starts it anew, and what is done with its value first
    """
    button = f"{name}-stop"
    also = [after[0]] if after else []
    drawn = [
        Output(f"{name}-body", "children"),
        Output(f"{name}-progress", "children"),
        Output(f"{name}-tick", "disabled"),
        Output(f"{name}-body", "className"),
    ]
    asked_by: list[Input | State] = [
        Input(f"{name}-asked", "data"),
        Input(f"{name}-tick", "n_intervals"),
        *also,
    ]
    if stop is not None:
        drawn.append(Output(button, "children"))
        asked_by += [Input(button, "n_clicks"), State(button, "children")]
        _pause_at_once(app, name)

    @app.callback(drawn, asked_by)
    def show(asked: Document, _ticks: int | None, *more: Any) -> tuple[Any, ...]:
        if stop is not None and ctx.triggered_id == button and more[-1] == STOP:
            stop(asked)
            return no_update, STOPPED, True, no_update, AGAIN
        if after and more[0] and ctx.triggered_id == after[0].component_id:
            after[1](more[0])
        body, progress, still = answer(asked)
        shown = (body, progress, still, "" if still else "stale")
        return shown if stop is None else (*shown, STOP)


def _pause_at_once(app: Dash, name: str) -> None:
    """Ask no more from the moment when the button is pressed, else it would begin anew."""
    paused = Output(f"{name}-tick", "disabled", allow_duplicate=True)
    in_browser(app, "paused", paused, Input(f"{name}-stop", "n_clicks"), at_start=False)


def arrived(told: Progress[T], draw: Callable[[T], Any]) -> Arrived:
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
