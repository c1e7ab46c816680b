"""One rider: the effort question, the meters over time, what one bike shows more than the other."""

from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import components as parts
from dashboard.components import arrived, arriving, show_arrived
from dashboard.navigation import Document, Help, View
from dashboard.pages.riders import doubts, ledger
from dashboard.pages.riders.cards import meter_cards
from dashboard.pages.riders.effort_answer import effort_answer
from dashboard.pages.riders.effort_form import effort_form
from dashboard.pages.riders.notices import notices_part
from dashboard.pages.riders.ridden import bikes_part, chart_part, reads_part, ridden_part
from dashboard.security import Guarded
from ingest.schema import UserError
from models import run
from models.run import COACH, MOST_EFFORTS, OWNER, EffortAsk

PATH = "/riders/<rider_id>"
TITLE = "Rider"
PLACE = None
ROLES = (COACH, OWNER)
HELP = Help(
    "tell a gain in form from the meter",
    (
        "Look at which meter was ridden when: two efforts on different meters differ by the "
        "meters too.",
        "Type both efforts: date, watts, how long, and whether the meter was zeroed before.",
        "Press “Work it out” and read what a meter without error would have shown, each with "
        "its interval.",
        "Read how sure it is that the change is the rider's own. Small changes stay unsure, "
        "whoever made them.",
        "Take the corrected ledger along as CSV for your own records.",
    ),
)


def layout(data: Guarded, view: View) -> html.Div:
    """Return the page's frame, with what is known at once; the rest arrives later."""
    rider_id = view.params["rider_id"]
    rows = data.on(view.as_of).ask(run.riders)
    found = next((row for row in rows if row["rider_id"] == rider_id), None)
    back = parts.way_back("Riders", view.link("/riders"))
    if found is None:
        missing = parts.empty(f"No rider {rider_id} is known.", "Choose one from the riders page.")
        return html.Div([back, html.H1(rider_id), missing])
    status = data.on(view.as_of).ask(run.status)
    asked = {"rider_id": rider_id, "as_of": view.as_of}
    return html.Div(
        [
            back,
            html.H1(rider_id),
            html.P(f"Coach: {found['coach'] or 'nobody'}", className="named"),
            parts.as_of_line(view, status["as_of"], status.get("today_note")),
            parts.race_eve_part(_eves_of(rider_id, status), status["as_of"]),
            meter_cards(view, found["meters"]),
            arriving("rider", asked),
            dcc.Store(id="rider-efforts"),
            dcc.Store(id="rider-noted"),
            ledger.ledger_part(status["as_of"]),
        ],
        className="rider",
    )


def _eves_of(rider_id: str, status: Document) -> list[Document]:
    return [row for row in status.get("race_eve") or [] if row["rider_id"] == rider_id]


def draw(view: View, document: Document, tolerance: float | None, doubtful: Document) -> list[Any]:
    """Return what has arrived."""
    return [
        doubts.doubts_part(view, doubtful),
        reads_part(document["reads"]),
        effort_form(document),
        html.Div(id="rider-answer"),
        chart_part(document, tolerance),
        ridden_part(view, document["periods"], tolerance),
        bikes_part(document["bikes"]),
        notices_part(view, document["notices"]),
    ]


def register(app: Dash, data: Guarded) -> None:
    """Draw the rider's meters, answer efforts, note notices, hand out the ledger."""

    def show(asked: Document) -> tuple[Any, str, bool]:
        view = View(query={"as_of": asked["as_of"]} if asked["as_of"] else {})
        rows = data.on(asked["as_of"]).ask(run.riders)
        mine = next((r["meters"] for r in rows if r["rider_id"] == asked["rider_id"]), [])
        limits = [row["tolerance_pct"] for row in mine if row.get("tolerance_pct")]
        told = data.on(asked["as_of"]).later(run.rider, asked["rider_id"])
        read = data.ask(run.notices_read)

        def with_read(found: Document) -> Any:
            notices = [{**row, **read.get(row["notice_id"], {})} for row in found["notices"]]
            doubtful = data.on(asked["as_of"]).ask(run.doubtful, rider_id=asked["rider_id"])
            limit = min(limits, default=None)
            return draw(view, {**found, "notices": notices}, limit, doubtful)

        return arrived(told, with_read)

    show_arrived(app, "rider", show)

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
        told = _answered(data, asked["as_of"], question["efforts"], question.get("carry_to"))
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
        data.ask(run.acknowledge_notice, noted["notice_id"], rider_id=asked["rider_id"])
        return {**asked, "noted": noted["notice_id"]}

    ledger.register(app, data)
    doubts.register(app, data)


def _answered(
    data: Guarded, as_of: str | None, efforts: list[EffortAsk], carry_to: str | None
) -> Document:
    """Return the answer to efforts, or in words why there is none."""
    asked = efforts[:MOST_EFFORTS]
    try:
        found = data.on(as_of).ask(run.effort, asked, carry_to=[carry_to] if carry_to else [])
    except UserError as problem:
        return {"state": "failed", "said": str(problem), "document": None}
    rows = [
        {
            **row,
            "meter_id": one.get("meter_id"),
            "reference_id": None if one.get("meter_id") else one.get("reference_id"),
        }
        for row, one in zip(found["efforts"], asked, strict=True)
    ]
    return {"state": "done", "said": "", "document": {**found, "efforts": rows}}
