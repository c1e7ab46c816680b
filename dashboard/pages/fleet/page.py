"""Fleet: who is out, due, soon or unknown, why, and what to do next."""

from collections.abc import Hashable
from typing import Any

from dash import ALL, Dash, Input, Output, State, dcc, html

from dashboard import components as parts
from dashboard.navigation import Help, View
from dashboard.pages.fleet import planned
from dashboard.pages.fleet.devices import devices_part
from dashboard.pages.fleet.glance import alarms_part, headline_part
from dashboard.pages.fleet.meters import meters_part
from dashboard.pages.fleet.picture import picture_part
from dashboard.security import Guarded, person_asking
from dashboard.service import Live
from models import run
from models.run import EVERYONE, OWNER

PATH = "/"
TITLE = "Fleet"
PLACE = 10
ROLES = EVERYONE
HELP = Help(
    "see who needs the bench",
    (
        "Read the headline: it counts the meters that are out, due or soon.",
        "Look at the picture: each bar is one meter's 90 % interval, the band its tolerance. "
        "Press a bar for the meter's page.",
        "Press a count, or choose a rider or a group, to see only those. The address keeps "
        "the choice, so you can send it.",
        "Press a row to read why a meter stands there and what to do next.",
        "Open the meter: from there a mechanic takes it to the bench.",
    ),
)


def drawn_from(data: Guarded, view: View) -> Hashable:
    """Return what differs when the page would: the fleet's answers, and what is going on."""
    return data.on(view.as_of).answered()


def layout(data: Guarded, view: View) -> html.Div:
    """Return the fleet as the store knows it on the day looked from."""
    live = data.on(view.as_of).live()
    if live["empty"]:
        return html.Div([html.H1(TITLE), _nothing_loaded()], className="fleet")
    status = data.on(view.as_of).ask(run.status)
    day = parts.as_of_line(view, status["as_of"], status.get("today_note"))
    return html.Div(
        [
            html.Div([html.H1(TITLE), headline_part(status), day], className="fleet-head"),
            *_fit_notes(live),
            picture_part(status),
            meters_part(view, status),
            planned.planned_part(view, status),
            alarms_part(view, status),
            devices_part(status),
        ],
        className="fleet",
    )


def _nothing_loaded() -> html.Div:
    intake = parts.link("Intake", "/intake")
    ways: list[list[Any]] = [
        ["Somebody keeps a sheet of bench sessions: drop it on ", intake, ", as it is. You are "
         "asked what its columns mean where that is not certain."],
        ["You begin with a few meters: type them in on ", intake, " (“Type a meter in”), then hang "
         "a mass at the ", parts.link("Bench", "/bench"), " and save. The first verdict stands "
         "there at once; here each meter has its status a moment later."],
        ["You have tables: ", parts.command("slopewatch load FOLDER"), " reads a folder of them; ",
         parts.command("slopewatch template FOLDER"), " writes empty ones to fill in."],
        _look_around(),
    ]  # fmt: skip
    return html.Div(
        [
            parts.empty("Nothing is loaded yet.", "Four ways to begin; each can follow another."),
            html.Ol([html.Li(way) for way in ways], className="first-ways"),
        ]
    )


def _look_around() -> list[Any]:
    """Return the way into the demo: a button for whom the dashboard belongs to."""
    said = "You want to look around first: "
    if person_asking().role != OWNER:
        return [said, "ask an owner to show you the demo, a made-up team."]
    return [said, parts.demo_button(), " A made-up team in a store of its own. You leave it by a "
            "button, and nothing of it gets into yours."]  # fmt: skip


def _fit_notes(live: Live) -> list[html.P]:
    if not live["behind"]:
        return []
    if live["working"]:
        said = "New data are being taken in; the numbers below will follow without a reload."
        return [html.P(said, className="note", role="status")]
    offered: list[Any] = [
        "New data came in that the numbers below do not include yet: refit on the ",
        dcc.Link("Intake page", href="/intake"),
        ".",
    ]
    return [parts.warning(offered, role="status")]


def register(app: Dash, data: Guarded) -> None:
    """Register what happens in the browser; of the server only the plan is asked."""
    planned.register(app, data)
    parts.in_browser(
        app,
        "chooseFilters",
        Output("fleet-statuses", "data"),
        Output("fleet-search", "value"),
        Output("fleet-group-chosen", "data"),
        Output("fleet-rider-chosen", "data"),
        Input("fleet-rows", "data"),
        Input({"type": "fleet-status", "status": ALL}, "n_clicks"),
        Input("fleet-clear", "n_clicks"),
        State("fleet-statuses", "data"),
    )
    parts.in_browser(
        app,
        "filterFleet",
        Output("fleet-grid", "rowData"),
        Output("fleet-shown", "children"),
        Output("fleet-clear", "hidden"),
        Output({"type": "fleet-status", "status": ALL}, "aria-pressed"),
        Input("fleet-rows", "data"),
        Input("fleet-search", "value"),
        Input("fleet-statuses", "data"),
        Input("fleet-group-chosen", "data"),
        Input("fleet-rider-chosen", "data"),
    )
    clicked = Input("fleet-grid", "cellClicked")
    parts.in_browser(app, "openClicked", clicked, at_start=False)
    parts.in_browser(app, "saveCsv", Input("fleet-csv", "n_clicks"), at_start=False)
