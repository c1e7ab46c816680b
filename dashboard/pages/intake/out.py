"""What can be taken out: empty tables, every table, a copy of the store, one rider's data."""

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard.pages.intake.one_rider import one_rider_part
from dashboard.security import Guarded
from models import run

FORMS = (("csv", "CSV"), ("xlsx", "one workbook (XLSX)"), ("parquet", "Parquet"))


def take_out(data: Guarded) -> html.Section:
    """Return the files that whoever asks may have."""
    lines = [html.Li([html.B("Empty tables to fill in: "), _link("templates", "CSV, workbook")])]
    if data.may(run.tables_file):
        lines.append(html.Li([html.B("Every table: "), *_forms("tables")]))
    elif data.may(run.device_tables_file):
        lines.append(html.Li([html.B("Tables of devices and costs: "), *_forms("devices")]))
    if data.may(run.store_file):
        copy = [html.B("A copy of the store: "), _link("store", "DuckDB file")]
        lines.append(html.Li([*copy, ". It also holds the accounts: keep it safe."]))
    return parts.section(
        "Take out",
        html.Ul(lines, className="out"),
        one_rider_part(data.ask(run.riders_named)) if data.may(run.remove_rider) else None,
        name="intake-out",
    )


def _forms(what: str) -> list[Any]:
    said: list[Any] = []
    for form, words in FORMS:
        said += [_link(f"{what}/{form}", words), ", "]
    return said[:-1]


def _link(address: str, words: str) -> html.A:
    return html.A(words, href=f"/download/{address}")
