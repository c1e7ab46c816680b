"""Which meters to keep and which to replace, what gains most by a new one first."""

from collections.abc import Sequence

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Fields, View, meter_path

FIRST = ("Bench first", "Compare first")
FEW: Document = {"paginationPageSize": 10, "paginationPageSizeSelector": [10, 25, 50, 200]}
PRINTED = 3  # meters on the printed page


def ranking_part(found: Document, view: View) -> html.Section:
    """Return the table on the screen, and in print the meters that are not simply kept."""
    rows = meter_rows(found, view)
    table = parts.table("budget-meters", rows, meter_columns(found), key="meter_id", options=FEW)
    return parts.section(
        "Keep or replace",
        html.Div(table, className="no-print"),
        html.Ul([_printed(row) for row in _worth_printing(rows)], className="print-only"),
        name="budget-meters-part",
        note="Cash for its visits and the priced risk of its days out of tolerance, together, for "
        "a meter as it is ridden, against a new one over three years. The 90 % interval covers "
        "what is not known of the meter. "
        f"{_how_many(rows)}",
    )


def _worth_printing(rows: Sequence[Document]) -> Sequence[Document]:
    bad = [row for row in rows if row["verdict"] != "Keep"]
    return (bad or rows)[:PRINTED]


def _printed(row: Document) -> html.Li:
    return html.Li([html.B(row["meter_id"]), f": {row['verdict'].lower()}. {row['reason']}"])


def _how_many(rows: Sequence[Document]) -> str:
    sure = sum(row["verdict"] == "Replace" for row in rows)
    many = theme.plural(sure, "meter") if sure else "No meter"
    said = f"{many} would pay for a new one within three years."
    first = sum(row["verdict"] in FIRST for row in rows)
    if first:
        said += f" Of {theme.plural(first, 'meter')} too little is known to say: measure first."
    return said


def meter_rows(found: Document, view: View) -> list[Fields]:
    """Return the ranking's rows: what gains most by a new one first."""
    rows = sorted(found["meters"], key=lambda row: -(row.get("gain_if_replaced") or -1e9))
    return [_meter_row(row, view) for row in rows]


def _meter_row(row: Document, view: View) -> Fields:
    own, new = row.get("holding_cost_per_year"), row.get("new_holding_cost_per_year")
    return {
        "meter_id": row["meter_id"],
        "href": view.link(meter_path(row["meter_id"])),
        "verdict": theme.title(row["verdict"]),
        "gain": row.get("gain_if_replaced"),
        "gain_text": theme.estimate(
            theme.number(row.get("gain_if_replaced"), 0, signed=True),
            theme.span(row.get("gain_interval90"), 0, ""),
        ),
        "cost": row["cost"],
        "cost_text": theme.estimate(theme.money(row["cost"]), theme.money_span(row["interval90"])),
        "own": own,
        "own_text": theme.money(own),
        "new": new,
        "new_text": theme.money(new),
        "reason": theme.sentence(row["reason"]),
    }


def meter_columns(found: Document) -> list[Fields]:
    """Return the ranking's columns; the narrower the screen, the fewer."""
    unit = found["currency"] or "money"
    return [
        parts.device_column("meter_id", "Meter", width=104),
        parts.text_column("verdict", "Verdict", width=104),
        parts.number_column(
            "gain",
            f"Less cash and risk with a new one, 3 years (90 %), {unit}",
            "gain_text",
            width=190,
        ),
        parts.number_column("cost", f"Cash of the season (90 %), {unit}", "cost_text", width=150),
        parts.number_column("own", "Kept: cash and risk a year", "own_text", width=110, since=900),
        parts.number_column("new", "New: cash and risk a year", "new_text", width=110, since=900),
        parts.text_column("reason", "Why", flex=3, minWidth=220, since=620),
    ]
