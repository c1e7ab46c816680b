"""Events that recordings suggest, with the buttons to confirm or reject them."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import theme
from dashboard.components.browser import aria
from dashboard.components.messages import note
from dashboard.components.sections import empty, section
from dashboard.navigation import Document
from dashboard.security import Guarded
from models import run

PROPOSED_AT_ONCE = 25  # on the page
NOTE = "A confirmed event counts from the next fit on; a rejected one is not proposed again."


def proposed_part(
    events: Sequence[Document], waiting: int, *, button: str, name: str
) -> html.Section:
    """Return the events with their buttons; ids: {type: button, event: its row, as: decision}.

    waiting: how many there are; PROPOSED_AT_ONCE of them are shown
    """
    shown = events[:PROPOSED_AT_ONCE]
    left = waiting - len(shown)
    body: list[Any] = [html.Ul([_event(e, button) for e in shown], className="proposed")]
    if left > 0:
        body.append(note(f"{left} more follow once these are decided."))
    if not events:
        body = [
            empty(
                "No event waits for a decision.",
                "Battery swaps and firmware updates that recordings show are proposed here.",
            )
        ]
    return section(f"Proposed events ({waiting})", *body, name=name, note=NOTE)


def _event(event: Document, button: str) -> html.Li:
    device = event["meter_id"] or event["reference_id"] or event["bench_id"]
    said = f"{theme.words(event['event'])}, {theme.day(event['date'])}"
    remark = note(theme.sentence(event["note"])) if event.get("note") else None

    def decision(word: str, name: str, look: str) -> html.Button:
        return html.Button(
            word,
            id={"type": button, "event": event["event_row"], "as": name},
            className=look,
            n_clicks=0,
            **aria(label=f"{word}: {device}, {said}"),
        )

    return html.Li(
        [
            html.Div([html.B(device), f" {said}", remark]),
            html.Div(
                [decision("Confirm", "confirmed", ""), decision("Reject", "rejected", "quiet")],
                className="pair",
            ),
        ]
    )


def decide(data: Guarded, pressed: Document) -> str:
    """Do what a button of the list stands for; return what to say of it."""
    data.ask(run.decide_event, pressed["event"], pressed["as"])
    return f"The event was {pressed['as']}."
