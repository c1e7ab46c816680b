"""When a rider's watts were in doubt: from when to when, how much, why, and what to do about it."""

from collections.abc import Mapping, Sequence
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View
from dashboard.security import Guarded
from models import run

TITLES = ("Meter", "In doubt from", "Until", "It shows", "Why", "What now")
COLUMNS = (
    *("rider_id", "meter_id", "from_earliest", "from_latest", "to_earliest", "to_latest"),
    *("error_pct", "error_lo90_pct", "error_hi90_pct"),
    *("rider_factor", "rider_factor_lo90", "rider_factor_hi90", "why", "what_now"),
)
NOTE = (
    "A meter is in doubt while its watts are more likely out of tolerance than within it, or while "
    "a found cause leaves them less sure than the team asks for. Two days stand where the day is "
    "not known. The corrected ledger below holds the factors for these rides."
)


def doubts_part(view: View, document: Document) -> html.Section:
    """Return the stretches in doubt, the newest first, and the button that saves them."""
    rows = document["doubts"]
    body: list[Any] = [html.P(theme.sentence(document["text"]))]
    if rows:
        told = [_row(view, row) for row in rows]
        save = html.Button("Save as CSV", id="rider-doubts", className="quiet", n_clicks=0)
        table = parts.plain_table(TITLES, told, name="Watts in doubt", headed=True)
        body = [table, html.Div([save, dcc.Download(id="rider-doubts-file")])]
    return parts.section(
        f"In doubt ({len(rows)})", *body, name="rider-doubts-part", note=NOTE if rows else None
    )


def _row(view: View, row: Document) -> tuple[Any, ...]:
    return (
        parts.meter_link(view, row["meter_id"]),
        began(row),
        ended(row),
        theme.estimate(theme.percent(row["error_pct"], 1), theme.span(row["interval90_pct"], 1)),
        theme.sentence(row["why"]),
        theme.sentence(row["what_now"]),
    )


def began(row: Document) -> str:
    """Return when a stretch began: a day, or the days between which it did."""
    days = between(row["from_earliest"], row["from_latest"])
    return f"{days}, when it was taken over" if row["taken_over"] else days


def ended(row: Document) -> str:
    """Return when a stretch ended."""
    return between(row["to_earliest"], row["to_latest"]) if row["to_latest"] else "today"


def between(first: object, last: object) -> str:
    """Return a day, or two days where it is not known which."""
    if theme.iso(first) == theme.iso(last):
        return theme.day(last)
    return f"{theme.day(first)} to {theme.day(last)}"


def since(doubts: Sequence[Document]) -> dict[tuple[str, str], str]:
    """Return since when each rider's meter is in doubt, of those that are, in words."""
    lasting = [row for row in doubts if row["ending"] == "lasts"]
    return {(row["rider_id"], row["meter_id"]): began(row) for row in lasting}


def file_row(row: Mapping[str, Any]) -> Document:
    """Return a stretch as the file has it: percent to two places, factors to four."""
    percents = (row["error_pct"], *row["interval90_pct"])
    factors = (row["rider_factor"], *row["rider_interval90"])
    return {
        **row,
        **dict(zip(COLUMNS[6:9], (f"{value:.2f}" for value in percents), strict=True)),
        **dict(zip(COLUMNS[9:12], (f"{value:.4f}" for value in factors), strict=True)),
    }


def register(app: Dash, data: Guarded) -> None:
    """Save the stretches that are shown."""

    @app.callback(
        Output("rider-doubts-file", "data"),
        Input("rider-doubts", "n_clicks"),
        State("rider-asked", "data"),
        prevent_initial_call=True,
    )
    def save(clicks: int | None, asked: Document) -> Any:
        if not clicks:
            return no_update
        rider_id = asked["rider_id"]
        found = data.on(asked["as_of"]).ask(run.doubtful, rider_id=rider_id)
        return parts.csv_file(f"in-doubt-{rider_id}", map(file_row, found["doubts"]), COLUMNS)
