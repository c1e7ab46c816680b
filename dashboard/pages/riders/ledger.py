"""The corrected ledger of a rider: the factors that make shown watts true watts, as a file."""

from datetime import date, timedelta
from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.security import Guarded
from ingest.schema import UserError
from models import run

LEDGER_DAYS = 365
COLUMNS = (
    *("rider_id", "meter_id", "from_date", "to_date"),
    *("factor", "factor_lo90", "factor_hi90"),
    *("rider_factor", "rider_factor_lo90", "rider_factor_hi90", "note"),
)


def ledger_part(as_of: object) -> html.Section:
    """Return the period to choose, and the button that saves its ledger."""
    last = theme.as_date(as_of)
    first = last - timedelta(days=LEDGER_DAYS) if last else None
    controls = html.Div(
        [
            parts.date_field("rider-from", "From", theme.iso(first) or ""),
            parts.date_field("rider-to", "To", theme.iso(last) or ""),
            html.Button("Save as CSV", id="rider-ledger", className="quiet", n_clicks=0),
            html.Div(id="rider-ledger-said", className="remark", role="status"),
            dcc.Store(id="rider-ledger-asked"),
            dcc.Download(id="rider-file"),
        ],
        className="filters",
    )
    return parts.section(
        "Corrected ledger",
        controls,
        name="rider-ledger-part",
        note="In the file, shown watts × factor are what the sensor should have shown, and × "
        "rider_factor what the rider put out: legs, ring and chain taken out too. Each month, each "
        "meter and each change of the slope has a row. Correct in one place only: in the "
        "meter, in the head unit or here.",
    )


def register(app: Dash, data: Guarded) -> None:
    """Save the ledger of the period that was chosen."""

    @app.callback(
        Output("rider-file", "data"),
        Output("rider-ledger-said", "children"),
        Input("rider-ledger-asked", "data"),
        State("rider-asked", "data"),
        prevent_initial_call=True,
    )
    def save(period: Document | None, asked: Document) -> tuple[Any, Any]:
        if not period or not ctx.triggered_id:
            return no_update, no_update
        rider_id = asked["rider_id"]
        try:
            found = data.on(asked["as_of"]).ask(
                run.ledger,
                date.fromisoformat(period["first"]),
                date.fromisoformat(period["last"]),
                rider_id=rider_id,
            )
        except UserError as problem:
            return no_update, parts.warning(f"{theme.sentence(problem)} Nothing was saved.")
        said = [html.P(theme.sentence(text)) for text in [*found["warnings"], *found["notes"]]]
        rows = [ledger_row(row) for row in found["ledger"]]
        return parts.csv_file(f"ledger-{rider_id}", rows, COLUMNS), said


def ledger_row(row: Document) -> Document:
    """Return a row of the ledger as the file has it: factors to four places."""
    low, high = row["interval90"]
    own_low, own_high = row["rider_interval90"]
    factors = {"factor": row["factor"], "factor_lo90": low, "factor_hi90": high}
    factors |= {"rider_factor": row["rider_factor"]}
    factors |= {"rider_factor_lo90": own_low, "rider_factor_hi90": own_high}
    return {**row, **{name: f"{value:.4f}" for name, value in factors.items()}}
