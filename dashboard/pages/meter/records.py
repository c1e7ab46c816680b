"""A meter's other records: changes of the slope, and what happened to it."""

from collections.abc import Sequence

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document


def resets_part(resets: Sequence[Document]) -> html.Section:
    """Return the changes of the slope, the newest first."""
    titles = ("Date", "Slope", "Change of the gain error", "Recorded")
    rows = [_reset_row(reset) for reset in reversed(resets)]
    body = parts.plain_table(titles, rows, name="Changes of the slope")
    return parts.section(
        "Changes of the slope",
        body if rows else parts.note("The slope has not been changed."),
        name="meter-resets",
    )


def _reset_row(reset: Document) -> tuple[str, ...]:
    recorded = "yes"
    if reset.get("recorded") is False:
        first, last = theme.day(reset.get("earliest")), theme.day(reset.get("latest"))
        recorded = f"no: between {first} and {last}"
    return (
        theme.day(reset["date"]),
        figures.slopes_text(reset),
        theme.percent(reset.get("step_pct")),
        recorded,
    )


def events_part(
    events: Sequence[Document], waiting: Sequence[Document] | None = None
) -> html.Section | None:
    """Return what happened to the meter. waiting: the events that nobody has decided on yet."""
    shown = [e for e in events if e.get("state") != "rejected"]
    if not shown:
        return None
    rows = [
        (
            theme.day(e["date"]),
            theme.words(e["event"]),
            theme.listed(e.get("side"), e.get("note")),
            _state_words(e, waiting),
        )
        for e in sorted(shown, key=lambda e: str(e["date"]), reverse=True)
    ]
    return parts.section(
        "Batteries, crashes and other events",
        parts.plain_table(("Date", "Event", "Note", "State"), rows, name="Events"),
        name="meter-events",
    )


def _state_words(event: Document, waiting: Sequence[Document] | None) -> str:
    if event.get("state") != "proposed" or waiting is None:
        return theme.words(event.get("state") or "confirmed")
    still = {(one["event"], theme.iso(one["date"])) for one in waiting}
    decided = (event["event"], theme.iso(event["date"])) not in still
    return "decided; counts from the next fit on" if decided else "proposed"
