"""What happens to a team's own sheets on the intake page: read, answered, loaded, dropped."""

from collections.abc import Sequence
from typing import Any

from dash import ALL, Dash, Input, Output, State, no_update

from dashboard import components as parts
from dashboard.navigation import Document
from dashboard.pages.intake.progress import work_line
from dashboard.pages.intake.sheets import sheets_section
from dashboard.security import Guarded
from models import run


def answers_given(
    before: dict[str, str], values: Sequence[str | None], ids: Sequence[Document]
) -> dict[str, str]:
    """Return the answers so far; an emptied field takes its answer back."""
    answers = dict(before)
    for value, name in zip(values, ids, strict=True):
        said = (value or "").strip()
        if said:
            answers[name["key"]] = said
    return answers


def register_sheets(app: Dash, data: Guarded) -> None:
    """Show proposals for the sheets that wait, take answers, load or leave out."""
    _register_answers(app, data)
    _register_loading(app, data)
    _register_leaving(app)


def _register_answers(app: Dash, data: Guarded) -> None:
    """Show what is proposed, again whenever something was answered."""

    @app.callback(
        Output("intake-own", "children"),
        Input("intake-own-drop-word", "data"),
        Input("intake-own-answers", "data"),
        prevent_initial_call=True,
    )
    def show(drop: str | None, answers: dict[str, str] | None) -> Any:
        if not drop:
            return None
        return sheets_section(data.ask(run.match_sheets, drop, answers or {}))

    @app.callback(
        Output("intake-own-answers", "data"),
        Input("intake-own-again", "n_clicks"),
        State("intake-own-answers", "data"),
        State({"type": "sheet-answer", "key": ALL}, "value"),
        State({"type": "sheet-answer", "key": ALL}, "id"),
        prevent_initial_call=True,
    )
    def answer(
        clicks: int | None, before: dict[str, str] | None, values: list[Any], ids: list[Any]
    ) -> Any:
        return answers_given(before or {}, values, ids) if clicks else no_update


def _register_loading(app: Dash, data: Guarded) -> None:
    """Load what is certain, with what was answered."""

    @app.callback(
        Output("intake-tick", "disabled", allow_duplicate=True),
        Output("intake-work", "children", allow_duplicate=True),
        Output("intake-own-drop-word", "data", allow_duplicate=True),
        Input("intake-own-load", "n_clicks"),
        State("intake-own-drop-word", "data"),
        State("intake-own-answers", "data"),
        State({"type": "sheet-answer", "key": ALL}, "value"),
        State({"type": "sheet-answer", "key": ALL}, "id"),
        State("intake-own-name", "value"),
        prevent_initial_call=True,
    )
    def load(clicks: int | None, drop: str, before: Any, values: Any, ids: Any, name: Any) -> Any:
        if not clicks or not drop:
            return no_update, no_update, no_update
        answers = answers_given(before or {}, values, ids)
        data.begin(run.accept_sheets, drop, answers, (name or "").strip())
        return False, work_line(data.work()), None


def _register_leaving(app: Dash) -> None:
    """Leave the sheets out."""

    @app.callback(
        Output("intake-own-drop-word", "data", allow_duplicate=True),
        Output("intake-said", "children", allow_duplicate=True),
        Input("intake-own-drop", "n_clicks"),
        State("intake-own-drop-word", "data"),
        prevent_initial_call=True,
    )
    def leave_out(clicks: int | None, drop: str | None) -> Any:
        if not clicks or not drop:
            return no_update, no_update
        return None, parts.done("The sheets were left out; nothing of them was loaded.")
