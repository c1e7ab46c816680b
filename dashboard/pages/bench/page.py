"""Bench: a session from the choice of a meter to its calibration record, with or without network.

The form and its arithmetic run in the browser (assets/bench*.js) on the data sent with the page;
the server judges in full and saves when it can be reached.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from dash import ClientsideFunction, Input, Output, dcc, html
from flask import Response, request

from dashboard import components as parts
from dashboard import pdf
from dashboard.navigation import Document, Door, View
from dashboard.service import NothingDoneError, is_expected

PATH = "/bench"
TITLE = "Bench"
PLACE = 20


def layout(data: Door, view: View) -> html.Div:
    """The page's frame and its data; the browser builds the rest."""
    kit = data.bench_kit()
    if not kit["meters"]:
        return html.Div([html.H1(TITLE), _nothing_loaded()])
    return html.Div(
        [
            html.H1(TITLE, className="unseen"),
            dcc.Store(id="bench-kit", data=kit | {"asked": view.query.get("meter")}),
            dcc.Store(id="bench-opened"),
            html.Div(html.P("Laying out the bench…", className="waiting"), id="bench-screen"),
            html.Div(id="bench-paper"),
        ],
        className="bench",
    )


def _nothing_loaded() -> html.Div:
    return parts.empty(
        "No meter is known yet.",
        [
            "Load the table ",
            parts.command("meters"),
            " first, best with ",
            parts.command("mass_sets"),
            ", ",
            parts.command("places"),
            " and ",
            parts.command("installations"),
            ".",
        ],
    )


def register(app: Any, data: Door) -> None:
    """Start the page in the browser; answer what it sends."""
    app.clientside_callback(
        ClientsideFunction("slopewatch_bench", "open"),
        Output("bench-opened", "data"),
        Input("bench-kit", "data"),
    )
    _route(app, "/bench/kit", "GET", lambda _asked: data.bench_kit())
    _route(app, "/bench/next", "GET", lambda _asked: planned_next(data))
    _route(app, "/bench/judge", "POST", lambda asked: data.judge_bench(_rows(asked)))
    _route(app, "/bench/save", "POST", lambda asked: data.save_bench(_rows(asked)))
    _route(
        app,
        "/bench/event",
        "POST",
        lambda asked: data.save_bench_event(
            _text(asked, "meter_id"), _text(asked, "event"), _text(asked, "on")
        ),
    )
    _route(
        app, "/bench/undo", "POST", lambda asked: data.undo_bench_entry(_number(asked, "import_id"))
    )
    for name, write in (("record", pdf.record_pdf), ("label", pdf.label_pdf)):
        app.server.add_url_rule(
            f"/bench/{name}.pdf", f"bench-{name}-pdf", _pdf_view(data, name, write)
        )


def planned_next(data: Door) -> Document:
    """Whom the season's plan wants on the bench next: state of the plan, its week, meter_ids.

    The week is the first from today on with a visit; None where the plan has none.
    """
    season = data.season()
    if season.get("empty"):
        return {"state": "done", "said": "", "week": None, "meters": []}
    told = data.plan(season["first"], season["last"])
    visits = (told.get("document") or {}).get("visits") or []
    week = min((visit["week"] for visit in visits), default=None)
    meters = [visit["meter_id"] for visit in visits if visit["week"] == week]
    return {"state": told["state"], "said": told["said"], "week": week, "meters": meters}


def _route(app: Any, path: str, method: str, answer: Callable[[Document], Document]) -> None:
    """A JSON answer at a path; what is wrong with a request is said in one sentence."""

    def view() -> Response:
        asked = request.get_json(silent=True) if method == "POST" else {}
        try:
            if not isinstance(asked, dict):
                raise NothingDoneError("the request is not understood")
            return _json(answer(asked), 200)
        except Exception as problem:
            if not is_expected(problem):
                raise
            return _json({"error": str(problem)}, 422)

    app.server.add_url_rule(path, path.strip("/").replace("/", "-"), view, methods=[method])


def _json(document: Document, code: int) -> Response:
    text = json.dumps(document, ensure_ascii=False, allow_nan=False)
    return Response(text, status=code, mimetype="application/json")


def _pdf_view(data: Door, name: str, write: Callable[[Document], bytes]) -> Callable[[], Response]:
    def view() -> Response:
        session_id = request.args.get("session", "")
        try:
            made = write(data.bench_record(session_id))
        except Exception as problem:
            if not is_expected(problem):
                raise
            return Response(f"{problem}\n", status=404, mimetype="text/plain")
        plain = "".join(c if c.isalnum() or c in "-." else "_" for c in session_id)
        plain = plain.encode("ascii", "replace").decode().replace("?", "_")
        named = f'inline; filename="{name}-{plain}.pdf"'
        return Response(made, mimetype="application/pdf", headers={"Content-Disposition": named})

    return view


def _rows(asked: Document) -> list[Document]:
    rows = asked.get("rows")
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise NothingDoneError("found no rows, expected a list of readings")
    return rows


def _text(asked: Document, name: str) -> str:
    value = asked.get(name)
    if not isinstance(value, str) or not value.strip():
        raise NothingDoneError(f"found no {name}")
    return value


def _number(asked: Document, name: str) -> int:
    value = asked.get(name)
    if isinstance(value, bool) or not isinstance(value, int):
        raise NothingDoneError(f"found no {name}")
    return value
