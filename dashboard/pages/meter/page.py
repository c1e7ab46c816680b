"""One meter: where it stands, why, and everything that it rests on."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, html, no_update

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document, Door, View, meter_of
from dashboard.pages.meter import rides, work
from dashboard.pages.meter.records import events_part, resets_part
from dashboard.pages.meter.rides import comparisons_part
from dashboard.pages.meter.sessions import session_detail, sessions_part
from dashboard.pages.meter.why import why

PATH = "/meter/<meter_id>"
TITLE = "Meter"
PLACE = None
KEPT = True


def layout(data: Door, view: View) -> html.Div:
    """The meter's page, as it could be known on the day looked from."""
    meter_id = view.params["meter_id"]
    meter = find_meter(data, meter_id)
    if meter is None:
        return _unknown(view, meter_id)
    status = data.status(view.as_of)
    row = next((r for r in status["meters"] if r["meter_id"] == meter_id), None)
    history = data.history(meter_id, view.as_of)
    sessions = upto(data.bench_sessions(meter_id), view.as_of)
    comparisons = upto(data.comparisons(meter_id), view.as_of)
    waiting = work.proposals(data, view, meter_id)
    return html.Div(
        [
            _head(view, meter, row),
            parts.as_of_line(view, status["as_of"], status.get("today_note")),
            _being_taken_in(row),
            _standing(row, status["as_of"]),
            _alarms(row),
            why(row, status, sessions, comparisons),
            _charts(history, row, status["as_of"], meter_id),
            sessions_part(sessions),
            resets_part(history["resets"]),
            work.proposals_part(waiting),
            events_part(history["events"], waiting),
            comparisons_part(comparisons),
        ],
        className="meter",
    )


def _being_taken_in(row: Document | None) -> html.P | None:
    """What the answers below do not hold yet."""
    how = (row or {}).get("taking_in")
    if not how:
        return None
    what = "A bench session was taken back" if how == "taken back" else "Measured at the bench"
    said = f"{what}: it is being taken in, and all below but the list of sessions is of before."
    return html.P(said, className="note", role="status")


def find_meter(data: Door, meter_id: str) -> Document | None:
    """The meter's own facts; None when the store does not know it."""
    try:
        return data.meter(meter_id) or None
    except LookupError:
        return None


def upto(rows: list[Document], as_of: str | None) -> list[Document]:
    """The rows measured up to the end of a day, the newest first."""
    known = [r for r in rows if as_of is None or str(theme.iso(r["measured_at"])) <= as_of]
    return sorted(known, key=lambda r: str(r["measured_at"]), reverse=True)


def _unknown(view: View, meter_id: str) -> html.Div:
    return html.Div(
        [
            html.H1("No such meter"),
            parts.empty(
                f"The store knows no meter “{meter_id}”.",
                [
                    "Check its spelling in the ",
                    parts.link("list of the fleet", view.link("/")),
                    ", or add it to the table ",
                    parts.command("meters"),
                    " and load it.",
                ],
            ),
        ]
    )


# ---- where it stands -------------------------------------------------------------------------


def _head(view: View, meter: Document, row: Document | None) -> html.Div:
    known = {**meter, **(row or {})}
    named = [
        theme.words(known.get("kind")),
        f"group {known['group']}" if known.get("group") else None,
        f"serial {known['serial_number']}" if known.get("serial_number") else None,
        f"rider {known['rider_id']}" if known.get("rider_id") else "no rider",
        parts.bike_words(known.get("bike_id")),
        theme.words(known.get("state")) if known.get("state") else None,
    ]
    badge = [parts.badge(row["status"])] if row else []
    return html.Div(
        [
            html.P(parts.link("← Fleet", view.link("/")), className="way-back"),
            html.Div(
                [
                    html.H1(meter["meter_id"]),
                    *badge,
                    work.bench_link(view, meter["meter_id"]) if row else None,
                ],
                className="title",
            ),
            html.P(" · ".join(text for text in named if text), className="named"),
        ]
    )


def _standing(row: Document | None, as_of: object) -> html.Section | html.Div:
    if row is None:
        return parts.empty(
            "This meter is not judged.",
            "It is retired, lost, sold or returned; what was measured is kept below.",
        )
    due = row.get("due_date")
    drift = theme.plus_minus(
        row.get("drift_pct_per_year"), theme.half90(row.get("drift_sd_pct_per_year")), "%"
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
            parts.facts(
                [
                    ("Next", html.B(theme.prose(row.get("next_action")) or theme.MISSING)),
                    ("Probability in tolerance", theme.probability(row.get("p_within_tolerance"))),
                    ("Tolerance", f"± {theme.percent(row['tolerance_pct'], signed=False)}"),
                    ("Drift a year", f"{drift} (90 %)" if drift != theme.MISSING else drift),
                    ("Due", due_words(due, as_of)),
                    ("Last bench session", _when(row.get("last_bench"), as_of)),
                    ("Last ride comparison", _when(row.get("last_comparison"), as_of)),
                ]
            ),
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


def due_words(due: object, as_of: object) -> str:
    """A due date with how far off it is."""
    then, now = theme.as_date(due), theme.as_date(as_of)
    if then is None:
        return "not within five years"
    if now and then <= now:
        return "now"
    return f"{theme.day(then)}, {theme.away(then, now)}"


def _when(value: object, as_of: object) -> str:
    return f"{theme.day(value)}, {theme.away(value, as_of)}" if value else "none yet"


def _alarms(row: Document | None) -> html.Section | None:
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


# ---- charts ------------------------------------------------------------------------------------


def _charts(history: Document, row: Document | None, as_of: object, meter_id: str) -> html.Section:
    if not history["points"] and not history["observations"]:
        return parts.section(
            "Gain error over time",
            parts.empty(
                "Nothing has been measured on this meter yet.",
                "Hang the mass once, as found, before anything is changed, and load the session "
                "with the table “bench”. Until then its numbers are those of its group.",
            ),
            name="meter-drift",
        )
    due = (row or {}).get("due_date")
    days = figures.x_range(history, today=as_of, due=due)
    drift = figures.drift(history, today=as_of, due=due)
    control = figures.control(history, days=days)
    return html.Section(
        [
            parts.section(
                "Gain error over time",
                parts.chart("drift", drift, drift_words(history, row, meter_id), tall=True),
                name="meter-drift",
                note="Filled marks were used, hollow ones were not. Bars and shading span 90 %.",
            ),
            parts.section(
                "Control chart",
                parts.chart("control", control, control_words(history, meter_id)),
                name="meter-control",
                note="How far each observation fell from what was expected of it, in its own "
                "standard deviations: one by one above, as a weighted mean below. A ring marks "
                "what lies beyond the limit.",
            ),
        ]
    )


def drift_words(history: Document, row: Document | None, meter_id: str) -> str:
    """What the drift chart shows, for whoever cannot see it."""
    seen = history["observations"]
    benches = sum(o["kind"] == "bench" for o in seen)
    now = theme.percent((row or {}).get("gain_error_pct"))
    interval = theme.span((row or {}).get("interval90_pct"))
    return (
        f"Gain error of {meter_id} over time, from {theme.plural(benches, 'bench session')} and "
        f"{theme.plural(len(seen) - benches, 'ride comparison')}, with "
        f"{theme.plural(len(history['resets']), 'change')} of the slope. Now {now}, 90 %: "
        f"{interval}; tolerance ± {theme.percent(history.get('tolerance_pct'), signed=False)}."
    )


def control_words(history: Document, meter_id: str) -> str:
    """What the control chart shows, for whoever cannot see it."""
    beyond = [row for row in history["control"]["individuals"] if row["signal"]]
    drifting = [row for row in history["control"]["ewma"] if row["signal"]]
    days = ", ".join(theme.day(row["date"]) for row in beyond) or "none"
    return (
        f"Control chart of {meter_id}. Single observations beyond their limit: {days}. "
        f"Weighted means beyond theirs: {len(drifting)}."
    )


def register(app: Dash, data: Door) -> None:
    """Choosing a session shows its readings and budget, choosing a comparison its ride."""
    rides.register(app, data)
    work.register(app, data)

    @app.callback(
        Output("meter-session", "children"),
        Input("meter-sessions", "selectedRows"),
        State("place", "pathname"),
        prevent_initial_call=True,
    )
    def show_session(chosen: list[Document] | None, pathname: str) -> Any:
        meter_id = meter_of(pathname)
        wanted = {row["session_id"] for row in chosen or []}
        found = [s for s in data.bench_sessions(meter_id) if s["session_id"] in wanted]
        return session_detail(found[0]) if found else no_update
