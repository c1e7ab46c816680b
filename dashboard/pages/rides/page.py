"""Rides: two recordings of one ride in, one number with its interval out, kept or discarded."""

from dash import Dash, dcc, html

from dashboard import components as parts
from dashboard.navigation import Help, View
from dashboard.pages.rides import calls
from dashboard.pages.rides.lists import kept_part, waiting_part
from dashboard.security import Guarded
from models import run
from models.run import COACH, MECHANIC, OWNER

PATH = "/rides"
TITLE = "Rides"
PLACE = 25
ROLES = (MECHANIC, COACH, OWNER)
HELP = Help(
    "compare a meter with a trainer on a ride",
    (
        "Zero the meter, warm both up, and ride for twenty minutes or more in steps that go "
        "up and down. Record both.",
        "Drop the two recordings here, as FIT, TCX or CSV.",
        "Say which is the meter's where the page cannot tell; “Swap the two” exchanges them.",
        "Read the difference with its interval, and what the page warns of.",
        "Press “Keep” and the fleet takes the comparison in, or “Discard” and nothing of it stays.",
    ),
)


def layout(data: Guarded, view: View) -> html.Div:
    """Return where recordings are dropped, the pairs that wait, the comparisons that were kept."""
    return html.Div(
        [
            html.H1(TITLE),
            _drop(),
            html.Div(id="rides-pair"),
            dcc.Loading(
                html.Div(id="rides-answer", **parts.aria(live="polite")),
                delay_show=400,
                custom_spinner=html.P("Comparing…", className="work"),
            ),
            html.Div(id="rides-said", role="status"),
            html.Div(waiting_part(data.ask(run.rides_waiting)), id="rides-waiting"),
            html.Div(kept_part(view, data.ask(run.rides_kept)), id="rides-kept"),
            dcc.Store(id="rides-ticket"),
            dcc.Store(id="rides-seen"),
            dcc.Store(id="rides-chosen"),
            dcc.Interval(id="rides-tick", interval=500, disabled=True),
        ],
        className="rides",
    )


def _drop() -> html.Section:
    return parts.section(
        "Compare two recordings of one ride",
        parts.dropzone("rides-upload", "Choose recordings, or drop them here"),
        html.Div(id="rides-work", role="status"),
        name="rides-drop",
        note="One recording from the meter, one from its reference: a trainer or a second meter. "
        "Files can be FIT, TCX, or CSV with the columns time, power_w, cadence_rpm; a whole folder "
        "works too. Files that overlap in time are proposed as pairs. Nothing is stored until you "
        f"keep it. {parts.PLUS_MINUS}",
    )


def register(app: Dash, data: Guarded) -> None:
    """Register the page's callbacks."""
    calls.register_drop(app, data)
    calls.register_choice(app, data)
    calls.register_answer(app, data)
    calls.register_decision(app, data)
