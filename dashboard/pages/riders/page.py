"""Riders: which meter each one rides, and how far its watts can be taken as they are."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from dash import Dash, Input, Output, State, dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Door, View, meter_path

PATH = "/riders"
TITLE = "Riders"
PLACE = 40


def rider_path(rider_id: str) -> str:
    """The address of a rider's page."""
    return f"/riders/{quote(rider_id, safe='')}"


def layout(data: Door, view: View) -> html.Div:
    """Every rider with the meters ridden on the day."""
    riders = data.riders(view.as_of)
    head: list[Any] = [html.H1(TITLE)]
    if not riders:
        return html.Div([*head, _nothing()], className="riders")
    status = data.status(view.as_of)
    head.append(parts.as_of_line(view, status["as_of"], status.get("today_note")))
    rows = rider_rows(view, riders)
    return html.Div(
        [
            *head,
            html.P(headline(riders), className="headline"),
            _legend(),
            _filters(riders),
            dcc.Store(id="riders-rows", data=rows),
            parts.table("riders-grid", rows, columns(), key="key"),
        ],
        className="riders",
    )


def _filters(riders: list[Document]) -> html.Div:
    coaches = sorted({str(rider["coach"]) for rider in riders if rider["coach"]})
    search = dcc.Input(
        id="riders-search", type="search", placeholder="rider, meter, bike…", debounce=False
    )
    choice = parts.choice("riders-coach", coaches, "All coaches", kept=False)
    fields = [("Search", search, "riders-search"), ("Coach", choice, "riders-coach")]
    return html.Div(
        [
            html.Div([html.Label(label, htmlFor=name), control], className="field")
            for label, control, name in fields
        ],
        className="filters",
    )


def narrowed(rows: list[Document], search: str | None, coach: str | None) -> list[Document]:
    """The rows that hold what is searched for, of one coach's riders."""
    sought = (search or "").casefold().split()
    names = ("rider_id", "coach", "meter_id", "bike", "status_word")
    return [
        row
        for row in rows
        if (not coach or row["coach"] == coach)
        and all(word in " ".join(str(row[n]) for n in names).casefold() for word in sought)
    ]


def _legend() -> html.Details:
    """Every word of the table with what it means, and what other pages call it."""
    said = [(theme.WORDS[status], theme.elsewhere(status)) for status in theme.WORDS]
    return html.Details([html.Summary("What the words mean"), parts.facts(said)])


def _nothing() -> html.Div:
    return parts.empty(
        "No rider is known yet.",
        [
            "Fill in the tables ",
            parts.command("riders"),
            " and ",
            parts.command("assignments"),
            " and load them; whose they are decides what a coach sees.",
        ],
    )


def headline(riders: list[Document]) -> str:
    """How many riders have something under them that wants correcting."""
    riding = [rider for rider in riders if rider["meters"]]
    bad = sum(any(m["status"] in ("out", "due") for m in rider["meters"]) for rider in riding)
    if not riding:
        return "Nobody rides a meter on this day."
    of = f"{len(riding)} riders" if len(riding) != 1 else "1 rider"
    return f"{bad} of {of} ride at least one meter whose watts want correcting."


def rider_rows(view: View, riders: list[Document]) -> list[Document]:
    """One row a rider and meter, whose watts want correcting first; no meter keeps a row too."""
    return [
        _row(view, rider, meter)
        for rider in sorted(riders, key=_urgency)
        for meter in (rider["meters"] or [None] * (not rider["left"]))
    ]


def _urgency(rider: Document) -> tuple[int, str]:
    order = list(theme.STATUSES)
    worst = [order.index(theme.known(meter["status"])) for meter in rider["meters"]]
    return min(worst, default=len(order)), rider["rider_id"]


def _row(view: View, rider: Document, meter: Document | None) -> Document:
    found = meter or {}
    status = theme.known(found.get("status")) if meter else "unknown"
    interval = found.get("interval90_pct")
    return {
        "key": f"{rider['rider_id']}|{found.get('meter_id')}|{found.get('role')}",
        "rider_id": rider["rider_id"],
        "href": view.link(rider_path(rider["rider_id"])),
        "coach": rider["coach"] or theme.MISSING,
        "meter_id": found.get("meter_id") or theme.MISSING,
        "meter_href": view.link(meter_path(str(found["meter_id"]))) if meter else None,
        "bike": ", ".join(str(x) for x in (found.get("bike_id"), found.get("role")) if x),
        "since": theme.iso(found.get("since")),
        "status": status,
        "status_word": theme.WORDS[status] if meter else "No meter",
        "gain_error_pct": found.get("gain_error_pct"),
        "error_text": theme.plus_minus(found.get("gain_error_pct"), theme.half(interval), "%", 1),
        "bar": parts.bar_place(interval, found.get("gain_error_pct"), found.get("tolerance_pct")),
        "bar_text": f"90 %: {theme.span(interval, 1)}",
        "reads_text": theme.reads(found),
        "what": theme.sentence(theme.MEANINGS[status]) if meter else "",
    }


def columns() -> list[Document]:
    """The table's columns; the narrower the screen, the fewer."""
    return [
        parts.word_column("rider_id", "Rider", cellRenderer="DeviceCell", width=110),
        parts.word_column("coach", "Coach", width=110, since=1200),
        parts.text_column(
            "status",
            "Its watts",
            cellRenderer="StatusCell",
            comparator={"function": "slopewatch.byUrgency"},
            width=168,
            autoHeight=False,
        ),
        parts.word_column("meter_id", "Meter", width=96),
        parts.text_column("bike", "Bike, role", width=170, since=820),
        parts.day_column("since", "Since", since=1080),
        parts.number_column(
            "gain_error_pct", "Gain error, ± at 90 %", "error_text", width=130, since=560
        ),
        parts.column(
            "bar",
            "90 % interval against the limit",
            cellRenderer="BarCell",
            cellDataType=False,
            sortable=False,
            width=150,
            since=1000,
        ),
        parts.word_column("reads_text", "300 W read as", width=116, since=700, sortable=False),
        parts.text_column("what", "What to make of it", flex=2, minWidth=220, since=1280),
    ]


def register(app: Dash, data: Door) -> None:
    """The table shows what is searched for."""

    @app.callback(
        Output("riders-grid", "rowData"),
        Input("riders-search", "value"),
        Input("riders-coach-chosen", "data"),
        State("riders-rows", "data"),
        prevent_initial_call=True,
    )
    def search(text: str | None, coach: str | None, rows: list[Document]) -> list[Document]:
        return narrowed(rows, text, coach)
