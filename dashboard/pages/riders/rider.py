"""One rider: the effort question, the meters over time, what one bike shows more than the other."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import components as parts
from dashboard.components import arrived, arriving
from dashboard.navigation import Document, Door, View
from dashboard.pages.riders import ledger
from dashboard.pages.riders.cards import meter_cards
from dashboard.pages.riders.effort_answer import effort_answer
from dashboard.pages.riders.effort_form import effort_form
from dashboard.pages.riders.notices import notices_part
from dashboard.pages.riders.ridden import bikes_part, chart_part, ridden_part

PATH = "/riders/<rider_id>"
TITLE = "Rider"
PLACE = None


def layout(data: Door, view: View) -> html.Div:
    """Return the page's frame, with what is known at once; the rest arrives later."""
    rider_id = view.params["rider_id"]
    rows = data.riders(view.as_of)
    found = next((row for row in rows if row["rider_id"] == rider_id), None)
    back = parts.way_back("Riders", view.link("/riders"))
    if found is None:
        missing = parts.empty(f"No rider {rider_id} is known.", "Choose one from the riders page.")
        return html.Div([back, html.H1(rider_id), missing])
    status = data.status(view.as_of)
    asked = {"rider_id": rider_id, "as_of": view.as_of}
    return html.Div(
        [
            back,
            html.H1(rider_id),
            html.P(f"Coach: {found['coach'] or 'nobody'}", className="named"),
            parts.as_of_line(view, status["as_of"], status.get("today_note")),
            meter_cards(view, found["meters"]),
            arriving("rider", asked),
            dcc.Store(id="rider-efforts"),
            dcc.Store(id="rider-noted"),
            ledger.ledger_part(status["as_of"]),
        ],
        className="rider",
    )


def draw(view: View, document: Document, tolerance: float | None) -> list[Any]:
    """Return what has arrived."""
    return [
        effort_form(document),
        html.Div(id="rider-answer"),
        chart_part(document, tolerance),
        ridden_part(view, document["periods"]),
        bikes_part(document["bikes"]),
        notices_part(view, document["notices"]),
    ]


def register(app: Dash, data: Door) -> None:
    """Draw the rider's meters, answer efforts, note notices, hand out the ledger."""

    @app.callback(
        Output("rider-body", "children"),
        Output("rider-progress", "children"),
        Output("rider-tick", "disabled"),
        Input("rider-asked", "data"),
        Input("rider-tick", "n_intervals"),
    )
    def show(asked: Document, _ticks: int | None) -> tuple[Any, str, bool]:
        view = View(query={"as_of": asked["as_of"]} if asked["as_of"] else {})
        rows = data.riders(asked["as_of"])
        mine: list[Document] = next(
            (r["meters"] for r in rows if r["rider_id"] == asked["rider_id"]), []
        )
        limits = [row["tolerance_pct"] for row in mine if row.get("tolerance_pct")]
        told = data.rider(asked["rider_id"], asked["as_of"])
        return arrived(told, lambda found: draw(view, found, min(limits, default=None)))

    @app.callback(
        Output("rider-answer", "children"),
        Output("rider-answer", "className"),
        Input("rider-efforts", "data"),
        State("rider-asked", "data"),
        prevent_initial_call=True,
    )
    def answer(question: Document | None, asked: Document) -> tuple[Any, Any]:
        if not question:
            return no_update, no_update
        told = data.effort(
            asked["rider_id"], question["efforts"], asked["as_of"], question.get("carry_to")
        )
        return effort_answer(told), f"asked-at-{question['at']}"  # no longer greyed

    @app.callback(
        Output("rider-asked", "data"),
        Input("rider-noted", "data"),
        State("rider-asked", "data"),
        prevent_initial_call=True,
    )
    def note(noted: Document | None, asked: Document) -> Any:
        if not noted:
            return no_update
        data.acknowledge_notice(asked["rider_id"], noted["notice_id"])
        return asked | {"noted": noted["notice_id"]}

    ledger.register(app, data)
