"""Rides: two recordings of one ride in, one number with its uncertainty out, kept or discarded."""

from __future__ import annotations

from typing import Any

from dash import Dash, dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Door, View, meter_path
from dashboard.pages.rides import calls

PATH = "/rides"
TITLE = "Rides"
PLACE = 25


def layout(data: Door, view: View) -> html.Div:
    """Where recordings are dropped, the pairs that wait, the comparisons that were kept."""
    door: Any = data
    return html.Div(
        [
            html.H1(TITLE),
            _drop(),
            html.Div(id="rides-pair"),
            dcc.Loading(
                html.Div(id="rides-answer", **parts.aria(live="polite")),
                delay_show=400,
                custom_spinner=html.P("Comparing…", className="work"),
            ),
            html.Div(id="rides-said", role="status"),
            html.Div(calls.waiting_part(door), id="rides-waiting"),
            html.Div(kept_part(view, door.rides_kept()), id="rides-kept"),
            dcc.Store(id="rides-ticket"),
            dcc.Store(id="rides-seen"),
            dcc.Store(id="rides-chosen"),
            dcc.Interval(id="rides-tick", interval=500, disabled=True),
        ],
        className="rides",
    )


def _drop() -> html.Section:
    drop = dcc.Upload(
        html.Button("Choose recordings, or drop them here", type="button", className="quiet drop"),
        id="rides-upload",
        multiple=True,
        className="dropzone",
        className_active="dropzone over",
    )
    return parts.section(
        "Compare two recordings of one ride",
        drop,
        html.Div(id="rides-work", role="status"),
        name="rides-drop",
        note="One from the meter, one from what it is compared with: a trainer or a second meter; "
        "or the folder that they are in. "
        "FIT, TCX, or CSV with the columns time, power_w, cadence_rpm. Of several files those that "
        "overlap in time are proposed as pairs. Nothing goes into the store until you keep it.",
    )


def kept_part(view: View, kept: list[Document]) -> html.Section:
    """The comparisons that count, newest first."""
    if not kept:
        body: Any = parts.empty(
            "No comparison of recordings is kept yet.",
            "Ride steady steps from easy to hard on a trainer, twenty minutes or more, with the "
            "meter and the trainer each recorded; drop both files above.",
        )
    else:
        titles = ("Date", "Meter", "Against", "Meter − reference, ± 90 %", "Used", "")
        rows = [_kept_row(view, row) for row in kept]
        body = parts.plain_table(titles, rows, name="Kept comparisons")
    return parts.section(
        "Kept comparisons",
        body,
        name="rides-kept",
        note="They count as evidence in the fleet's numbers. To take one back, undo its import "
        "(a file named pairs) on the intake page."
        if kept
        else None,
    )


def _kept_row(view: View, row: Document) -> html.Tr:
    half = theme.half(row.get("gain_ratio_interval90_pct"))
    void = row.get("void")
    ratio = theme.MISSING if void else theme.plus_minus(row.get("gain_ratio_pct"), half, "%")
    used = row.get("used_s")
    return html.Tr(
        [
            html.Td(theme.day(row["measured_at"])),
            html.Td(parts.link(row["meter_id"], view.link(meter_path(row["meter_id"])))),
            html.Td(row["reference_id"]),
            html.Td(ratio, className="num"),
            html.Td(f"{theme.number((used or 0) / 60, 0)}{theme.NBSP}min", className="num"),
            html.Td(f"proves nothing: {void}" if void else ""),
        ]
    )


def register(app: Dash, data: Door) -> None:
    """The page's callbacks."""
    calls.register_drop(app, data)
    calls.register_compare(app, data)
    calls.register_decision(app, data, kept_part)
