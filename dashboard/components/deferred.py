"""A part of a page that arrives later: a line of progress first, what it holds once it is there."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dash import dcc, html, no_update

from dashboard import theme
from dashboard.components import parts
from dashboard.navigation import Document

EVERY_MS = 700
UNTOUCHED = "The records and the settings are as they were; ask again with other values."
SETTLED = ("children", "className")


def arriving(name: str, asked: Document, before: Any = None) -> html.Div:
    """The place of the part: what is asked for, its progress, its body. Ids begin with name.

    before: what was there before and stands, greyed, until the part is there
    """
    greyed = "stale" if before is not None else ""
    return html.Div(
        [
            dcc.Store(id=f"{name}-asked", data=asked),
            dcc.Interval(id=f"{name}-tick", interval=EVERY_MS, disabled=True),
            html.P("Working it out…", id=f"{name}-progress", className="progress", role="status"),
            html.Div(before, id=f"{name}-body", className=greyed),
        ],
        className="arriving",
    )


def arrived(told: Document, draw: Callable[[Any], Any]) -> tuple[Any, str, bool]:
    """Body, line of progress and whether to stop asking, of an answer as the door tells it."""
    if told["state"] == "working":
        return no_update, progress_line(told), False
    if told["state"] == "failed":
        return parts.empty(theme.sentence(told["said"]), UNTOUCHED), "", True
    return draw(told["document"]), "", True


def progress_line(told: Document) -> str:
    """What is going on, and for how long."""
    said = theme.sentence(told.get("said") or "working it out").rstrip(".")
    seconds = int(told.get("seconds") or 0)
    return f"{said}… {seconds}{theme.NBSP}s" if seconds else f"{said}…"


def date_field(name: str, label: str, day: str, *, told: bool = False) -> html.Div:
    """The browser's own date field; what is entered is in the element NAME.

    told   whether it is in the store NAME-chosen as well, as soon as it is entered
    """
    facts = {"name": name, "day": day} | ({"told": "yes"} if told else {})
    return html.Div(
        [
            html.Label(label, htmlFor=name),
            html.Div(className="date-field", **parts.facts_of(**facts)),
            dcc.Store(id=f"{name}-chosen") if told else None,
        ],
        className="field",
    )
