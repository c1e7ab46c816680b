"""The table of the fleet's meters: the filters above it, its rows in words, its columns."""

from collections.abc import Sequence
from typing import Final

import dash_ag_grid as dag
from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View, meter_path
from dashboard.pages.fleet.glance import counts_part

OPENER: Final = {"colId": "more", "cellRenderer": "MoreCell", "sortable": False, "since": 480} | {
    "width": 44,
    "minWidth": 44,
}
NO_LINE = frozenset({"one_sided"})
"""Kinds of reasons that the list of meters does not tell: a rider's legs are health data."""


def meters_part(view: View, status: Document) -> html.Section:
    """Return the table; the browser puts the rows into it that match every filter."""
    rows = meter_rows(view, status)
    return html.Section(
        [
            html.H2("Meters", className="unseen", id="fleet-meters-title"),
            dcc.Store(id="fleet-rows", data=rows),
            dcc.Store(id="fleet-statuses"),
            html.Div([counts_part(status), *_filters(rows)], className="filters"),
            _table(len(rows)),
            parts.note(parts.PLUS_MINUS),
        ],
        className="fleet-meters",
        **parts.aria(labelledby="fleet-meters-title"),
    )


def _table(height: int) -> dag.AgGrid:
    """Return the empty table; an opened row has a second one below it, over the whole width."""
    grid = parts.table(
        "fleet-grid",
        [],
        columns(),
        key="meter_id",
        options={
            "pagination": height > parts.PAGE_SIZE,
            "getRowHeight": {"function": "slopewatch.fleetRowHeight(params)"},
            "isFullWidthRow": {"function": "slopewatch.fleetIsMore(params)"},
            "fullWidthCellRenderer": "FleetMore",
        },
    )
    grid.eventListeners = {
        "gridSizeChanged": ["slopewatch.fit(params)", "slopewatch.fleetResized(params)"],
        "sortChanged": ["slopewatch.fleetSorted(params)"],
    }
    return grid


def _filters(rows: Sequence[Document]) -> list[html.Div]:
    groups = sorted({row["group"] for row in rows})
    riders = sorted({row["rider_id"] for row in rows if row["rider_id"]})
    return [
        parts.search_field("fleet-search", "meter, rider…"),
        parts.choice_field("fleet-group", "Group", groups, "All groups"),
        parts.choice_field("fleet-rider", "Rider", riders, "All riders"),
        html.Div(
            [
                html.Span(id="fleet-shown", role="status"),
                html.Button("Show all", id="fleet-clear", className="quiet", n_clicks=0),
                html.Button("Save as CSV", id="fleet-csv", className="quiet", n_clicks=0),
            ],
            className="filter-end",
        ),
    ]


def meter_rows(view: View, status: Document) -> list[Document]:
    """Return one table row a meter, the most urgent first, each number in words beside it."""
    rows = [_meter_row(view, row, status["as_of"]) for row in status["meters"]]
    return sorted(rows, key=_urgency)


def _urgency(row: Document) -> tuple[int, float, str]:
    inside = row["p_within_tolerance"]
    return (
        list(theme.STATUSES).index(row["status"]),
        2.0 if inside is None else inside,
        row["meter_id"],
    )


def _meter_row(view: View, row: Document, as_of: object) -> Document:
    status = theme.known_status(row["status"])
    drift, spread = row.get("drift_pct_per_year"), row.get("drift_sd_pct_per_year")
    return {
        "meter_id": row["meter_id"],
        "href": view.link(meter_path(row["meter_id"])),
        "status": status,
        "status_word": theme.STATUSES[status].word,
        "rider_id": row.get("rider_id"),
        "bike_id": row.get("bike_id"),
        "group": row.get("group") or theme.words(row.get("kind")),
        **parts.gain_error_cells(row),
        "p_within_tolerance": row.get("p_within_tolerance"),
        "p_text": theme.probability(row.get("p_within_tolerance")),
        "due_date": theme.iso(row.get("due_date")),
        "due_text": _due_text(row.get("due_date"), as_of),
        "short_reason": theme.prose(row.get("short_reason")),
        "short_action": theme.prose(row.get("short_action")),
        "reasons": _reasons(row),
        "alarms": [parts.alarm_words(alarm) for alarm in row.get("alarms") or []],
        "next_action": theme.prose(row.get("next_action")),
        "last_bench": theme.iso(row.get("last_bench")),
        "drift_pct_per_year": drift,
        "drift_text": theme.plus_minus(drift, theme.half90(spread), "%", 1),
        "also": _search_words(row),
    }


def _due_text(due: object, as_of: object) -> str:
    then, now = theme.as_date(due), theme.as_date(as_of)
    if then is None:
        return "not within 5 years"
    return "now" if now and then <= now else theme.day(then)


def _reasons(row: Document) -> list[str]:
    told = zip(row.get("reasons") or (), row.get("reason_kinds") or (), strict=True)
    return [theme.sentence(reason) for reason, kind in told if kind not in NO_LINE]


def _search_words(row: Document) -> str:
    """Return what the search above the table looks through, beside what the row shows."""
    keys = ("kind", "serial_number", "state")
    return " ".join(str(row[key]) for key in keys if row.get(key)).lower()


def columns() -> list[Document]:
    """Return the table's columns; `since` is the width from which there is room for one."""
    due = {"valueFormatter": {"function": "slopewatch.shown(params, 'due_text')"}}
    shown = [
        parts.column("meter_id", "", **OPENER),
        parts.status_column("Status", 132) | {"minWidth": 88},
        parts.device_column("meter_id", "Meter", width=88, minWidth=62),
        parts.word_column("rider_id", "Rider", width=96, since=900),
        parts.word_column("bike_id", "Bike", width=96, since=1700),
        parts.word_column("group", "Group", width=110, since=1560),
        *parts.gain_error_columns(bar_since=1200),
        parts.number_column("p_within_tolerance", "In tolerance", "p_text", width=100, since=1640),
        parts.day_column("due_date", "Due", width=116, since=560, **due),
        parts.word_column("short_reason", "Reason", flex=7, minWidth=200, since=920),
        parts.word_column("short_action", "Next", cellRenderer="NextCell", flex=4, minWidth=120),
        parts.day_column("last_bench", "Last bench", since=1800),
        parts.number_column(
            "drift_pct_per_year", "Drift a year", "drift_text", width=120, since=1850
        ),
    ]
    return [column | {"filter": False} for column in shown]
