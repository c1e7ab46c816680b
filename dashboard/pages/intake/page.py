"""Intake: files in, what was set aside put right, imports taken back, tables out."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, dcc, html

from dashboard import components as parts
from dashboard.navigation import Document, Door, View
from dashboard.pages.intake import calls
from dashboard.pages.intake.lists import (
    aside_section,
    chosen_import,
    events_section,
    imports_section,
    is_busy,
    loads_done,
    work_line,
)
from dashboard.pages.intake.out import take_out

PATH = "/intake"
TITLE = "Intake"
PLACE = 80


def layout(data: Door, view: View) -> html.Div:
    """What there is to bring in, to put right and to take out."""
    door: Any = data
    return html.Div(
        [
            html.H1(TITLE),
            _bring_in(door.work()),
            html.Div(aside_section(door), id="intake-aside"),
            html.Div(events_section(door), id="intake-events"),
            html.Div(imports_section(door), id="intake-imports"),
            take_out(door),
        ],
        className="intake",
    )


def _bring_in(work: Document) -> html.Section:
    drop = dcc.Upload(
        html.Button("Choose files, or drop them here", type="button", className="quiet drop"),
        id="intake-upload",
        multiple=True,
        className="dropzone",
        className_active="dropzone over",
    )
    return parts.section(
        "Bring files in",
        drop,
        html.Div(work_line(work), id="intake-work", role="status"),
        html.Button("Refit now", id="intake-refit", type="button", className="quiet"),
        html.Div(id="intake-report", **parts.aria(live="polite")),
        html.Div(id="intake-said", **parts.aria(live="polite")),
        dcc.Interval(id="intake-tick", interval=1000, disabled=not is_busy(work)),
        dcc.Store(id="intake-seen", data=loads_done(work)),
        name="intake-files",
        note="CSV, Parquet or a workbook. A table is known by its file's or sheet's name, or by "
        "its columns; bad rows are set aside and the good ones load. The same file twice changes "
        "nothing. Recordings of rides (FIT, TCX, CSV) go in as well, and a folder can be dropped "
        "whole.",
    )


# ---- callbacks -----------------------------------------------------------------------------------


def register(app: Dash, data: Door) -> None:
    """The page's callbacks, and the addresses that hand out files."""
    calls.register_files(app, data)
    calls.register_decisions(app, data)
    calls.register_downloads(app, data)

    @app.callback(
        Output("intake-chosen", "children"),
        Input("intake-log", "selectedRows"),
        prevent_initial_call=True,
    )
    def choose(chosen: list[Document] | None) -> Any:
        return chosen_import(chosen[0] if chosen else None)

    @app.callback(
        Output("intake-work", "children"),
        Output("intake-tick", "disabled"),
        Output("intake-report", "children"),
        Output("intake-seen", "data"),
        Output("intake-aside", "children"),
        Output("intake-events", "children"),
        Output("intake-imports", "children"),
        Input("intake-tick", "n_intervals"),
        State("intake-seen", "data"),
        prevent_initial_call=True,
    )
    def tick(_n: int | None, seen: int | None) -> tuple[Any, ...]:
        return calls.after_a_while(data, seen or 0)
