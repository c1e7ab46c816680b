"""The table of the fleet's meters: the filters above it, its rows in words, its columns."""

from collections.abc import Sequence

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View, meter_path

WHY_SHOWN = 2  # alarms and reasons in the table; the meter's page has all of them


def meters_part(view: View, status: Document) -> html.Section:
    """Return the table; the browser puts the rows into it that match every filter."""
    rows = meter_rows(view, status)
    paged = {"pagination": len(rows) > parts.PAGE_SIZE}
    return html.Section(
        [
            html.H2("Meters", className="unseen", id="fleet-meters-title"),
            dcc.Store(id="fleet-rows", data=rows),
            parts.note(parts.PLUS_MINUS),
            _filters(rows),
            parts.table("fleet-grid", [], columns(), key="meter_id", options=paged),
        ],
        className="part",
        **parts.aria(labelledby="fleet-meters-title"),
    )


def _filters(rows: Sequence[Document]) -> html.Div:
    groups = sorted({row["group"] for row in rows})
    riders = sorted({row["rider_id"] for row in rows if row["rider_id"]})
    kept = {"persistence": True, "persistence_type": "session"}
    return html.Div(
        [
            parts.search_field("fleet-search", "meter, rider, bike, serial…", wide=True, **kept),
            parts.choice_field("fleet-group", "Group", groups, "All groups", kept="session"),
            parts.choice_field("fleet-rider", "Rider", riders, "All riders", kept="session"),
            html.Div(
                [
                    html.Span(id="fleet-shown", role="status"),
                    html.Button("Show all", id="fleet-clear", className="quiet", n_clicks=0),
                    html.Button("Save as CSV", id="fleet-csv", className="quiet", n_clicks=0),
                ],
                className="filter-end",
            ),
        ],
        className="filters",
    )


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
        "why": _why(row),
        "alarms": [parts.alarm_words(alarm) for alarm in row.get("alarms") or []],
        "next_action": theme.prose(row.get("next_action")),
        "last_bench": theme.iso(row.get("last_bench")),
        "drift_pct_per_year": drift,
        "drift_text": theme.plus_minus(drift, theme.half90(spread), "%", 1),
        "haystack": _haystack(row),
    }


def _due_text(due: object, as_of: object) -> str:
    then, now = theme.as_date(due), theme.as_date(as_of)
    if then is None:
        return "not within 5 years"
    return "now" if now and then <= now else theme.day(then)


def _why(row: Document) -> str:
    room = max(1, WHY_SHOWN - len(row.get("alarms") or []))
    return " ".join(theme.sentence(text) for text in parts.reasons(row)[:room])


def _haystack(row: Document) -> str:
    """Return the text that the search above the table looks through."""
    keys = ("meter_id", "rider_id", "bike_id", "group", "kind", "serial_number", "state", "status")
    words = [str(row[key]) for key in keys if row.get(key)]
    return " ".join([*words, *(row.get("reasons") or [])]).lower()


def columns() -> list[Document]:
    """Return the table's columns; `since` is the width from which there is room for one."""
    due = {"valueFormatter": {"function": "slopewatch.shown(params, 'due_text')"}}
    return [
        parts.status_column("Status", 136),
        parts.device_column("meter_id", "Meter", flex=1, minWidth=88, maxWidth=116),
        parts.word_column("rider_id", "Rider", width=78, since=560),
        parts.word_column("bike_id", "Bike", width=96, since=1600),
        parts.word_column("group", "Group", width=122, since=1150),
        *parts.gain_error_columns(bar_since=940),
        parts.number_column("p_within_tolerance", "In tolerance", "p_text", width=100, since=860),
        parts.day_column("due_date", "Due", wrapText=True, width=116, since=480, **due),
        parts.text_column("why", "Why", cellRenderer="WhyCell", flex=3, minWidth=230, since=1200),
        parts.text_column("next_action", "Next", flex=2, minWidth=150, since=640),
        parts.day_column("last_bench", "Last bench", since=1500),
        parts.number_column(
            "drift_pct_per_year", "Drift a year", "drift_text", width=120, since=1750
        ),
    ]
