"""Races, camps, closures and bench capacity, entered on the season page."""

from typing import Any

from dash import ALL, Dash, Input, Output, State, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import View
from dashboard.security import Guarded
from models import run
from models.run import Noted

FIELDS = (
    *("entry-what-chosen", "entry-name", "entry-first-chosen", "entry-last-chosen"),
    *("room-slots", "room-workshop", "room-first-chosen", "room-last-chosen"),
)


def entries_part(data: Guarded, view: View) -> html.Section | None:
    """Return the forms; None for a past day, and for whoever may not enter them."""
    if view.as_of or not data.may(run.note_calendar):
        return None
    return parts.section(
        "Calendar and capacity",
        html.Div(
            [
                _form("entry", "Enter a race, a camp or a closure", _entry_fields()),
                _form("room", "Enter what the bench can take", _room_fields()),
            ],
            className="where-forms",
        ),
        html.Div(id="season-entry-said", **parts.aria(live="polite")),
        name="season-entries",
        note="Days of the whole team's races and camps take their part of a week's slots away; a "
        "closure all of them. Where the crew is away otherwise, enter 0 slots a week for those "
        "days. The same name (or workshop) and first day change an entry that there is.",
    )


def _form(what: str, title: str, fields: list[Any]) -> html.Details:
    button = html.Button("Note it", id={"type": "season-entry", "do": what}, n_clicks=0)
    return html.Details(
        [html.Summary(title), html.Div([*fields, button], className="confirm")],
        className="no-print",
    )


def _entry_fields() -> list[Any]:
    kinds = parts.pick("season-entry-what", [(kind, theme.title(kind)) for kind in run.KINDS])
    name = dcc.Input(id="season-entry-name", type="text", value="", autoComplete="off")
    return [
        parts.field("season-entry-what", "What it is", kinds),
        parts.field("season-entry-name", "Name", name),
        *_days("entry"),
    ]


def _room_fields() -> list[Any]:
    slots = dcc.Input(id="season-room-slots", type="number", min=0, max=1000, step=1)
    workshop = dcc.Input(id="season-room-workshop", type="text", value="", autoComplete="off")
    return [
        parts.field("season-room-slots", "Bench slots a week", slots),
        parts.field("season-room-workshop", "Workshop (may stay empty)", workshop),
        *_days("room"),
    ]


def _days(what: str) -> list[html.Div]:
    return [
        parts.date_field(f"season-{what}-{end}", label, "", told=True)
        for end, label in (("first", "First day"), ("last", "Last day"))
    ]


def noted(data: Guarded, what: str, cells: dict[str, Any]) -> Noted:
    """Enter what a form holds; return what was written."""
    first, last = (cells[f"{what}-{end}-chosen"] or "" for end in ("first", "last"))
    if what == "room":
        return data.ask(run.note_capacity, cells["room-slots"], first, last, cells["room-workshop"])
    kind = cells["entry-what-chosen"] or run.KINDS[0]
    return data.ask(run.note_calendar, kind, cells["entry-name"] or "", first, last)


def said(done: Noted) -> html.Div:
    """Return what was noted, with the ways to plan with it and to take it back."""
    numbers = ",".join(map(str, done["import_ids"]))
    undo = {"type": "season-entry-undo", "imports": numbers}
    return html.Div(
        [
            parts.done(f"Noted in {theme.listed(*done['tables'])}."),
            html.A("Plan with it", href="/season", className="button-like"),
            html.Button("Take it back", id=undo, className="quiet", n_clicks=0),
        ],
        className="confirm",
    )


def register(app: Dash, data: Guarded) -> None:
    """Note an entry, and take it back."""

    @app.callback(
        Output("season-entry-said", "children"),
        Input({"type": "season-entry", "do": ALL}, "n_clicks"),
        Input({"type": "season-entry-undo", "imports": ALL}, "n_clicks"),
        *(State(f"season-{n}", "data" if n.endswith("-chosen") else "value") for n in FIELDS),
        prevent_initial_call=True,
    )
    def note(_do: Any, _undo: Any, *given: Any) -> Any:
        match parts.clicked():
            case {"type": "season-entry", "do": what}:
                return said(noted(data, what, dict(zip(FIELDS, given, strict=True))))
            case {"type": "season-entry-undo", "imports": numbers}:
                data.ask(run.take_back_calendar, [int(n) for n in numbers.split(",")])
                return parts.done("Taken back. Load the page again to plan without it.")
        return no_update
