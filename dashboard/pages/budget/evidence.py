"""Evidence for a claim about a group or a batch of meters, to read and to send to a maker."""

from typing import Any
from urllib.parse import quote, urlencode

from dash import Dash, Input, Output, State, dcc, html, no_update
from flask import Response, request

from dashboard import components as parts
from dashboard import pdf, theme
from dashboard.navigation import Document, Help, View
from dashboard.security import Guarded
from ingest.schema import UserError
from models import run
from models.run import MANAGER, MECHANIC, OWNER

PATH = "/evidence/<name>"
TITLE = "Evidence"
PLACE = None
ROLES = (MECHANIC, MANAGER, OWNER)
HELP = Help(
    "gather evidence for a claim",
    (
        "Type a group, or the characters with which a batch's serial numbers begin, and press "
        "“Show it”.",
        "Read the sentence: how the batch differs from the rest, and how sure that is.",
        "See what is lacking: a claim needs serial numbers, dates and sessions with uncertainty.",
        "Look through the meters and their sessions for one that does not belong there.",
        "Take the PDF along, and ask for what the maker's own terms say.",
    ),
)


def address_of(name: str, as_of: str | None) -> str:
    """Return the address of the evidence about a group or a batch."""
    return f"/evidence/{quote(name, safe='')}" + (f"?as_of={as_of}" if as_of else "")


def layout(data: Guarded, view: View) -> html.Div:
    """Return the evidence: in a sentence, its meters, their sessions, and the way to the PDF."""
    name = view.params["name"]
    if data.on(view.as_of).live()["empty"]:
        return html.Div([html.H1(TITLE), parts.load_first("There are no meters yet.")])
    try:
        found = data.on(view.as_of).ask(run.group_warranty, name)
        body = _body(found, view)
    except UserError as problem:
        body = [parts.warning(theme.sentence(problem), role="alert")]
    return html.Div(
        [
            parts.way_back("Budget", view.link("/budget")),
            html.H1(f"Evidence about {name}"),
            html.Div(
                [
                    parts.field(
                        "evidence-name",
                        "Group, or how the serial numbers of a batch begin",
                        dcc.Input(id="evidence-name", type="text", value=name, debounce=True),
                    ),
                    html.Button("Show it", id="evidence-show", n_clicks=0),
                ],
                className="filters no-print",
            ),
            *body,
        ]
    )


def _body(found: Document, view: View) -> list[Any]:
    asked = {"of": found["name"]} | ({"as_of": view.as_of} if view.as_of else {})
    paper = html.A(
        "Evidence (PDF)",
        href=f"/evidence.pdf?{urlencode(asked)}",
        target="_blank",
        className="button-like no-print",
    )
    return [
        html.P(theme.prose(found["text"]), className="headline"),
        html.P(paper),
        parts.sentences([theme.sentence(text) for text in found["lacks"]], className="lacks"),
        _table("Meters", pdf.MEMBERS, [pdf.member(row) for row in found["meters"]]),
        _table("Bench sessions", pdf.SESSIONS, [pdf.session(row) for row in found["sessions"]]),
    ]


def _table(name: str, titles: tuple[str, ...], rows: list[tuple[str, ...]]) -> html.Section:
    table = parts.plain_table(titles, rows, name=name, headed=True)
    return parts.section(f"{name} ({len(rows)})", table, name=f"evidence-{name[:5].lower()}")


def register(app: Dash, data: Guarded) -> None:
    """Go to the evidence of another name; hand out the PDF."""

    @app.callback(
        Output("place", "pathname", allow_duplicate=True),
        Input("evidence-show", "n_clicks"),
        State("evidence-name", "value"),
        prevent_initial_call=True,
    )
    def show(clicks: int | None, name: str | None) -> Any:
        return address_of(name.strip(), None) if clicks and name and name.strip() else no_update

    def paper() -> Response:
        try:
            day = theme.iso(request.args.get("as_of"))
            made = pdf.claim_pdf(data.on(day).ask(run.group_warranty, request.args.get("of", "")))
        except UserError as problem:
            return Response(f"{problem}\n", status=404, mimetype="text/plain")
        headers = {"Content-Disposition": 'inline; filename="evidence.pdf"'}
        return Response(made, mimetype="application/pdf", headers=headers)

    app.server.add_url_rule("/evidence.pdf", "evidence-pdf", paper, methods=["GET"])
