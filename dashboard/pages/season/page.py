"""Season: who goes to the bench in which week, against the races; moved, pinned, saved."""

from datetime import date
from typing import Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.components import arrived, arriving, show_arrived
from dashboard.navigation import Document, Help, View
from dashboard.pages.season import entries
from dashboard.pages.season.board import board, visit_dialog
from dashboard.pages.season.entries import entries_part
from dashboard.pages.season.load import load_part
from dashboard.pages.season.rest import pinned_part, unplanned_part
from dashboard.security import Guarded
from dashboard.service import Progress, asked_of
from models import run
from models.run import EVERYONE

PATH = "/season"
TITLE = "Season"
PLACE = 30
ROLES = EVERYONE
HELP = Help(
    "plan the bench for a season",
    (
        "Choose the first and the last day and the slots a week, and press “Plan this period”.",
        "Read how many visits there are, what they cost, and how many days out of tolerance "
        "remain.",
        "Drag a visit to another week, or press it and choose one: it is pinned there, and "
        "the rest is planned around it.",
        "Open a week's bench list and print its sheet.",
        "Take the plan along as a calendar file or as CSV.",
    ),
)
CSV_COLUMNS = (
    *("week", "meter_id", "rider_id", "pinned", "deadline", "p_within_tolerance_before"),
    *("days_out_prevented", "money_saved", "cost", "reason"),
)


def layout(data: Guarded, view: View) -> html.Div:
    """Return the page's frame; the plan itself arrives later."""
    season = data.on(view.as_of).ask(run.season)
    nothing = "There are no meters to plan for yet."
    return parts.season_page(
        TITLE, view, season, lambda: _body(data, view, season), nothing=nothing
    )


def _body(data: Guarded, view: View, season: Document) -> list[Any]:
    asked, status = asked_in(view, season), data.on(view.as_of).ask(run.status)
    return [
        _controls(asked),
        parts.race_eve_part(status.get("race_eve") or [], status["as_of"]),
        dcc.Store(id="season-move"),
        dcc.Store(id="season-settled"),
        dcc.Download(id="season-file"),
        arriving("season", asked, stops=True),
        entries_part(data, view),
        visit_dialog(),
    ]


def asked_in(view: View, season: Document) -> Document:
    """Return the period and slots that the address asks for, else the season's own."""
    slots = view.query.get("slots", "")
    return {
        "first": theme.iso(view.query.get("from")) or season["first"],
        "last": theme.iso(view.query.get("to")) or season["last"],
        "slots": int(slots) if slots.isdecimal() else None,
        "as_of": view.as_of,
    }


def query_of(asked: Document) -> str:
    """Return the part of an address that asks for the same plan."""
    named = {"from": asked["first"], "to": asked["last"], "slots": asked["slots"]}
    named["as_of"] = asked["as_of"]
    return urlencode({key: value for key, value in named.items() if value is not None})


def _controls(asked: Document) -> html.Div:
    slots = dcc.Input(
        id="season-slots",
        type="number",
        min=0,
        max=99,
        step=1,
        value=asked["slots"],
        placeholder="as it is",
    )
    return html.Div(
        [
            parts.date_field("season-from", "From", asked["first"]),
            parts.date_field("season-to", "To", asked["last"]),
            parts.field("season-slots", "Bench slots a week", slots),
            html.Button("Plan this period", id="season-again", n_clicks=0),
            html.Div(
                [
                    html.Button("Calendar file", id="season-ics", className="quiet", n_clicks=0),
                    html.Button("Save as CSV", id="season-csv", className="quiet", n_clicks=0),
                ],
                className="filter-end",
            ),
        ],
        className="filters",
    )


def draw(plan: Document, asked: Document) -> list[Any]:
    """Return the plan that has arrived."""
    return [
        html.P(headline(plan), className="headline"),
        *[parts.remark(theme.sentence(text)) for text in [*plan["notes"], *plan["lacks"]]],
        *[second_visit(row, plan["cost"]["currency"]) for row in plan["second_visits"]],
        board(plan, query_of(asked)),
        load_part(plan),
        pinned_part(plan["pins"], plan["idle_pins"]),
        unplanned_part(plan, asked["as_of"]),
    ]


def headline(plan: Document) -> str:
    """Return what the plan does, in two sentences."""
    cost, days = plan["cost"], plan["days_out_of_tolerance"]
    left, without = (theme.number(days[key], 0) for key in ("plan", "without_visits"))
    if not plan["visits"]:
        return f"No visit is planned. About {without} days would be ridden out of tolerance."
    visits = theme.plural(len(plan["visits"]), "visit")
    return (
        f"{visits} for {theme.money(cost['visits'], cost['currency'])}. About {left} days ridden "
        f"out of tolerance remain; without any visit it would be {without}."
        f"{with_mishaps(plan.get('with_mishaps'))}"
    )


def with_mishaps(struck: Document | None) -> str:
    """Return what knocks and wrong entries add to a plan's days, in a sentence."""
    if not struck:
        return ""
    low, high = (theme.number(day, 0) for day in struck["interval90"])
    return (
        " With knocks, wrong settings and wrong entries as often as the team has had them, about "
        f"{theme.number(struck['days'], 0)} days (90{theme.NBSP}%: {low} to {high})."
    )


def second_visit(row: Document, unit: str | None) -> html.P:
    """Return what a further visit of a pinned meter would be worth, and the button for it."""
    saves, costs = theme.money(row["money_saved"], unit), theme.money(row["cost"], unit)
    week = theme.day(row["week"])
    return html.P(
        [
            f"{row['meter_id']} comes as it is pinned. A second visit in the week of {week} would "
            f"save another {saves} of risk and cost {costs}. ",
            html.Button(
                "Plan it too",
                className="quiet second-visit",
                n_clicks=0,
                **parts.facts_of(meter=row["meter_id"], week=row["week"]),
                **parts.aria(label=f"Plan a second visit of {row['meter_id']} in week of {week}"),
            ),
        ],
        className="remark",
    )


def register(app: Dash, data: Guarded) -> None:
    """Draw the plan once it is there, move visits, hand the plan out as a file."""
    entries.register(app, data)
    parts.in_browser(
        app,
        "settled",
        Output("season-settled", "data"),
        Input("season-body", "children"),
        Input("shell-notice", "children"),  # a move that was refused
        at_start=False,
    )

    def move(asked: Document) -> None:
        away, to = (_day(asked.get(name)) for name in ("away", "to"))
        keep = [date.fromisoformat(day) for day in asked.get("keep") or ()]
        data.ask(run.move_visit, asked["meter_id"], away=away, to=to, keep=keep)

    show_arrived(
        app,
        "season",
        lambda asked: arrived(_planned(data, asked), lambda plan: draw(plan, asked)),
        stop=lambda asked: data.on(asked["as_of"]).cancel(run.plan, _season(asked)),
        after=(Input("season-move", "data"), move),
    )

    @app.callback(
        Output("season-file", "data"),
        Input("season-ics", "n_clicks"),
        Input("season-csv", "n_clicks"),
        State("season-asked", "data"),
        prevent_initial_call=True,
    )
    def save(_ics: int, _csv: int, asked: Document) -> Any:
        if not ctx.triggered[0]["value"]:
            return no_update
        if ctx.triggered_id == "season-ics":
            text = data.on(asked["as_of"]).ask(run.plan_calendar, _season(asked))
            return parts.text_file("bench-plan.ics", text, "text/calendar")
        told = _planned(data, asked)
        if told["document"] is None:
            return no_update
        rows = [_rounded(row) for row in told["document"]["visits"]]
        return parts.csv_file("bench-plan", rows, CSV_COLUMNS)


def _planned(data: Guarded, asked: Document) -> Progress[run.PlanAnswer]:
    """Return what there is of the plan of a period."""
    return data.on(asked["as_of"]).later(run.plan, _season(asked))


def _season(asked: Document) -> run.SeasonAsk:
    return asked_of(asked["first"], asked["last"], asked["slots"])


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _rounded(row: Document) -> Document:
    """Return the row with meaningful digits: p to 0.001, days to 0.1, money to 0.01."""
    digits = {"p_within_tolerance_before": 3, "days_out_prevented": 1}
    return {
        key: round(value, digits.get(key, 2)) if isinstance(value, float) else value
        for key, value in row.items()
    }
