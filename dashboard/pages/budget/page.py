"""Budget: what the season costs and why, what to replace, what each further visit would buy."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import components, theme
from dashboard import components as parts
from dashboard.components import arrived, arriving, date_field
from dashboard.navigation import Document, Door, View
from dashboard.pages.budget.parts import draw_budget, draw_policies

PATH = "/budget"
TITLE = "Budget"
PLACE = 50
WHAT_IF = (
    # query, label, lowest, highest, step, unit of what is kept
    ("tolerance", "Tolerance, ± %", 0.1, 10.0, 0.1),
    ("target", "Reliability target, %", 50.0, 99.0, 1.0),
    ("slots", "Bench slots a week", 0.0, 99.0, 1.0),
)
CSV_COLUMNS = (
    *("meter_id", "cost", "cost_lo90", "cost_hi90", "keep_or_replace"),
    *("holding_cost_per_year", "new_holding_cost_per_year", "gain_if_replaced"),
    *("gain_lo90", "gain_hi90", "chance_pays", "find_out_first", "reason"),
)


def layout(data: Door, view: View) -> html.Div:
    """The page's frame; money and policies arrive later."""
    season = data.season(view.as_of)
    head = [html.H1(TITLE), parts.as_of_line(view, season["as_of"], season.get("today_note"))]
    if season["empty"]:
        nothing = parts.empty(
            "There is no fleet to price yet.",
            ["Load the team's tables: ", parts.command("slopewatch load FOLDER"), "."],
        )
        return html.Div([*head, nothing], className="budget")
    asked = asked_in(view, season)
    tolerance = {"tolerance": asked["tolerance"], "as_of": asked["as_of"]}
    return html.Div(
        [
            *head,
            _controls(asked | _refused(view)),
            *[html.P(text, className="warn", role="alert") for text in refusals(view)],
            dcc.Download(id="budget-file"),
            arriving("budget", asked, _before(data, asked)),
            arriving("policies", tolerance),
        ],
        className="budget",
    )


def asked_in(view: View, season: Document) -> Document:
    """The period and the what-if that the address asks for; None: as things stand."""
    return {
        "first": theme.iso(view.query.get("from")) or season["first"],
        "last": theme.iso(view.query.get("to")) or season["last"],
        "as_of": view.as_of,
        **{name: _asked(view, name, low, high) for name, _, low, high, _ in WHAT_IF},
    }


def _before(data: Door, asked: Document) -> Any:
    """The budget as it is, to look at until what is asked for is there; None if unknown yet."""
    if not any(value is not None for value in supposed(asked).values()):
        return None
    as_is = data.budget(asked["first"], asked["last"], as_of=asked["as_of"])
    return draw_budget(as_is["document"], None, asked) if as_is["state"] == "done" else None


def _refused(view: View) -> Document:
    """What was entered and is not taken, to stay in its field."""
    names = [name for name, _, low, high, _ in WHAT_IF if _asked(view, name, low, high) is None]
    return {name: view.query[name] for name in names if view.query.get(name)}


def refusals(view: View) -> list[str]:
    """Why what was entered is not taken, a sentence a field."""
    limits = {name: (label, low, high) for name, label, low, high, _ in WHAT_IF}
    return [
        f"{limits[name][0]}: found {found}, expected {limits[name][1]:g} to {limits[name][2]:g}. "
        "It is left out of what is shown."
        for name, found in _refused(view).items()
    ]


def _asked(view: View, name: str, low: float, high: float) -> float | None:
    try:
        value = float(view.query.get(name, "").replace(",", "."))
    except ValueError:
        return None
    return value if low <= value <= high else None


def supposed(asked: Document) -> Document:
    """The what-if as the door takes it."""
    slots, target = asked["slots"], asked["target"]
    return {
        "slots": None if slots is None else int(slots),
        "tolerance_pct": asked["tolerance"],
        "target": None if target is None else target / 100,
    }


def _controls(asked: Document) -> html.Div:
    fields = [
        html.Div(
            [
                html.Label(label, htmlFor=f"budget-{name}"),
                dcc.Input(
                    id=f"budget-{name}",
                    type="number",
                    min=low,
                    max=high,
                    step=step,
                    value=asked[name],
                    placeholder="as it is",
                ),
            ],
            className="field",
        )
        for name, label, low, high, step in WHAT_IF
    ]
    return html.Div(
        [
            date_field("budget-from", "From", asked["first"]),
            date_field("budget-to", "To", asked["last"]),
            html.Fieldset([html.Legend("What if"), *fields], className="what-if"),
            html.Button("Work it out", id="budget-again", n_clicks=0),
            html.Div(
                [
                    html.Button("As it is", id="budget-reset", className="quiet", n_clicks=0),
                    html.Button("Save as CSV", id="budget-csv", className="quiet", n_clicks=0),
                    html.Button("Print", id="budget-print", className="quiet", n_clicks=0),
                ],
                className="filter-end",
            ),
        ],
        className="filters",
    )


def register(app: Dash, data: Door) -> None:
    """Money and policies arrive; the meters' costs are taken along."""

    @app.callback(
        Output("budget-body", "children"),
        Output("budget-progress", "children"),
        Output("budget-tick", "disabled"),
        Output("budget-body", "className"),
        Input("budget-asked", "data"),
        Input("budget-tick", "n_intervals"),
    )
    def show(asked: Document, _ticks: int | None) -> tuple[Any, ...]:
        what_if = supposed(asked)
        period = (asked["first"], asked["last"])
        told = data.budget(*period, **what_if, as_of=asked["as_of"])
        as_is = told
        if any(value is not None for value in what_if.values()):
            as_is = data.budget(*period, as_of=asked["as_of"])
            if told["state"] == "done" and as_is["state"] == "working":
                told = as_is
        body, progress, still = arrived(
            told, lambda found: draw_budget(found, as_is["document"], asked)
        )
        return body, progress, still, "" if still else "stale"

    @app.callback(
        Output("policies-body", "children"),
        Output("policies-progress", "children"),
        Output("policies-tick", "disabled"),
        Input("policies-asked", "data"),
        Input("policies-tick", "n_intervals"),
    )
    def compare(asked: Document, _ticks: int | None) -> tuple[Any, str, bool]:
        told = data.policies(tolerance_pct=asked["tolerance"], as_of=asked["as_of"])
        return arrived(told, draw_policies)

    @app.callback(
        Output("budget-file", "data"),
        Input("budget-csv", "n_clicks"),
        State("budget-asked", "data"),
        prevent_initial_call=True,
    )
    def save(clicks: int | None, asked: Document) -> Any:
        if not clicks:
            return no_update
        period = (asked["first"], asked["last"])
        told = data.budget(*period, **supposed(asked), as_of=asked["as_of"])
        if told["state"] != "done":
            return no_update
        rows = [_csv_row(row) for row in told["document"]["meters"]]
        return components.csv_file("budget", rows, CSV_COLUMNS)


def _csv_row(row: Document) -> Document:
    told = row | dict(zip(("cost_lo90", "cost_hi90"), row["interval90"], strict=True))
    told |= dict(zip(("gain_lo90", "gain_hi90"), row.get("gain_interval90") or (), strict=False))
    return {
        key: round(value, 3 if key == "chance_pays" else 2) if isinstance(value, float) else value
        for key, value in told.items()
    }
