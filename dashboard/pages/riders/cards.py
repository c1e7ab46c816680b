"""A rider's meters today, a card each: how far its watts can be taken as they are."""

from collections.abc import Sequence

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View
from dashboard.pages.riders.watts_words import (
    SHOWN_W,
    reads,
    watts_badge,
    watts_status,
    what_to_make_of,
)


def meter_cards(view: View, meters: Sequence[Document]) -> html.Div:
    """Return the cards; what to fill in where the rider has no meter."""
    if not meters:
        return parts.empty(
            "No meter is assigned to this rider today.",
            ["A row in the table ", parts.command("assignments"), " says who rides what."],
        )
    cards = html.Div([_card(view, row) for row in meters], className="meter-cards")
    return html.Div([cards, parts.note(parts.PLUS_MINUS)])


def _card(view: View, row: Document) -> html.Div:
    interval, value = row.get("interval90_pct"), row["gain_error_pct"]
    return html.Div(
        [
            html.Div(
                [parts.meter_link(view, row["meter_id"]), watts_badge(watts_status(row))],
                className="card-head",
            ),
            html.P(theme.listed(row.get("role"), row.get("bike_id")), className="named"),
            html.P(
                [
                    "Gain error of the sensor ",
                    html.B(theme.plus_minus(value, theme.half(interval), "%", 1)),
                    f". {theme.quantity(SHOWN_W, 'W', 0)} of the rider are shown as {reads(row)}.",
                ]
            ),
            parts.interval_bar(interval, value, row.get("tolerance_pct")),
            parts.note(what_to_make_of(row)),
        ],
        className="card",
    )
