"""What can be done with a stored bench session: its papers, a correction, taking it back."""

from typing import Any
from urllib.parse import urlencode

from dash import ALL, Dash, Input, Output, State, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View, bench_path, meter_of
from dashboard.security import Guarded
from models import run
from models.run import OpenedSession

SHOWN = 6  # cells of a correction


def session_actions(data: Guarded, view: View, session: Document) -> list[Any]:
    """Return papers and buttons of a session, its note and its corrections.

    Nothing for a past day, and for whoever may not open the bench page.
    """
    if view.as_of or not data.may(run.correct_bench):
        return []
    opened = data.ask(run.opened_session, session["session_id"])
    if not opened["rows"]:
        return []
    note = next((row["note"] for row in opened["rows"] if row.get("note")), None)
    return [
        html.P(["Note: ", html.Q(note)]) if note else None,
        html.Div([*_papers(opened["session_id"]), *_changes(session, opened)], className="pair"),
        parts.sentences([_corrected(one) for one in opened["corrections"]], className="notices"),
    ]


def _papers(session_id: str) -> list[html.A]:
    query = urlencode({"session": session_id})
    return [
        html.A(words, href=f"/bench/{paper}.pdf?{query}", target="_blank", className="button-like")
        for paper, words in (("record", "Record (PDF)"), ("label", "Label (PDF)"))
    ]


def _changes(session: Document, opened: OpenedSession) -> list[Any]:
    query = urlencode({"session": opened["session_id"]})
    way = f"{bench_path(session['meter_id'])}&{query}"
    correct = parts.link("Correct it", way, className="button-like")
    if not opened["by_hand"]:
        came = f"It came in a file: import {opened['import_id']} on the intake page takes it back."
        return [correct, parts.note(came)]
    what = "the correction" if opened["corrections"] else "the session"
    return [
        correct,
        html.Details(
            [
                html.Summary("Take it back"),
                html.Button(
                    f"Yes, take {what} back",
                    id={"type": "meter-session-undo", "session": opened["session_id"]},
                    n_clicks=0,
                ),
            ],
            className="sure",
        ),
    ]


def _corrected(one: Document) -> str:
    cells = [
        f"{theme.words(name)} {was or 'nothing'} → {one['after'][name] or 'nothing'}"
        for name, was in one["before"].items()
    ]
    more = f" and {len(cells) - SHOWN} more" if len(cells) > SHOWN else ""
    when = theme.day(one["changed_at"])
    return f"Corrected on {when} by {one['who']}: {'; '.join(cells[:SHOWN])}{more}."


def register(app: Dash, data: Guarded) -> None:
    """Take a session, or its last correction, back."""

    @app.callback(
        Output("meter-session", "children", allow_duplicate=True),
        Input({"type": "meter-session-undo", "session": ALL}, "n_clicks"),
        State("place", "pathname"),
        prevent_initial_call=True,
    )
    def take_back(_clicks: Any, pathname: str) -> Any:
        pressed = parts.clicked()
        if not isinstance(pressed, dict):
            return no_update
        data.ask(run.take_back_session, pressed["session"])
        return parts.done(
            f"Taken back: {pressed['session']} of {meter_of(pathname)} is as it was before. The "
            "numbers above follow in a moment."
        )
