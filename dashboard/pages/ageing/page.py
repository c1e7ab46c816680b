"""Ageing: how each group's sensors drift with age and step at battery swaps, and who is unlike."""

from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard import components as parts
from dashboard.navigation import Document, Help, View
from dashboard.pages.ageing.choice import BATCHES, asked_in, controls, query_of
from dashboard.pages.ageing.groups import group_part
from dashboard.pages.ageing.tables import COURSE_COLUMNS, METER_COLUMNS, course_rows, meter_rows
from dashboard.security import Guarded
from models import run
from models.run import EVERYONE

PATH = "/ageing"
TITLE = "Ageing"
PLACE = 35
ROLES = EVERYONE
HELP = Help(
    "see how groups and meters age",
    (
        "Read a group's sentence: what its meters gain or lose in a year, and what a battery "
        "swap does to them.",
        "Look at the first picture: a thin line is one meter's change with its age, resets "
        "added back; the band is the group.",
        "Look for the marks: each is a battery swap, and the step that goes with it stands beside.",
        "Compare the meters' own rates with the control limits: one outside ages unlike its "
        "group, and is named.",
        "Open the table below a picture, or take it along as CSV.",
    ),
)


def layout(data: Guarded, view: View) -> html.Div:
    """Return each group's ageing: in a sentence, drawn, in numbers."""
    if data.on(view.as_of).live()["empty"]:
        nothing = parts.load_first("There are no meters yet whose ageing could be told.")
        return html.Div([html.H1(TITLE), nothing], className="ageing")
    found, asked = data.on(view.as_of).ask(run.ageing), asked_in(view)
    chosen = [group for group in found["groups"] if asked["group"] in (None, group["model_group"])]
    return html.Div(
        [
            html.H1(TITLE),
            parts.as_of_line(view, found["as_of"], None),
            parts.remark(_how_to_read(found)),
            controls(asked, [group["model_group"] for group in found["groups"]]),
            dcc.Download(id="ageing-file"),
            dcc.Store(id="ageing-shown", data=asked),
            *[group_part(view, group, asked) for group in chosen],
        ],
        className="ageing",
    )


def _how_to_read(found: Document) -> str:
    return (
        "Every line is one sensor, with all resets of its slope added back: what it would show "
        "had nobody touched it. Rates are of the year to come. A meter that ages like its group "
        "stays within the control limits; by chance alone "
        f"{found['false_alarms_per_season']:.2g} a season would lie beyond them."
    )


def register(app: Dash, data: Guarded) -> None:
    """Show what is chosen, by the address; hand out the numbers."""

    @app.callback(
        Output("place", "search", allow_duplicate=True),
        Input("ageing-group-chosen", "data"),
        Input("ageing-across-chosen", "data"),
        Input("ageing-batch-chosen", "data"),
        State("ageing-shown", "data"),
        prevent_initial_call=True,
    )
    def choose(group: str | None, across: str | None, batch: str | None, asked: Document) -> Any:
        now = {
            "group": group or None,
            "across": across if across == "calendar" else "age",
            "batch": batch if batch in BATCHES else None,
            "as_of": asked["as_of"],
        }
        return no_update if now == dict(asked) else query_of(now)

    @app.callback(
        Output("ageing-file", "data"),
        Input("ageing-meters-csv", "n_clicks"),
        Input("ageing-courses-csv", "n_clicks"),
        State("ageing-shown", "data"),
        prevent_initial_call=True,
    )
    def save(meters: int | None, courses: int | None, asked: Document) -> Any:
        if not (meters or courses):
            return no_update
        found = data.on(asked["as_of"]).ask(run.ageing)
        if ctx.triggered_id == "ageing-courses-csv":
            return parts.csv_file("ageing-courses", course_rows(found), COURSE_COLUMNS)
        return parts.csv_file("ageing-meters", meter_rows(found), METER_COLUMNS)
