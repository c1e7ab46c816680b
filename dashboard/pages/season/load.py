"""How full the bench is week by week, in one picture and in a sentence."""

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document


def load_part(plan: Document) -> html.Figure | None:
    """Return the bench's weeks drawn; nothing for a period without any."""
    weeks = plan["slots"]
    if not weeks:
        return None
    races = [e for e in plan["events"] if e["kind"] == "race" and e.get("priority")]
    drawn = figures.bench_load(weeks, races)
    return parts.chart("season-load", drawn, load_words(weeks), height_px=250)


def load_words(weeks: list[Document]) -> str:
    """Return how full the weeks are, for who cannot see the picture."""
    planned = [week for week in weeks if week["used"]]
    full = sum(week["used"] >= week["slots"] for week in planned)
    closed = sum(week["closed"] for week in weeks)
    busiest = max(weeks, key=lambda week: week["used"])
    if not planned:
        return f"Load of the bench: no visit in {theme.plural(len(weeks), 'week')}."
    return (
        f"Load of the bench: visits in {len(planned)} of {theme.plural(len(weeks), 'week')}, "
        f"{full} of them full, {closed} closed. Most in the week of "
        f"{theme.day(busiest['week'])}: {busiest['used']} for {busiest['slots']}."
    )
