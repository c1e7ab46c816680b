"""Riders: which meter each one rides, and how far its watts can be taken as they are."""

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

from dash import Dash, Input, Output, State, dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Help, View, meter_path
from dashboard.pages.riders.doubts import since
from dashboard.pages.riders.watts_words import legend, reads, watts_status, what_to_make_of
from dashboard.security import Guarded
from models import run
from models.run import COACH, OWNER

PATH = "/riders"
TITLE = "Riders"
PLACE = 40
ROLES = (COACH, OWNER)
HELP = Help(
    "see whether a rider's watts can be trusted",
    (
        "Read the notices: they say what became doubtful, and from when.",
        "Find the rider, and read which meter is ridden and what it shows of 300 W.",
        "Press the rider for which meter was ridden when, and how far off each was.",
        "Work an effort out there: it says what a meter without error would have shown, with "
        "its interval.",
        "Before a race, read which bike to take and what not to touch.",
    ),
)
SEARCHED = ("rider_id", "coach", "meter_id", "bike", "status_word")


def rider_path(rider_id: str) -> str:
    """Return the address of a rider's page."""
    return f"/riders/{quote(rider_id, safe='')}"


def layout(data: Guarded, view: View) -> html.Div:
    """Return every rider with the meters ridden on the day."""
    riders = data.on(view.as_of).ask(run.riders)
    head: list[Any] = [html.H1(TITLE)]
    if not riders:
        return html.Div([*head, _nothing()], className="riders")
    status = data.on(view.as_of).ask(run.status)
    head.append(parts.as_of_line(view, status["as_of"], status.get("today_note")))
    doubtful = data.on(view.as_of).ask(run.doubtful)
    rows = rider_rows(view, riders, since(doubtful["doubts"]))
    return html.Div(
        [
            *head,
            html.P(headline(riders), className="headline"),
            parts.note(parts.PLUS_MINUS),
            legend(),
            _filters(riders),
            dcc.Store(id="riders-rows", data=rows),
            parts.table("riders-grid", rows, columns(), key="key"),
        ],
        className="riders",
    )


def _filters(riders: Sequence[Document]) -> html.Div:
    coaches = sorted({str(rider["coach"]) for rider in riders if rider["coach"]})
    return html.Div(
        [
            parts.search_field("riders-search", "rider, meter…", debounce=False),
            parts.choice_field("riders-coach", "Coach", coaches, "All coaches"),
        ],
        className="filters",
    )


def _nothing() -> html.Div:
    return parts.empty(
        "No rider is known yet.",
        [
            "Fill in the tables ",
            parts.command("riders"),
            " and ",
            parts.command("assignments"),
            " and load them: a coach sees the riders that the first one names as the coach's own.",
        ],
    )


def headline(riders: Sequence[Document]) -> str:
    """Return how many riders ride a meter whose watts need correcting, or care."""
    riding = [{watts_status(m) for m in rider["meters"]} for rider in riders if rider["meters"]]
    if not riding:
        return "Nobody rides a meter on this day."
    out = sum("out" in found for found in riding)
    due = sum("due" in found and "out" not in found for found in riding)
    verb = "rides" if out == 1 else "ride"
    return (
        f"{out} of {theme.plural(len(riding), 'rider')} {verb} a meter whose watts need "
        f"correcting first, {due or 'no'} more one whose watts are to be taken with care."
    )


def rider_rows(
    view: View, riders: Sequence[Document], doubtful: Mapping[tuple[str, str], str] | None = None
) -> list[Document]:
    """Return one row a rider and meter, the most urgent first; no meter keeps a row too.

    doubtful: since when a rider's meter is in doubt, in words
    """
    known = doubtful or {}
    return [
        {**_row(view, rider, meter), "since": _since(known, rider, meter)}
        for rider in sorted(riders, key=_urgency)
        for meter in (rider["meters"] or [None] * (not rider["left"]))
    ]


def _since(doubtful: Mapping[tuple[str, str], str], rider: Document, meter: Document | None) -> str:
    return doubtful.get((rider["rider_id"], meter["meter_id"]), "") if meter else ""


def _urgency(rider: Document) -> tuple[int, str]:
    order = list(theme.STATUSES)
    worst = [order.index(watts_status(meter)) for meter in rider["meters"]]
    return min(worst, default=len(order)), rider["rider_id"]


def _row(view: View, rider: Document, meter: Document | None) -> Document:
    found = meter or {}
    status = watts_status(found)
    return {
        "key": f"{rider['rider_id']}|{found.get('meter_id')}|{found.get('role')}",
        "rider_id": rider["rider_id"],
        "href": view.link(rider_path(rider["rider_id"])),
        "coach": rider["coach"] or theme.MISSING,
        "meter_id": found.get("meter_id") or theme.MISSING,
        "meter_href": view.link(meter_path(str(found["meter_id"]))) if meter else None,
        "bike": theme.listed(found.get("bike_id"), found.get("role")),
        "status": status,
        "status_word": theme.STATUSES[status].watts if meter else "No meter",
        **parts.gain_error_cells(found),
        "reads_text": reads(found),
        "what": what_to_make_of(found) if meter else "",
    }


def columns() -> list[Document]:
    """Return the table's columns; the narrower the screen, the fewer."""
    return [
        parts.device_column("rider_id", "Rider", width=110),
        parts.word_column("coach", "Coach", width=110, since=1500),
        parts.status_column("Its watts", 168),
        parts.word_column("meter_id", "Meter", flex=1, minWidth=96, maxWidth=240),
        parts.text_column("bike", "Bike, role", width=170, since=820),
        parts.text_column("since", "In doubt since", width=170, since=1080),
        *parts.gain_error_columns(since=560, bar_since=1500),
        parts.word_column(
            "reads_text", "300 W of the rider show as", width=132, since=700, sortable=False
        ),
        parts.text_column("what", "What to make of it", flex=2, minWidth=220, since=1280),
    ]


def register(app: Dash, data: Guarded) -> None:
    """Narrow the table to what is searched for."""

    @app.callback(
        Output("riders-grid", "rowData"),
        Input("riders-search", "value"),
        Input("riders-coach-chosen", "data"),
        State("riders-rows", "data"),
        prevent_initial_call=True,
    )
    def search(text: str | None, coach: str | None, rows: Sequence[Document]) -> list[Document]:
        return narrowed(rows, text, coach)


def narrowed(rows: Sequence[Document], search: str | None, coach: str | None) -> list[Document]:
    """Return the rows that hold every word searched for, of one coach's riders."""
    sought = (search or "").casefold().split()
    return [
        row
        for row in rows
        if (not coach or row["coach"] == coach)
        and all(word in " ".join(str(row[n]) for n in SEARCHED).casefold() for word in sought)
    ]
