"""Season: who goes to the bench in which week, against the races; moved, pinned, taken along."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard import components, theme
from dashboard import components as parts
from dashboard.components import arrived, arriving, date_field
from dashboard.navigation import Document, Door, View
from dashboard.pages.season.board import board, visit_dialog
from dashboard.pages.season.rest import pinned_part, race_eve_part, unplanned_part

PATH = "/season"
TITLE = "Season"
PLACE = 30
CSV_COLUMNS = (
    *("week", "meter_id", "rider_id", "pinned", "deadline", "p_within_tolerance_before"),
    *("days_out_prevented", "money_saved", "cost", "reason"),
)


def layout(data: Door, view: View) -> html.Div:
    """The page's frame; the plan itself arrives later."""
    season = data.season(view.as_of)
    head = [html.H1(TITLE), parts.as_of_line(view, season["as_of"], season.get("today_note"))]
    if season["empty"]:
        return html.Div([*head, _nothing_loaded()], className="season")
    asked = asked_in(view, season)
    return html.Div(
        [
            *head,
            _controls(asked),
            race_eve_part(data.status(view.as_of).get("race_eve") or []),
            dcc.Store(id="season-move"),
            dcc.Store(id="season-settled"),
            dcc.Download(id="season-file"),
            arriving("season", asked),
            visit_dialog(),
        ],
        className="season",
    )


def _nothing_loaded() -> html.Div:
    return parts.empty(
        "There are no meters to plan for yet.",
        ["Load the team's tables: ", parts.command("slopewatch load FOLDER"), "."],
    )


def asked_in(view: View, season: Document) -> Document:
    """The period and slots that the address asks for, else the season's own."""
    slots = view.query.get("slots", "")
    return {
        "first": theme.iso(view.query.get("from")) or season["first"],
        "last": theme.iso(view.query.get("to")) or season["last"],
        "slots": int(slots) if slots.isdecimal() else None,
        "as_of": view.as_of,
    }


def query_of(asked: Document) -> str:
    """The part of an address that asks for the same plan."""
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
        placeholder="as listed",
    )
    return html.Div(
        [
            date_field("season-from", "From", asked["first"]),
            date_field("season-to", "To", asked["last"]),
            html.Div(
                [html.Label("Bench slots a week", htmlFor="season-slots"), slots],
                className="field",
            ),
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


def draw(told: Document, asked: Document) -> list[Any]:
    """The plan that has arrived."""
    plan = told["document"]
    return [
        html.P(headline(plan), className="headline"),
        *_remarks(plan),
        *[html.P(line, className="warn") for line in second_visits(plan)],
        board(plan, query_of(asked)),
        pinned_part(told["pins"], plan["idle_pins"]),
        unplanned_part(plan, asked["as_of"]),
    ]


def headline(plan: Document) -> str:
    """What the plan does, in two sentences."""
    cost, days = plan["cost"], plan["days_out_of_tolerance"]
    unit = f"{theme.NBSP}{cost['currency']}" if cost["currency"] else ""
    visits = theme.plural(len(plan["visits"]), "visit")
    left, without = (theme.number(days[key], 0) for key in ("plan", "without_visits"))
    if not plan["visits"]:
        return f"No visit is planned. About {without} days would be ridden out of tolerance."
    return (
        f"{visits} for {theme.number(cost['visits'], 0)}{unit}. About {left} days ridden out of "
        f"tolerance remain; without any visit it would be {without}."
    )


def second_visits(plan: Document) -> list[str]:
    """Why a meter that is pinned to a week keeps another visit, and what the pin itself brings."""
    unit = plan["cost"]["currency"] or ""
    said = []
    for pin in (visit for visit in plan["visits"] if visit.get("pinned")):
        for other in plan["visits"]:
            if other["meter_id"] == pin["meter_id"] and not other.get("pinned"):
                said.append(
                    f"{pin['meter_id']} is pinned to the week of {theme.day(pin['week'])}; a "
                    f"second visit stays in the week of {theme.day(other['week'])}, because it "
                    f"spares {_money(other['money_saved'], unit)} more and costs "
                    f"{_money(other['cost'], unit)}. The pinned one spares "
                    f"{_money(pin['money_saved'], unit)} beside it and costs "
                    f"{_money(pin['cost'], unit)}."
                )
    return said


def _money(value: float, unit: str) -> str:
    return f"{theme.number(value, 0)}{theme.NBSP}{unit}".strip()


def _remarks(plan: Document) -> list[html.P]:
    said = [*plan.get("notes", []), *plan.get("lacks", [])]
    return [html.P(theme.sentence(text), className="remark") for text in said]


def register(app: Dash, data: Door) -> None:
    """The plan arrives, visits move, the plan is taken away as a file."""
    browser: Any = app
    browser.clientside_callback(
        ClientsideFunction("season", "settled"),
        Output("season-settled", "data"),
        Input("season-body", "children"),
        Input("shell-notice", "children"),  # a move that was refused
        prevent_initial_call=True,
    )

    @app.callback(
        Output("season-body", "children"),
        Output("season-progress", "children"),
        Output("season-tick", "disabled"),
        Output("season-body", "className"),
        Input("season-asked", "data"),
        Input("season-tick", "n_intervals"),
        Input("season-move", "data"),
    )
    def show(asked: Document, _ticks: int | None, move: Document | None) -> tuple[Any, ...]:
        if ctx.triggered_id == "season-move" and move:
            data.move_visit(move["meter_id"], away=move.get("away"), to=move.get("to"))
        told = data.plan(asked["first"], asked["last"], asked["slots"], asked["as_of"])
        body, progress, still = arrived(told, lambda _plan: draw(told, asked))
        return body, progress, still, "" if still else "stale"

    @app.callback(
        Output("season-file", "data"),
        Input("season-ics", "n_clicks"),
        Input("season-csv", "n_clicks"),
        State("season-asked", "data"),
        prevent_initial_call=True,
    )
    def save(_ics: int, _csv: int, asked: Document) -> Any:
        period = (asked["first"], asked["last"], asked["slots"], asked["as_of"])
        if not ctx.triggered[0]["value"]:
            return no_update
        if ctx.triggered_id == "season-ics":
            text = data.plan_calendar(*period)
            return components.text_file("bench-plan.ics", text, "text/calendar")
        told = data.plan(*period)
        if told["state"] != "done":
            return no_update
        rows = [_rounded(row) for row in told["document"]["visits"]]
        return components.csv_file("bench-plan", rows, CSV_COLUMNS)


def _rounded(row: Document) -> Document:
    """Digits that mean something: a chance to 0.001, days to 0.1, money to 0.01."""
    digits = {"p_within_tolerance_before": 3, "days_out_prevented": 1}
    return {
        key: round(value, digits.get(key, 2)) if isinstance(value, float) else value
        for key, value in row.items()
    }
