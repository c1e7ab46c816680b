"""What can be done about a meter from its page: bench it, decide on events that rides suggest."""

from __future__ import annotations

from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update

from dashboard import components as parts
from dashboard import security
from dashboard.components import NOTE, decide, may_decide, proposed_list
from dashboard.navigation import Document, Door, View, bench_path, meter_of
from dashboard.security import person_asking


def bench_link(view: View, meter_id: str) -> html.A | None:
    """The way to the bench with this meter chosen, for whoever works there; not in the past."""
    if view.as_of or not security.may_open(person_asking(), "/bench"):
        return None
    return parts.link("Take it to the bench", bench_path(meter_id), className="to-bench")


def proposals(data: Door, view: View, meter_id: str) -> list[Document] | None:
    """The meter's events that wait for a word; None for whom they do not concern."""
    door: Any = data
    if view.as_of or not may_decide():
        return None
    return [event for event in door.proposed_events() if event["meter_id"] == meter_id]


def proposals_part(events: list[Document] | None) -> html.Div | None:
    """The events with their buttons; nothing where none waits."""
    if not events:
        return None
    listed = parts.section(
        f"Proposed events ({len(events)})",
        proposed_list(events, button="meter-decide"),
        name="meter-proposed",
        note=NOTE,
    )
    return html.Div(listed, id="meter-proposed")


def register(app: Dash, data: Door) -> None:
    """An event confirmed or rejected on its meter's page."""

    @app.callback(
        Output("meter-proposed", "children"),
        Input({"type": "meter-decide", "event": ALL, "as": ALL}, "n_clicks"),
        State("place", "pathname"),
        prevent_initial_call=True,
    )
    def decided(_clicks: list[int | None], pathname: str) -> Any:
        pressed = ctx.triggered_id if ctx.triggered and ctx.triggered[0]["value"] else None
        if not isinstance(pressed, dict):
            return no_update
        said = html.P(
            f"{decide(data, pressed)} Its place in the models follows with the next fit.",
            className="done",
            role="status",
        )
        left = proposals_part(proposals(data, View(), meter_of(pathname)))
        return [said, left.children if left else None]
