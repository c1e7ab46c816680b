"""What of the ageing is shown: which group, against what, and what colours tell apart."""

from collections.abc import Sequence
from urllib.parse import urlencode

from dash import html

from dashboard import components as parts
from dashboard.navigation import Document, Fields, View

BATCHES = {
    "serial": "first signs of the serial number",
    "purchased": "year of purchase",
    "firmware": "firmware",
}


def asked_in(view: View) -> Fields:
    """Return what the address asks for."""
    batch = view.query.get("batch")
    return {
        "group": view.query.get("group") or None,
        "across": "calendar" if view.query.get("across") == "calendar" else "age",
        "batch": batch if batch in BATCHES else None,
        "as_of": view.as_of,
    }


def query_of(asked: Document) -> str:
    """Return the part of an address that asks for the same."""
    named = {key: value for key, value in asked.items() if value and value != "age"}
    return f"?{urlencode(named)}" if named else ""


def controls(asked: Document, groups: Sequence[str]) -> html.Div:
    """Return the fields to choose by, and what can be saved."""
    every = [("", "all groups"), *((name, name) for name in groups)]
    across = [("age", "age"), ("calendar", "the calendar")]
    batches = [("", "no colours"), *BATCHES.items()]
    return html.Div(
        [
            parts.field("ageing-group", "Group", parts.pick("ageing-group", every, asked["group"])),
            parts.field(
                "ageing-across", "Against", parts.pick("ageing-across", across, asked["across"])
            ),
            parts.field(
                "ageing-batch", "Colour by", parts.pick("ageing-batch", batches, asked["batch"])
            ),
            html.Div(
                [
                    html.Button("Save meters as CSV", id="ageing-meters-csv", className="quiet"),
                    html.Button("Save courses as CSV", id="ageing-courses-csv", className="quiet"),
                ],
                className="filter-end",
            ),
        ],
        className="filters",
    )
