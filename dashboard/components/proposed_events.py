"""Events that recordings suggest, to be confirmed or rejected: for the pages that list them."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import theme
from dashboard.components import parts
from dashboard.navigation import Document
from dashboard.security import RIGHTS, person_asking

NOTE = (
    "What is confirmed counts in the models from the next fit; what is rejected is not proposed "
    "again."
)


def may_decide() -> bool:
    """Whether proposed events are the business of whoever asks."""
    return RIGHTS["proposed_events"].allows(person_asking())


def proposed_list(events: list[Document], *, button: str) -> html.Ul:
    """The events with their buttons, of ids {type: button, event: its row, as: the decision}."""
    return html.Ul([_event(event, button) for event in events], className="proposed")


def _event(event: Document, button: str) -> html.Li:
    device = event["meter_id"] or event["reference_id"] or event["bench_id"]
    said = f"{theme.words(event['event'])}, {theme.day(event['date'])}"

    def decision(word: str, name: str, look: str) -> html.Button:
        return html.Button(
            word,
            id={"type": button, "event": event["event_row"], "as": name},
            className=look,
            n_clicks=0,
            **parts.aria(label=f"{word}: {device}, {said}"),
        )

    return html.Li(
        [
            html.Div([html.B(device), f" {said}", _note(event)]),
            html.Div(
                [decision("Confirm", "confirmed", ""), decision("Reject", "rejected", "quiet")],
                className="pair",
            ),
        ]
    )


def _note(event: Document) -> Any:
    return html.P(theme.sentence(event["note"]), className="note") if event.get("note") else None


def decide(door: Any, pressed: Document) -> str:
    """Do what a button of the list stands for; what to say of it."""
    door.decide_event(pressed["event"], pressed["as"])
    return f"The event was {pressed['as']}."
