"""Method: how the numbers come about, and how far they can be trusted."""

from dash import Dash, html

from dashboard import components as parts
from dashboard.components import arrived, arriving, show_arrived
from dashboard.navigation import Help, View
from dashboard.pages.method.fit import fit_part, numbers_part
from dashboard.pages.method.look_back import hindcast_parts
from dashboard.pages.method.model_check import diagnostic_parts
from dashboard.security import Guarded
from models import run
from models.run import EVERYONE

PATH = "/method"
TITLE = "Method"
PLACE = 90
ROLES = EVERYONE
HELP = Help(
    "check how far the numbers can be believed",
    (
        "See whether the last fit settled, and on how many readings it rests.",
        "Look back: of the bench sessions forecast with 90 %, about nine in ten should have "
        "been right.",
        "Read the checks of the model: each says what it looks for and what it found.",
        "See how large a step has to be to be found, and how soon.",
        "Where a number matters, hang a mass: no model replaces a measurement.",
    ),
)
TRUST = (
    "How far to trust the numbers: below, every past bench session is forecast from what was known "
    "before it, and compared with what was then found. Trust them less for a meter with fewer than "
    "two bench sessions, after a fall or a repair that nobody noted, and for a kind of meter of "
    "which the team has few."
)
WORDS = (
    "Every sensor has a level, drifts at its own rate, steps at battery swaps and wanders a little "
    "(random walk). A bench session shows the sensor's level minus the programmed slope, plus the "
    "errors that sessions with the same mass set, place or crank share. A ride comparison shows "
    "one meter minus one trainer, plus what belongs to that pair.",
    "All of this is estimated together from the team's own data, so that a trainer that jumps does "
    "not make its meters look wrong. Single records far from all others are down-weighted, and "
    "named.",
    "A meter is due on the first day on which the probability that it is within tolerance falls "
    "below the team's target.",
)


def layout(data: Guarded, view: View) -> html.Div:
    """Return the page; the look back arrives later."""
    method = data.ask(run.method)
    title = html.H1(TITLE)
    if not method.get("population"):
        return html.Div([title, parts.load_first("Nothing is fitted yet.")])
    return html.Div(
        [
            title,
            parts.remark(TRUST),
            parts.note(parts.PLUS_MINUS),
            arriving("method", {"as_of": view.as_of}, stops=True),
            html.Section(
                [html.H2("How the numbers come about"), *map(parts.remark, WORDS)], className="part"
            ),
            fit_part(method),
            numbers_part(method),
            *diagnostic_parts(method.get("diagnostics") or {}),
        ]
    )


def register(app: Dash, data: Guarded) -> None:
    """Draw the look back once it is there."""

    show_arrived(
        app,
        "method",
        lambda asked: arrived(data.on(asked["as_of"]).later(run.hindcast), hindcast_parts),
        stop=lambda asked: data.on(asked["as_of"]).cancel(run.hindcast),
    )
