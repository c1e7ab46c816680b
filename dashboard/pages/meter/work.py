"""What can be done from a meter's page: take it to the bench, decide on proposed events."""

from collections.abc import Sequence
from typing import Any

from dash import ALL, Dash, Input, Output, State, html, no_update

from dashboard import components as parts
from dashboard.navigation import Document, View, bench_path, meter_of
from dashboard.security import Guarded
from models import run


def bench_link(data: Guarded, view: View, meter_id: str) -> html.A | None:
    """Return the way to the bench with this meter chosen.

    None for a past day, and for whoever may not open the bench page.
    """
    if view.as_of or not data.may(run.bench_kit):
        return None
    return parts.link("Take it to the bench", bench_path(meter_id), className="to-bench")


def proposals(data: Guarded, view: View, meter_id: str) -> list[Document] | None:
    """Return the meter's undecided events; None for whom they do not concern."""
    if view.as_of or not data.may(run.proposed_events):
        return None
    return [*data.ask(run.proposed_events, meter_id)]


def proposals_part(events: Sequence[Document] | None) -> html.Div | None:
    """Return the events with their buttons; None where there is none."""
    if not events:
        return None
    listed = parts.proposed_part(events, len(events), button="meter-decide", name="meter-proposed")
    return html.Div(listed, id="meter-proposed")


def register(app: Dash, data: Guarded) -> None:
    """Confirm or reject an event on its meter's page."""

    @app.callback(
        Output("meter-proposed", "children"),
        Input({"type": "meter-decide", "event": ALL, "as": ALL}, "n_clicks"),
        State("place", "pathname"),
        prevent_initial_call=True,
    )
    def decided(_clicks: list[int | None], pathname: str) -> Any:
        pressed = parts.clicked()
        if not isinstance(pressed, dict):
            return no_update
        said = parts.done(
            f"{parts.decide(data, pressed)} The models include this from the next fit."
        )
        left = proposals_part(proposals(data, View(), meter_of(pathname)))
        return [said, left.children if left else None]
