"""The bench list of one week: what to hang, what to expect, why; its sheet is the bench's own."""

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any
from urllib.parse import urlencode

from dash import Dash, html

from dashboard import components as parts
from dashboard import theme
from dashboard.components import arrived, arriving, show_arrived
from dashboard.navigation import Document, Help, View
from dashboard.pages.season.page import asked_in, query_of
from dashboard.security import Guarded
from dashboard.service import asked_of
from models import run
from models.run import MANAGER, MECHANIC, OWNER

PATH = "/season/week/<week>"
TITLE = "Bench list"
PLACE = None
ROLES = (MECHANIC, MANAGER, OWNER)
HELP = Help(
    "prepare a week at the bench",
    (
        "Read which meters come this week, and why.",
        "See what hangs, what each meter should show and within which limits, for a zero of 0.",
        "Print the bench sheet: it has room for every reading. Keep feet from under the "
        "masses; the bench page says how.",
        "Type the sheet in on the bench page: it asks for the day that it was measured on.",
        "Go back to the season to move a visit to another week.",
    ),
)
TITLES = (
    *("Meter", "Rider, bike", "Crank, mm; rings", "Mass with hanger, kg", "Expected, N·m"),
    *("Accept, N·m", "Slope last left"),
)
CAUTIONS = (
    "A 20 kg mass falls on whatever is under it: stand clear, strap it, never hang it over a foot.",
    "Clamp the bike by the seat post as its maker allows, lock the rear wheel, check that the "
    "crank cannot turn.",
    "Keep button cells away from children; a swallowed one is an emergency.",
    "The meter maker's instructions and the workshop's own rules come first.",
)


def layout(data: Guarded, view: View) -> html.Div:
    """Return the page's frame; the list arrives with the plan."""
    season = data.on(view.as_of).ask(run.season)
    week = theme.iso(view.params.get("week"))
    if season["empty"] or week is None:
        way = parts.link("Go to the season.", "/season")
        body: Any = parts.empty("There is no such week.", way)
        return html.Div([html.H1(TITLE), body])
    asked = {**asked_in(view, season), "week": week}
    return html.Div(
        [
            parts.way_back("Season", f"/season?{query_of(asked)}"),
            html.H1(f"Bench list, week of {theme.day(week)}"),
            arriving("week", asked),
        ],
        className="bench-list-page",
    )


def draw(rows: Sequence[Document]) -> Any:
    """Return the list; where nothing is planned, that."""
    if not rows:
        return parts.empty("No visit is planned for this week.", "Pin one on the season page.")
    used = dict.fromkeys(_used(row) for row in rows)
    lacking = {
        text: [r["meter_id"] for r in rows if text in r["lacks"]]
        for row in rows
        for text in row["lacks"]
    }
    lacks = [f"{', '.join(meters)}: {text}" for text, meters in lacking.items()]
    return [
        html.P(
            parts.link("Print the bench sheet", _sheet(rows), className="button-like"),
            className="no-print",
        ),
        parts.sentences(list(used)),
        parts.plain_table(TITLES, list(_lines(rows)), name="Bench list", headed=True),
        parts.sentences(lacks, className="lacks"),
        html.H2("Before you hang anything"),
        html.Ul([html.Li(text) for text in CAUTIONS], className="cautions"),
    ]


def _sheet(rows: Sequence[Document]) -> str:
    """Return the address at which the bench prints these meters' sheet, with room for readings."""
    meters = (row["meter_id"] for row in rows)
    return f"/bench?{urlencode({'print': ','.join(meters)}, safe=',')}"


def _used(row: Document) -> str:
    """Return what a line's numbers are for: mass set and place, and a zero of 0."""
    masses = f"the masses of {row['bench_id']}" if row.get("bench_id") else "no known masses"
    place = row.get("place_id") or "a place not named"
    return (
        f"Expected and accept are for {masses} at {place} and a zero of 0: add the zero you read."
    )


def _lines(rows: Sequence[Document]) -> Iterator[Any]:
    """Yield each meter's line, and below it why it comes and what to do."""
    for row in rows:
        yield _row(row)
        said = [theme.sentence(text) for text in (row.get("why"), row.get("next_action")) if text]
        yield html.Tr([html.Td(html.P(" ".join(said)), colSpan=len(TITLES))], className="why")


def _row(row: Document) -> tuple[Any, ...]:
    limits = theme.span([row.get("lowest_nm"), row.get("highest_nm")], 2, "", signed=False)
    fixed = row.get("slope_convention") == "fixed"
    return (
        row["meter_id"],
        theme.listed(row.get("rider_id"), row.get("bike_id")) or theme.MISSING,
        theme.listed(theme.number(row.get("crank_length_mm"), 1), _rings(row)),
        theme.number(row.get("mass_kg"), 3),
        theme.number(row.get("expected_torque_nm"), 2),
        limits,
        "fixed" if fixed else _slopes(row),
    )


def _rings(row: Document) -> str:
    return "/".join(str(row[name]) for name in ("large_ring", "small_ring") if row.get(name))


def _slopes(row: Document) -> str:
    sides = (("", "slope"), ("left ", "slope_left"), ("right ", "slope_right"))
    step = row.get("slope_step")
    said = [f"{side}{theme.slope(row[name], step)}" for side, name in sides if row.get(name)]
    return theme.listed(*said) or theme.MISSING


def register(app: Dash, data: Guarded) -> None:
    """Draw the list once the plan is there."""

    def show(asked: Document) -> tuple[Any, str, bool]:
        season = asked_of(asked["first"], asked["last"], asked["slots"])
        week = date.fromisoformat(asked["week"])
        return arrived(data.on(asked["as_of"]).later(run.bench_list, season, week), draw)

    show_arrived(app, "week", show)
