"""One rider's data: to hand over, and to remove for good."""

from collections.abc import Sequence
from typing import Any
from urllib.parse import quote

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.pages.intake.lists import LISTS, lists
from dashboard.security import Guarded
from models import run


def one_rider_part(riders: Sequence[Document]) -> html.Div:
    """Return the choice of a rider; nothing where none is known."""
    ids = [row["rider_id"] for row in riders]
    if not ids:
        return html.Div()
    choice = parts.choice_field("intake-rider", "Rider", ids, "Choose a rider", kept="session")
    return html.Div(
        [
            html.H3("One rider's data"),
            parts.note(
                "A rider may ask for these data, and for their removal. Removing takes away what "
                "is about the rider; measurements of devices stay, without the name. Files that "
                "the rows came from and copies of the store are not touched: deal with them "
                "yourself."
            ),
            html.Div([choice, html.Span(id="intake-rider-file")], className="filters"),
            html.Div(id="intake-rider-removal"),
        ]
    )


def removal(rider_id: str) -> html.Details:
    """Return the way to remove a rider, which asks for the name to be typed."""
    return html.Details(
        [
            html.Summary(f"Remove {rider_id} for good"),
            html.Div(
                [
                    html.Label(
                        [
                            html.Span(f"Type {rider_id} to remove every row about this rider"),
                            dcc.Input(id="intake-rider-typed", type="text", autoComplete="off"),
                        ]
                    ),
                    html.Button("Remove", id="intake-rider-remove", n_clicks=0),
                ],
                className="confirm",
            ),
        ]
    )


def removed(done: Document) -> str:
    """Return what a removal did."""
    gone = theme.plural(done["rows_removed"], "row")
    unnamed = theme.plural(done["rows_without_name"], "measurement")
    files = theme.plural(done["files_removed"], "recording")
    held = ", ".join(done["backups"])
    told = f" These backups hold what was removed: {held}." if held else ""
    return f"{gone} and {files} removed, {unnamed} left without the name.{told}"


def register_rider(app: Dash, data: Guarded) -> None:
    """Hand out or remove the data of the rider that is chosen."""

    @app.callback(
        Output("intake-rider-file", "children"),
        Output("intake-rider-removal", "children"),
        Input("intake-rider-chosen", "data"),
        prevent_initial_call=True,
    )
    def choose_rider(rider_id: str | None) -> tuple[Any, Any]:
        if not rider_id:
            return None, None
        address = f"/download/rider/{quote(rider_id, safe='')}"
        return html.A(f"Save the data of {rider_id}", href=address), removal(rider_id)

    @app.callback(
        *[Output(name, "children", allow_duplicate=True) for name in LISTS],
        Output("intake-said", "children", allow_duplicate=True),
        Output("intake-tick", "disabled", allow_duplicate=True),
        Output("intake-rider-removal", "children", allow_duplicate=True),
        Input("intake-rider-remove", "n_clicks"),
        State("intake-rider-typed", "value"),
        State("intake-rider-chosen", "data"),
        prevent_initial_call=True,
    )
    def remove_rider(clicks: int | None, typed: str | None, rider_id: str | None) -> Any:
        if not clicks or not rider_id:
            return [no_update] * 6
        if (typed or "").strip() != rider_id:
            text = f"Nothing was removed: type {rider_id} exactly."
            return [*[no_update] * 3, parts.warning(text), no_update, no_update]
        said = removed(data.ask(run.remove_rider, rider_id))
        return [*lists(data), parts.done(said), False, None]
