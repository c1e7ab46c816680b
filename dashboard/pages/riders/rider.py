"""One rider: the effort question, the meters over time, what one bike shows more than the other."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard import components, figures, theme
from dashboard import components as parts
from dashboard.components import arrived, arriving, date_field
from dashboard.navigation import Document, Door, View
from dashboard.pages.riders.effort_form import effort_answer, effort_form
from dashboard.service import is_expected

PATH = "/riders/<rider_id>"
TITLE = "Rider"
PLACE = None
LEDGER_DAYS = 365
LOOKED_FOR = (
    "a slope set anew, another meter on a bike, a changed setting, a battery that moved a meter, a "
    "step that nobody recorded, a jump of a zero. What no bench session, comparison or zero has "
    "shown yet cannot be known here."
)
LEDGER_COLUMNS = (
    *("rider_id", "meter_id", "from_date", "to_date"),
    *("factor", "factor_lo90", "factor_hi90", "note"),
)


def layout(data: Door, view: View) -> html.Div:
    """The page's frame, with what is known at once; the rest arrives later."""
    rider_id = view.params["rider_id"]
    rows = data.riders(view.as_of)
    found = next((row for row in rows if row["rider_id"] == rider_id), None)
    back = html.P(parts.link("← Riders", view.link("/riders")), className="way-back")
    if found is None:
        missing = parts.empty(f"No rider {rider_id} is known.", "Choose one from the riders page.")
        return html.Div([back, html.H1(rider_id), missing])
    status = data.status(view.as_of)
    asked = {"rider_id": rider_id, "as_of": view.as_of}
    return html.Div(
        [
            back,
            html.H1(rider_id),
            html.P(f"Coach: {found['coach'] or 'nobody'}", className="named"),
            parts.as_of_line(view, status["as_of"], status.get("today_note")),
            _now(view, found["meters"]),
            arriving("rider", asked),
            dcc.Store(id="rider-efforts"),
            dcc.Store(id="rider-noted"),
            _ledger(status["as_of"]),
        ],
        className="rider",
    )


def _now(view: View, meters: list[Document]) -> html.Div:
    if not meters:
        return parts.empty(
            "No meter is assigned to this rider today.",
            ["A row in the table ", parts.command("assignments"), " says who rides what."],
        )
    return html.Div([_card(view, row) for row in meters], className="meter-cards")


def _card(view: View, row: Document) -> html.Div:
    status = theme.known(row["status"])
    interval = row.get("interval90_pct")
    badge = html.Span(
        [
            html.Span(className=f"glyph glyph-{status}", **parts.aria(hidden="true")),
            theme.WORDS[status],
        ],
        className=f"badge badge-{status}",
        title=theme.elsewhere(status),
    )
    where = ", ".join(str(x) for x in (row.get("role"), row.get("bike_id")) if x)
    return html.Div(
        [
            html.Div([parts.device_link(view, row["meter_id"]), badge], className="card-head"),
            html.P(where, className="named"),
            html.P(
                [
                    "Reads ",
                    html.B(theme.plus_minus(row["gain_error_pct"], theme.half(interval), "%", 1)),
                    f": 300{theme.NBSP}W show as {theme.reads(row)}.",
                ]
            ),
            parts.interval_bar(interval, row["gain_error_pct"], row.get("tolerance_pct")),
            html.P(theme.sentence(theme.MEANINGS[status]), className="note"),
        ],
        className="card",
    )


def _ledger(as_of: object) -> html.Section:
    last = theme.as_date(as_of)
    first = last - timedelta(days=LEDGER_DAYS) if last else None
    controls = html.Div(
        [
            date_field("rider-from", "From", theme.iso(first) or ""),
            date_field("rider-to", "To", theme.iso(last) or ""),
            html.Button("Save as CSV", id="rider-ledger", className="quiet", n_clicks=0),
            html.Div(id="rider-ledger-said", className="remark", role="status"),
            dcc.Store(id="rider-ledger-asked"),
            dcc.Download(id="rider-file"),
        ],
        className="filters",
    )
    return parts.section(
        "Corrected ledger",
        controls,
        name="rider-ledger-part",
        note="True watts = shown watts × factor, a row for each month, meter and reset. Correct in "
        "one place only: meter, head unit or here.",
    )


def draw(view: View, document: Document, tolerance: float | None) -> list[Any]:
    """What has arrived."""
    return [
        effort_form(document),
        html.Div(id="rider-answer"),
        _chart_part(document, tolerance),
        _ridden_part(view, document["periods"]),
        _bikes_part(document["bikes"]),
        _notices_part(view, document["notices"]),
    ]


def _chart_part(document: Document, tolerance: float | None) -> html.Section:
    periods = [period for period in document["periods"] if period["points"]]
    body: Any = parts.empty("This rider has ridden no known meter yet.", "Load assignments.")
    if periods:
        text = "; ".join(
            f"{p['meter_id']} from {theme.day(p['from_date'])} to "
            f"{theme.day(p['to_date']) if p['to_date'] else 'today'}, now "
            f"{theme.percent(p['points'][-1]['gain_error_pct'], 1)}"
            for p in periods
        )
        figure = figures.ridden(periods, tolerance)
        body = parts.chart("rider-meters", figure, f"Gain error of each meter ridden: {text}.")
    return parts.section(
        "What each meter read",
        body,
        name="rider-chart",
        note="Only while this rider rode it; the shade is the 90 % interval, an upright line a "
        "change of the slope.",
    )


def _ridden_part(view: View, periods: list[Document]) -> html.Section | None:
    """Which meter on which bike from when to when, and what it read at both ends."""
    if not periods:
        return None
    rows = [
        html.Tr(
            [
                html.Th(parts.device_link(view, row["meter_id"]), scope="row"),
                html.Td(row.get("bike_id") or theme.MISSING),
                html.Td(row.get("role") or theme.MISSING),
                html.Td(theme.day(row["from_date"])),
                html.Td(theme.day(row["to_date"]) if row["to_date"] else "today"),
                html.Td(_read_at(row["points"], 0)),
                html.Td(_read_at(row["points"], -1)),
                html.Td(", ".join(theme.day(reset["date"]) for reset in row["resets"]) or "none"),
            ]
        )
        for row in reversed(periods)
    ]
    titles = (
        *("Meter", "Bike", "Role", "From", "To"),
        *("Gain error at the start, 90 %", "at the end, 90 %", "Slope changed"),
    )
    return parts.section(
        "Which meter when",
        parts.plain_table(titles, rows, name="Which meter when"),
        name="rider-ridden",
    )


def _read_at(points: list[Document], which: int) -> str:
    if not points:
        return theme.MISSING
    point = points[which]
    half = (point["hi90_pct"] - point["lo90_pct"]) / 2
    return theme.plus_minus(point["gain_error_pct"], half, "%", 1)


def _bikes_part(bikes: list[Document]) -> html.Section | None:
    if not bikes:
        return None
    rows = [
        html.Tr(
            [
                html.Th(f"{row['meter_id']} over {row['other_meter_id']}", scope="row"),
                html.Td(_more(row["difference_pct"], row["interval90_pct"], "%", 1)),
                html.Td(_more(row["difference_w"], row["interval90_w"], "W", 0)),
                html.Td(theme.probability(row["p_more"])),
            ]
        )
        for row in bikes
    ]
    titles = ("Meters", "Shows more today by", "At 300 W", "Chance that it does show more")
    return parts.section(
        "Between the bikes",
        parts.plain_table(titles, rows, name="Between the bikes"),
        name="rider-bikes",
        note="What is to be expected at the same effort on the same day; a threshold carried from "
        "one bike to the other shifts by it.",
    )


def _more(value: float, interval: list[float], unit: str, digits: int) -> str:
    return f"{theme.number(value, digits)}{theme.NBSP}{unit} ({theme.span(interval, digits, unit)})"


def _notices_part(view: View, notices: list[Document]) -> html.Section:
    body: Any = html.P("Looked for, and not found in the last year: " + LOOKED_FOR)
    if notices:
        body = html.Ul([_notice(view, row) for row in notices], className="rider-notices")
    return parts.section(
        f"Notices ({len(notices)})",
        body,
        name="rider-notices",
        note="What was found in the last year that spoils a comparison of watts."
        if notices
        else None,
    )


def _notice(view: View, row: Document) -> html.Li:
    seen = row.get("acknowledged_by")
    end: Any = html.Button(
        "Noted",
        className="quiet notice-seen",
        n_clicks=0,
        **parts.facts_of(notice=row["notice_id"]),
        **parts.aria(label=f"Mark the notice of {theme.day(row['from_date'])} as noted"),
    )
    if seen:
        end = html.Span(
            f"noted by {seen}, {theme.day(row['acknowledged_at'])}", className="quiet-words"
        )
    meter = row.get("meter_id")
    way: list[Any] = [" ", parts.device_link(view, meter)] if meter else []
    return html.Li([html.Span([theme.prose(row["text"]), *way]), end])


def register(app: Dash, data: Door) -> None:
    """The rider's meters arrive, efforts are answered, the ledger is taken along."""

    @app.callback(
        Output("rider-body", "children"),
        Output("rider-progress", "children"),
        Output("rider-tick", "disabled"),
        Input("rider-asked", "data"),
        Input("rider-tick", "n_intervals"),
    )
    def show(asked: Document, _ticks: int | None) -> tuple[Any, str, bool]:
        view = View(query={"as_of": asked["as_of"]} if asked["as_of"] else {})
        rows = data.riders(asked["as_of"])
        mine: list[Document] = next(
            (r["meters"] for r in rows if r["rider_id"] == asked["rider_id"]), []
        )
        limits = [row["tolerance_pct"] for row in mine if row.get("tolerance_pct")]
        told = data.rider(asked["rider_id"], asked["as_of"])
        return arrived(told, lambda found: draw(view, found, min(limits, default=None)))

    @app.callback(
        Output("rider-answer", "children"),
        Output("rider-answer", "className"),
        Input("rider-efforts", "data"),
        State("rider-asked", "data"),
        prevent_initial_call=True,
    )
    def answer(question: Document | None, asked: Document) -> tuple[Any, Any]:
        if not question:
            return no_update, no_update
        told = data.effort(
            asked["rider_id"], question["efforts"], asked["as_of"], question.get("carry_to")
        )
        return effort_answer(told), f"asked-at-{question['at']}"  # no longer greyed

    _register_ledger(app, data)


def _register_ledger(app: Dash, data: Door) -> None:
    @app.callback(
        Output("rider-file", "data"),
        Output("rider-ledger-said", "children"),
        Input("rider-ledger-asked", "data"),
        State("rider-asked", "data"),
        prevent_initial_call=True,
    )
    def save(period: Document | None, asked: Document) -> tuple[Any, Any]:
        if not period or not ctx.triggered_id:
            return no_update, no_update
        rider_id = asked["rider_id"]
        try:
            found = data.ledger(rider_id, period["first"], period["last"], asked["as_of"])
        except Exception as problem:
            if not is_expected(problem):
                raise
            return no_update, html.P(f"{_said(str(problem))} Nothing was saved.", className="warn")
        said = [html.P(_said(text)) for text in [*found["warnings"], *found["notes"]]]
        rows = [_ledger_row(row) for row in found["ledger"]]
        return components.csv_file(f"ledger-{rider_id}", rows, LEDGER_COLUMNS), said

    @app.callback(
        Output("rider-asked", "data"),
        Input("rider-noted", "data"),
        State("rider-asked", "data"),
        prevent_initial_call=True,
    )
    def note(noted: Document | None, asked: Document) -> Any:
        if not noted:
            return no_update
        data.acknowledge_notice(asked["rider_id"], noted["notice_id"])
        return asked | {"noted": noted["notice_id"]}


def _said(text: str) -> str:
    return theme.sentence(theme.prose(text))


def _ledger_row(row: Document) -> Document:
    low, high = row["interval90"]
    factors = {"factor": row["factor"], "factor_lo90": low, "factor_hi90": high}
    return row | {name: f"{value:.4f}" for name, value in factors.items()}
