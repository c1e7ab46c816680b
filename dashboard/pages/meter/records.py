"""A meter's other records: changes of the slope, events, ride comparisons."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document


def resets_part(resets: list[Document]) -> html.Section:
    if not resets:
        body: Any = html.P("The slope has not been changed.", className="note")
    else:
        titles = ("Date", "Slope", "Change of the gain error", "Recorded")
        body = parts.plain_table(
            titles, [_reset_row(r) for r in reversed(resets)], name="Changes of the slope"
        )
    return parts.section("Changes of the slope", body, name="meter-resets")


def _reset_row(reset: Document) -> html.Tr:
    recorded = "yes"
    if reset.get("recorded") is False:
        recorded = f"no: between {theme.day(reset.get('earliest'))} and "
        recorded += f"{theme.day(reset.get('latest'))}"
    return html.Tr(
        [
            html.Td(theme.day(reset["date"])),
            html.Td(figures.reset_text(reset).removeprefix("slope ").removesuffix(", unrecorded")),
            html.Td(theme.percent(reset.get("step_pct"))),
            html.Td(recorded),
        ]
    )


def events_part(
    events: list[Document], waiting: list[Document] | None = None
) -> html.Section | None:
    """What happened to the meter. waiting: what is proposed now, as nothing decided since is."""
    shown = [e for e in events if e.get("state") != "rejected"]
    if not shown:
        return None
    rows = [
        html.Tr(
            [
                html.Td(theme.day(e["date"])),
                html.Td(theme.words(e["event"])),
                html.Td(", ".join(str(e[k]) for k in ("side", "note") if e.get(k))),
                html.Td(_state_words(e, waiting)),
            ]
        )
        for e in sorted(shown, key=lambda e: str(e["date"]), reverse=True)
    ]
    return parts.section(
        "Batteries, strikes and other events",
        parts.plain_table(("Date", "Event", "Note", "State"), rows, name="Events"),
        name="meter-events",
    )


def _state_words(event: Document, waiting: list[Document] | None) -> str:
    if event.get("state") != "proposed" or waiting is None:
        return theme.words(event.get("state") or "confirmed")
    still = {(one["event"], theme.iso(one["date"])) for one in waiting}
    decided = (event["event"], theme.iso(event["date"])) not in still
    return "decided; counts from the next fit" if decided else "proposed"
