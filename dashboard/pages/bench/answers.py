"""JSON answers to what the bench page sends; what is wrong with a request is said in a sentence."""

from __future__ import annotations

import json
from collections.abc import Callable

from flask import Response, request

from dashboard import theme
from dashboard.navigation import Document
from dashboard.pages.bench.given import given, planned_next
from dashboard.security import Guarded
from ingest.schema import UserError
from models import run

View = Callable[[], Response]
Route = tuple[str, str, View, list[str]]
"""Address, name, view and methods, as flask takes them."""


def answers(data: Guarded) -> list[Route]:
    """Return the routes of the page's questions and of what it saves."""
    routes = [
        _route("kit", "GET", lambda _asked: given(data)),
        _route("next", "GET", lambda _asked: planned_next(data)),
        _route("judge", "POST", lambda asked: data.ask(run.judge_bench, _rows(asked))),
        _route("save", "POST", lambda asked: data.ask(run.save_bench, _rows(asked))),
        _route("correct", "POST", lambda asked: data.ask(run.correct_bench, _rows(asked))),
        _route("session", "POST", lambda asked: _opened(data, asked)),
        _route("event", "POST", lambda asked: _save_event(data, asked)),
        _route("undo", "POST", lambda asked: _undo(data, asked)),
    ]
    return [(rule, name, _of_asker(data, view), methods) for rule, name, view, methods in routes]


def _of_asker(data: Guarded, view: View) -> View:
    """Return a view that refuses what another person kept to send, or what is another store's."""

    def checked() -> Response:
        if request.headers.get("X-Bench-Owner", data.asker()) != data.asker():
            text = "it waits for whoever saved it to sign in again, at the store it was saved for"
            return _json({"error": text}, 409)
        return view()

    return checked


def _route(name: str, method: str, answer: Callable[[Document], Document]) -> Route:
    def view() -> Response:
        asked = request.get_json(silent=True) if method == "POST" else {}
        try:
            if not isinstance(asked, dict):
                raise UserError("the request is not understood")
            return _json(answer(asked), 200)
        except UserError as problem:
            return _json({"error": theme.sentence(problem)}, 422)

    return f"/bench/{name}", f"bench-{name}", view, [method]


def _json(document: Document, code: int) -> Response:
    text = json.dumps(document, ensure_ascii=False, allow_nan=False)
    return Response(text, status=code, mimetype="application/json")


def _save_event(data: Guarded, asked: Document) -> Document:
    meter_id, event, on = (_text(asked, name) for name in ("meter_id", "event", "on"))
    more = ("side", "note", "session_id")
    side, note, session = (_text(asked, name) if asked.get(name) else None for name in more)
    return data.ask(run.save_bench_event, meter_id, event, on, side, note, session)


def _opened(data: Guarded, asked: Document) -> Document:
    """Return the rows of a stored session, to be corrected."""
    opened = data.ask(run.opened_session, _text(asked, "session"))
    return {"rows": opened["rows"], "session_id": opened["session_id"]}


def _undo(data: Guarded, asked: Document) -> Document:
    return data.ask(run.undo_bench_entry, _number(asked, "import_id"))


def _rows(asked: Document) -> list[Document]:
    rows = asked.get("rows")
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise UserError("found no rows, expected a list of readings")
    return rows


def _text(asked: Document, name: str) -> str:
    value = asked.get(name)
    if not isinstance(value, str) or not value.strip():
        raise UserError(f"found no {name}")
    return value


def _number(asked: Document, name: str) -> int:
    value = asked.get(name)
    if isinstance(value, bool) or not isinstance(value, int):
        raise UserError(f"found no {name}")
    return value
