"""The bench page: its frame, and what answers the browser.

The form and its arithmetic run in the browser (assets/bench/) on the data sent with the
page; the server judges in full and saves when it can be reached.
"""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Input, Output, dcc, html

from dashboard import components as parts
from dashboard.navigation import Help, View
from dashboard.pages.bench.alone import alone
from dashboard.pages.bench.answers import answers
from dashboard.pages.bench.given import given
from dashboard.pages.bench.papers import papers
from dashboard.security import Guarded
from models.run import MECHANIC, OWNER

PATH = "/bench"
TITLE = "Bench"
PLACE = 20
ROLES = (MECHANIC, OWNER)
HELP = Help(
    "measure a meter and correct its slope",
    (
        "Keep hands and feet from under the masses, clamp the bike, lock the wheel, keep "
        "button cells away from children. The maker's instructions and the workshop's rules "
        "come before this page.",
        "Choose the meter, the mass set and the place. Measure the crank from axle to pedal "
        "axle, and type the slope that the meter shows.",
        "Type the zero with nothing on the crank. Then hang the masses on each arm and ring, "
        "the crank level, and type what the meter shows.",
        "Look at whatever the page names before you change anything: put it right, and hang again.",
        "Enter a new slope only where the page says “Reset the slope”. Check as left, and save.",
    ),
)


def layout(data: Guarded, view: View) -> html.Div:
    """Return the page's frame and its data; the browser builds the rest."""
    kit = given(data)
    if not kit["meters"]:
        return html.Div([html.H1(TITLE), _nothing_loaded()])
    return html.Div(
        [
            html.H1(TITLE, className="unseen"),
            dcc.Store(id="bench-kit", data={**kit, "asked": view.query.get("meter")}),
            dcc.Store(id="bench-opened"),
            html.Div(html.P("Laying out the bench…", className="waiting"), id="bench-screen"),
            html.Div(id="bench-paper"),
        ],
        className="bench",
    )


def _nothing_loaded() -> html.Div:
    tables = ("meters", "mass_sets", "places", "installations")
    first, sets, places, fitted = map(parts.command, tables)
    return parts.empty(
        "No meter is known yet.",
        ["Load the table ", first, " first, best with ", sets, ", ", places, " and ", fitted, "."],
    )


def register(app: Any, data: Guarded) -> None:
    """Start the page in the browser; answer what it sends."""
    app.clientside_callback(
        ClientsideFunction("slopewatch_bench", "open"),
        Output("bench-opened", "data"),
        Input("bench-kit", "data"),
    )
    for rule, name, view, methods in (*answers(data), *papers(data), *alone()):
        app.server.add_url_rule(rule, name, view, methods=methods)
