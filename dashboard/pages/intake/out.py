"""What goes out: empty tables, every table, a copy of the store, one rider's data."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import security, theme
from dashboard.security import person_asking

FORMS = (("csv", "CSV"), ("xlsx", "one workbook (XLSX)"), ("parquet", "Parquet"))


def take_out(door: Any) -> html.Section:
    """The files that the person may have."""
    person = person_asking()

    def may(method: str) -> bool:
        return security.RIGHTS[method].allows(person)

    lines = [html.Li([html.B("Empty tables to fill in: "), _link("templates", "CSV, workbook")])]
    if may("tables_file"):
        lines.append(html.Li([html.B("Every table: "), *_forms("tables")]))
    elif may("device_tables_file"):
        lines.append(html.Li([html.B("Tables of devices and costs: "), *_forms("devices")]))
    if may("store_file"):
        copy = [html.B("A copy of the store: "), _link("store", "DuckDB file")]
        lines.append(html.Li([*copy, ". It holds the accounts as well: keep it safe."]))
    return parts.section(
        "Take out",
        html.Ul(lines, className="out"),
        _one_rider(door.riders_named()) if may("remove_rider") else None,
        name="intake-out",
    )


def _forms(what: str) -> list[Any]:
    said: list[Any] = []
    for form, words in FORMS:
        said += [_link(f"{what}/{form}", words), ", "]
    return said[:-1]


def _link(address: str, words: str) -> html.A:
    return html.A(words, href=f"/download/{address}")


def _one_rider(riders: list[dict[str, Any]]) -> html.Div:
    ids = [row["rider_id"] for row in riders]
    if not ids:
        return html.Div()
    return html.Div(
        [
            html.H3("One rider's data"),
            html.P(
                "A rider may ask for them, and for their removal. What is about the rider goes; "
                "measurements of devices stay without the name. The files that the rows came "
                "from, and copies of the store, are yours to deal with.",
                className="note",
            ),
            html.Div(
                [
                    html.Div(
                        [
                            html.Label("Rider", htmlFor="intake-rider"),
                            parts.choice("intake-rider", ids, "Choose a rider"),
                        ],
                        className="field",
                    ),
                    html.Span(id="intake-rider-file"),
                ],
                className="filters",
            ),
            html.Div(id="intake-rider-removal"),
        ]
    )


def removal(rider_id: str) -> html.Details:
    """The way to remove a rider, which asks for the name to be typed."""
    return html.Details(
        [
            html.Summary(f"Remove {rider_id} for good"),
            html.Div(
                [
                    html.Label(
                        [
                            html.Span(f"Type {rider_id} to remove every row about this rider"),
                            dcc.Input(id="intake-rider-typed", type="text", autoComplete="off"),
                        ]
                    ),
                    html.Button("Remove", id="intake-rider-remove", n_clicks=0),
                ],
                className="confirm",
            ),
        ]
    )


def removed(done: dict[str, Any]) -> str:
    """What a removal did."""
    gone = theme.plural(done["rows_removed"], "row")
    unnamed = theme.plural(done["rows_without_name"], "measurement")
    return f"{gone} removed, {unnamed} left without the name."
