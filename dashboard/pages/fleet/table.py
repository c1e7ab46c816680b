"""The table of the fleet's meters: its rows, in words, and its columns."""

from __future__ import annotations

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View, meter_path

WHY_SHOWN = 2  # alarms and reasons in the table; the meter's page has all of them


def meter_rows(view: View, status: Document) -> list[Document]:
    """One table row a meter, the most urgent first, every number already in words beside it."""
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
    status = row["status"] if row["status"] in theme.STATUSES else "unknown"
    value, interval, limit = (
        row.get("gain_error_pct"),
        row.get("interval90_pct"),
        row.get("tolerance_pct"),
    )
    drift = row.get("drift_pct_per_year")
    return {
        "meter_id": row["meter_id"],
        "href": view.link(meter_path(row["meter_id"])),
        "status": status,
        "status_word": theme.STATUSES[status].word,
        "rider_id": row.get("rider_id"),
        "bike_id": row.get("bike_id"),
        "group": row.get("group") or theme.words(row.get("kind")),
        "gain_error_pct": value,
        "error_text": theme.plus_minus(value, theme.half(interval), "%", 1),
        "bar": parts.bar_place(interval, value, limit),
        "bar_text": f"90 %: {theme.span(interval, 1)}; limit ± {theme.number(limit, 1)} %",
        "p_within_tolerance": row.get("p_within_tolerance"),
        "p_text": theme.probability(row.get("p_within_tolerance")),
        "due_date": theme.iso(row.get("due_date")),
        "due_text": _due_text(row.get("due_date"), as_of),
        "why": _why(row),
        "alarms": [alarm_words(alarm) for alarm in row.get("alarms") or []],
        "next_action": theme.prose(row.get("next_action")),
        "last_bench": theme.iso(row.get("last_bench")),
        "drift_pct_per_year": drift,
        "drift_text": theme.plus_minus(
            drift, theme.half90(row.get("drift_sd_pct_per_year")), "%", 1
        ),
        "haystack": _haystack(row),
    }


def _due_text(due: object, as_of: object) -> str:
    then, now = theme.as_date(due), theme.as_date(as_of)
    if then is None:
        return "not within 5 years"
    return "now" if now and then <= now else theme.day(then)


def alarm_words(alarm: Document) -> str:
    """An alarm in as few words as a table cell has room for."""
    size = theme.percent(alarm.get("size_pct"), 1)
    when = theme.day(alarm.get("date"))
    words = theme.words(alarm.get("kind")).capitalize()
    return f"{words}, {when}" if size == theme.MISSING else f"{words} {size}, {when}"


def _why(row: Document) -> str:
    room = max(1, WHY_SHOWN - len(row.get("alarms") or []))
    return " ".join(theme.sentence(text) for text in parts.reasons(row)[:room])


def _haystack(row: Document) -> str:
    keys = ("meter_id", "rider_id", "bike_id", "group", "kind", "serial_number", "state", "status")
    words = [str(row[key]) for key in keys if row.get(key)]
    return " ".join([*words, *(row.get("reasons") or [])]).lower()


def columns() -> list[Document]:
    """The meters' table; `since` is the width from which a narrow screen has room for one."""
    return [
        parts.word_column(
            "status",
            "Status",
            cellRenderer="StatusCell",
            comparator={"function": "slopewatch.byUrgency"},
            width=136,
        ),
        parts.word_column(
            "meter_id", "Meter", cellRenderer="DeviceCell", flex=1, minWidth=88, maxWidth=116
        ),
        parts.word_column("rider_id", "Rider", width=78, since=560),
        parts.word_column("bike_id", "Bike", width=96, since=1600),
        parts.word_column("group", "Group", width=122, since=1150),
        parts.number_column("gain_error_pct", "Gain error, ± at 90 %", "error_text", width=128),
        parts.column(
            "bar",
            "90 % interval against the limit",
            cellRenderer="BarCell",
            cellDataType=False,
            sortable=False,
            width=150,
            since=940,
        ),
        parts.number_column("p_within_tolerance", "In tolerance", "p_text", width=100, since=860),
        parts.day_column(
            "due_date",
            "Due",
            valueFormatter={"function": "slopewatch.shown(params, 'due_text')"},
            wrapText=True,
            width=116,
            since=480,
        ),
        parts.text_column("why", "Why", cellRenderer="WhyCell", flex=3, minWidth=230, since=1200),
        parts.text_column("next_action", "Next", flex=2, minWidth=150, since=640),
        parts.day_column("last_bench", "Last bench", since=1500),
        parts.number_column(
            "drift_pct_per_year", "Drift a year", "drift_text", width=120, since=1750
        ),
    ]
