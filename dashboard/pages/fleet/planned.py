"""When the season's plan brings the meters that need the bench now, and which it leaves."""

from collections import Counter
from typing import Any

from dash import Dash, html

from dashboard import components as parts
from dashboard import theme
from dashboard.components import Arrived, arrived, arriving, show_arrived
from dashboard.navigation import Document, View
from dashboard.security import Guarded
from dashboard.service import asked_of
from models import run

NEEDING = ("out", "due")
WEEKS_SAID = 3


def planned_part(view: View, status: Document) -> html.Div | None:
    """Return the place of the part; None where no meter needs the bench, and for a past day."""
    needing = [row["meter_id"] for row in status["meters"] if row["status"] in NEEDING]
    if view.as_of or not needing:
        return None
    return arriving("fleet-planned", {"needing": needing})


def draw(plan: Document, needing: list[str]) -> Any:
    """Return when these meters come, and why one of them does not."""
    first: dict[str, str] = {}
    for visit in plan["visits"]:
        first.setdefault(visit["meter_id"], visit["week"])
    weeks = Counter(first[meter] for meter in needing if meter in first)
    left = [row for row in plan["unplanned"] if row["meter_id"] in needing]
    return [
        html.P([_coming(weeks), " ", parts.link("See the plan", "/season")], className="note"),
        parts.sentences([_left(row) for row in left], className="lacks"),
    ]


def _coming(weeks: Counter[str]) -> str:
    """Return in which weeks how many come, the first weeks by name."""
    if not weeks:
        return "The season's plan brings none of them."
    named = sorted(weeks)[:WEEKS_SAID]
    said = [f"{weeks[week]} in the week of {theme.day(week)}" for week in named]
    rest = sum(weeks.values()) - sum(weeks[week] for week in named)
    return f"The season's plan brings {theme.listed(*said, rest and f'{rest} later')}."


def _left(row: Document) -> str:
    reason = theme.sentence(row["reason"])
    return f"{row['meter_id']} needs the bench, but has no visit in the season's plan. {reason}"


def register(app: Dash, data: Guarded) -> None:
    """Draw the part once the plan is there."""

    def show(asked: Document) -> Arrived:
        season = data.ask(run.season)
        told = data.later(run.plan, asked_of(season["first"], season["last"]))
        return arrived(told, lambda plan: draw(plan, asked["needing"]))

    show_arrived(app, "fleet-planned", show)
