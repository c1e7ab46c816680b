"""Where a meter stands: its name, its gain error against the tolerance, its alarms."""

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View
from dashboard.pages.meter import work
from dashboard.security import Guarded


def head(data: Guarded, view: View, meter: Document, row: Document | None) -> html.Div:
    """Return the meter's name, its badge, the way to the bench, and what is known of it."""
    title = [
        html.H1(meter["meter_id"]),
        parts.badge(row["status"]) if row else None,
        work.bench_link(data, view, meter["meter_id"]) if row else None,
    ]
    return html.Div(
        [
            parts.way_back("Fleet", view.link("/")),
            html.Div(title, className="title"),
            html.P(_named({**meter, **(row or {})}), className="named"),
        ]
    )


def _named(known: Document) -> str:
    said = [
        theme.words(known.get("kind")),
        f"group {known['group']}" if known.get("group") else None,
        f"serial {known['serial_number']}" if known.get("serial_number") else None,
        f"rider {known['rider_id']}" if known.get("rider_id") else "no rider",
        theme.bike_words(known.get("bike_id")),
        theme.words(known.get("state")) if known.get("state") else None,
    ]
    return " · ".join(text for text in said if text)


def standing_part(row: Document | None, as_of: object) -> html.Section | html.Div:
    """Return the gain error with its interval, and the facts beside it."""
    if row is None:
        return parts.empty(
            "This meter has no status.",
            "It is retired, lost, sold or returned; what was measured is kept below.",
        )
    return html.Section(
        [
            html.Div(
                [
                    html.P(theme.percent(row.get("gain_error_pct")), className="big"),
                    html.P(_reads(row), className="reads"),
                    parts.interval_bar(
                        row.get("interval90_pct"), row.get("gain_error_pct"), row["tolerance_pct"]
                    ),
                ],
                className="figure-of-merit",
            ),
            parts.facts(_facts(row, as_of)),
        ],
        className="standing",
        **parts.aria(label="Where it stands"),
    )


def _reads(row: Document) -> str:
    value = row.get("gain_error_pct")
    if value is None:
        return "Nothing has been fitted yet."
    side = "high" if value > 0 else "low"
    return f"reads {side}; 90 %: {theme.span(row.get('interval90_pct'))}"


def _facts(row: Document, as_of: object) -> list[tuple[str, Any]]:
    drift, spread = row.get("drift_pct_per_year"), row.get("drift_sd_pct_per_year")
    return [
        ("Next", html.B(theme.prose(row.get("next_action")) or theme.MISSING)),
        ("Probability within tolerance", theme.probability(row.get("p_within_tolerance"))),
        ("Tolerance", theme.within(row["tolerance_pct"], unit="%")),
        ("Drift a year", theme.plus_minus(drift, theme.half90(spread), "%")),
        ("Due", due_words(row.get("due_date"), as_of)),
        ("Last bench session", _when(row.get("last_bench"), as_of)),
        ("Last ride comparison", _when(row.get("last_comparison"), as_of)),
    ]


def due_words(due: object, as_of: object) -> str:
    """Return a due date with how far off it is."""
    then, now = theme.as_date(due), theme.as_date(as_of)
    if then is None:
        return "not within five years"
    if now and then <= now:
        return "now"
    return f"{theme.day(then)}, {theme.away(then, now)}"


def _when(value: object, as_of: object) -> str:
    return f"{theme.day(value)}, {theme.away(value, as_of)}" if value else "none yet"


def alarms_part(row: Document | None) -> html.Section | None:
    """Return the meter's own alarms; nothing without any."""
    alarms = (row or {}).get("alarms") or []
    if not alarms:
        return None
    return html.Section(
        [
            html.H2("Alarms", className="unseen"),
            html.Ul([parts.own_alarm_line(alarm) for alarm in alarms]),
        ],
        className="own-alarms",
    )
