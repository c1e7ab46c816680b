"""A meter typed in by hand: enough to hang a mass on it."""

from datetime import date
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.security import Guarded
from ingest.schema import TABLES, UserError
from models import run

KINDS = [(kind, theme.words(kind)) for kind in TABLES["meters"].column("kind").choices]
CONVENTIONS = (
    ("multiplier", "a larger slope reads higher"),
    ("divisor", "a larger slope reads lower"),
    ("fixed", "it has none that can be changed"),
)


def one_meter_part() -> html.Details:
    """Return the form for one meter."""
    fields = [
        _text("intake-meter-id", "Name of the meter"),
        parts.field("intake-meter-kind", "Where it sits", parts.pick("intake-meter-kind", KINDS)),
        parts.field(
            "intake-meter-slope", "Its slope", parts.pick("intake-meter-slope", CONVENTIONS)
        ),
        _text("intake-meter-crank", "Crank length, mm"),
        parts.date_field("intake-meter-since", "In use since", date.today().isoformat(), told=True),
    ]
    button = html.Button("Add the meter", id="intake-meter-add", n_clicks=0)
    return html.Details(
        [
            html.Summary("Type a meter in"),
            html.Div([*fields, button], className="filters"),
            html.Div(id="intake-meter-said", **parts.aria(live="polite")),
        ]
    )


def _text(name: str, label: str) -> html.Div:
    return parts.field(name, label, dcc.Input(id=name, type="text", autoComplete="off"))


def register_one_meter(app: Dash, data: Guarded) -> None:
    """Add the meter that was typed in, and lead to the bench with it."""

    @app.callback(
        Output("intake-meter-said", "children"),
        Output("intake-meter-id", "value"),
        Input("intake-meter-add", "n_clicks"),
        State("intake-meter-id", "value"),
        State("intake-meter-kind-chosen", "data"),
        State("intake-meter-slope-chosen", "data"),
        State("intake-meter-crank", "value"),
        State("intake-meter-since-chosen", "data"),
        prevent_initial_call=True,
    )
    def add(
        clicks: int | None, name: str | None, kind: str, slope: str, crank: str | None, since: str
    ) -> tuple[Any, Any]:
        if not clicks:
            return no_update, no_update
        meter_id = (name or "").strip()
        try:
            day = since or date.today().isoformat()
            data.ask(run.add_meter, meter_id, kind, slope, (crank or "").strip(), day)
        except UserError as problem:
            return parts.warning(theme.sentence(problem)), no_update
        bench = parts.link("Take it to the bench", f"/bench?meter={meter_id}")
        return parts.done([f"{meter_id} was added. ", bench, " or type the next one in."]), ""
