"""Budget: what the season costs and why, what to replace, what each further visit would buy."""

from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import components as parts
from dashboard.components import Arrived, arrived, arriving, show_arrived
from dashboard.navigation import Document, Help, View
from dashboard.pages.budget.policies import draw_policies
from dashboard.pages.budget.summary import draw_budget
from dashboard.pages.budget.what_if import asked_in, controls, is_supposed, refusals, supposed
from dashboard.security import Guarded
from dashboard.service import Progress, asked_of
from models import run
from models.run import MANAGER, OWNER

PATH = "/budget"
TITLE = "Budget"
PLACE = 50
ROLES = (MANAGER, OWNER)
HELP = Help(
    "see what the season costs",
    (
        "Read the sum, and what of it is cash and what is the price of days out of tolerance.",
        "Compare it with the last two seasons, item by item.",
        "Change the tolerance, the slots or the prices under “What if” and press “Work it out”.",
        "Look at what each further visit buys, and at what to keep or replace.",
        "Press “Print” for one page to take to the meeting.",
    ),
)
CSV_COLUMNS = (
    *("meter_id", "cost", "cost_lo90", "cost_hi90", "verdict", "keep_or_replace"),
    *("holding_cost_per_year", "new_holding_cost_per_year", "gain_if_replaced"),
    *("gain_lo90", "gain_hi90", "chance_pays", "find_out_first", "reason"),
)


def layout(data: Guarded, view: View) -> html.Div:
    """Return the page's frame; money and policies arrive later."""
    season = data.on(view.as_of).ask(run.season)
    nothing = "There is no fleet to price yet."
    return parts.season_page(
        TITLE, view, season, lambda: _body(data, view, season), nothing=nothing
    )


def _body(data: Guarded, view: View, season: Document) -> list[Any]:
    asked = asked_in(view, season)
    tolerance = {"tolerance": asked["tolerance"], "as_of": asked["as_of"]}
    return [
        controls(view, asked),
        *[parts.warning(text, role="alert") for text in refusals(view)],
        dcc.Download(id="budget-file"),
        arriving("budget", asked, _before(data, asked), stops=True),
        arriving("policies", tolerance, stops=True),
    ]


def _before(data: Guarded, asked: Document) -> Any:
    """Return the budget as it is, to look at until the what-if is there; None if unknown yet."""
    if not is_supposed(asked):
        return None
    as_is = _budget(data, asked, {})["document"]
    return None if as_is is None else draw_budget(as_is, None, asked)


def register(app: Dash, data: Guarded) -> None:
    """Draw money and policies once they are there; hand out the meters' costs."""

    def show(asked: Document) -> Arrived:
        told = as_is = _budget(data, asked, supposed(asked))
        if is_supposed(asked):
            as_is = _budget(data, asked, {})
            if told["state"] == "done" and as_is["state"] == "working":
                told = as_is
        return arrived(told, lambda found: draw_budget(found, as_is["document"], asked))

    def stop(asked: Document) -> None:
        for what_if in (supposed(asked), {}):
            data.on(asked["as_of"]).cancel(run.budget, _priced(asked, what_if))

    def compare(asked: Document) -> Arrived:
        told = data.on(asked["as_of"]).later(run.policies, tolerance_pct=asked["tolerance"])
        return arrived(told, draw_policies)

    def stop_comparing(asked: Document) -> None:
        data.on(asked["as_of"]).cancel(run.policies, tolerance_pct=asked["tolerance"])

    show_arrived(app, "budget", show, stop=stop)
    show_arrived(app, "policies", compare, stop=stop_comparing)

    @app.callback(
        Output("budget-file", "data"),
        Input("budget-csv", "n_clicks"),
        State("budget-asked", "data"),
        prevent_initial_call=True,
    )
    def save(clicks: int | None, asked: Document) -> Any:
        if not clicks:
            return no_update
        told = _budget(data, asked, supposed(asked))
        if told["document"] is None:
            return no_update
        rows = [_csv_row(row) for row in told["document"]["meters"]]
        return parts.csv_file("budget", rows, CSV_COLUMNS)


def _budget(data: Guarded, asked: Document, what_if: Document) -> Progress[run.BudgetAnswer]:
    """Return what there is of the budget of a period, with what is supposed of it."""
    return data.on(asked["as_of"]).later(run.budget, _priced(asked, what_if))


def _priced(asked: Document, what_if: Document) -> run.SeasonAsk:
    return replace(asked_of(asked["first"], asked["last"]), **what_if)


def _csv_row(row: Document) -> Document:
    told = {**row} | dict(zip(("cost_lo90", "cost_hi90"), row["interval90"], strict=True))
    told |= dict(zip(("gain_lo90", "gain_hi90"), row.get("gain_interval90") or (), strict=False))
    return {
        key: round(value, 3 if key == "chance_pays" else 2) if isinstance(value, float) else value
        for key, value in told.items()
    }
