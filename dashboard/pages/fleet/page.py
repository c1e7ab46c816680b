"""Fleet: who is out, due, soon or unknown, why, and what to do next."""

from __future__ import annotations

from collections import Counter
from typing import Any

from dash import ALL, Dash, Input, Output, State, dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Door, View
from dashboard.pages.fleet.table import alarm_words, columns, meter_rows

PATH = "/"
TITLE = "Fleet"
PLACE = 10
KEPT = True
ALARMS_SHOWN = 4
ORDER = list(theme.STATUSES)


def layout(data: Door, view: View) -> html.Div:
    """The fleet as the store knows it on the day looked from."""
    status = data.status(view.as_of)
    head = [html.H1(TITLE), parts.as_of_line(view, status["as_of"], status.get("today_note"))]
    if not status["meters"] and not status["references"]:
        return html.Div([*head, _nothing_loaded()], className="fleet")
    return html.Div(
        [
            *head,
            *_fit_notes(status["fit"]),
            html.Div([_summary(status), _alarms(view, status)], className="glance"),
            _meters(view, status),
            _devices(status),
        ],
        className="fleet",
    )


def _nothing_loaded() -> html.Div:
    return parts.empty(
        "Nothing is loaded yet.",
        [
            "Put the team's tables into a folder and run ",
            parts.command("slopewatch load FOLDER"),
            "; ",
            parts.command("slopewatch template FOLDER"),
            " writes empty ones to fill in. To look around first, run ",
            parts.command("slopewatch demo"),
            ".",
        ],
    )


def _fit_notes(fit: Document) -> list[html.P]:
    if not fit.get("behind"):
        return []
    if fit.get("working"):
        note = "New data are being taken in: the answers below follow by themselves."
        return [html.P(note, className="note", role="status")]
    offered: list[Any] = [
        "Data came in that the answers below do not hold yet: refit on the ",
        dcc.Link("Intake page", href="/intake"),
        ".",
    ]
    return [html.P(offered, className="warn", role="status")]


# ---- at a glance ---------------------------------------------------------------------------


def _summary(status: Document) -> html.Section:
    counts = Counter(row["status"] for row in status["meters"])
    return html.Section(
        [
            html.P(headline(counts), className="headline"),
            html.Div(
                [_count_button(name, counts[name]) for name in ORDER],
                className="counts",
                role="group",
                **parts.aria(label="Show only meters of a status"),
            ),
            dcc.Store(id="fleet-statuses", data=[], storage_type="session"),
        ],
        className="summary",
    )


def headline(counts: Counter[str]) -> str:
    """The fleet in one sentence or two."""
    now = counts["out"] + counts["due"]
    if not sum(counts.values()):
        return "No meters are loaded yet."
    first = "No meter needs the bench now."
    if now:
        verb = "needs" if now == 1 else "need"
        first = f"{theme.plural(now, 'meter')} {verb} the bench now."
    rest = []
    if counts["soon"]:
        rest.append(f"{counts['soon']} more within 28 days")
    if counts["unknown"]:
        rest.append(f"{counts['unknown']} cannot be judged yet")
    return " ".join([first, "; ".join(rest) + "." if rest else ""]).strip()


def _count_button(name: str, count: int) -> html.Button:
    shown = theme.STATUSES[name]
    return html.Button(
        [
            html.Span(className=f"glyph glyph-{name}", **parts.aria(hidden="true")),
            html.Span(str(count), className="count"),
            html.Span(shown.word, className="count-word"),
            html.Span(shown.meaning, className="count-meaning"),
        ],
        id={"type": "fleet-status", "status": name},
        className=f"count-button ink-{name}",
        n_clicks=0,
        **parts.aria(pressed="false"),
    )


def all_alarms(status: Document) -> list[tuple[str, bool, Document]]:
    """Every alarm with its device, and whether that is a meter; the newest first."""
    found = [
        (row[key], key == "meter_id", alarm)
        for devices, key in (
            ("meters", "meter_id"),
            ("references", "reference_id"),
            ("benches", "bench_id"),
        )
        for row in status.get(devices) or []
        for alarm in row.get("alarms") or []
    ]
    return sorted(found, key=lambda item: str(item[2].get("date") or ""), reverse=True)


def _alarms(view: View, status: Document) -> html.Section:
    lines = [
        parts.alarm_line(view, device, alarm, is_meter=is_meter)
        for device, is_meter, alarm in all_alarms(status)
    ]
    body: list[Any] = [html.Ul(lines[:ALARMS_SHOWN])]
    if len(lines) > ALARMS_SHOWN:
        rest = lines[ALARMS_SHOWN:]
        body.append(html.Details([html.Summary(f"{len(rest)} older"), html.Ul(rest)]))
    if not lines:
        body = [html.P("No device has jumped, struck or been entered wrongly, as far as seen.")]
    return html.Section(
        [html.H2(f"Alarms ({len(lines)})", id="fleet-alarms-title"), *body],
        className="alarms",
        **parts.aria(labelledby="fleet-alarms-title"),
    )


# ---- the meters ----------------------------------------------------------------------------


def _meters(view: View, status: Document) -> html.Section:
    rows = meter_rows(view, status)
    return html.Section(
        [
            html.H2("Meters", className="unseen", id="fleet-meters-title"),
            dcc.Store(id="fleet-rows", data=rows),
            _filters(rows),
            parts.table(
                "fleet-grid",
                [],
                columns(),
                key="meter_id",
                options={"pagination": len(rows) > parts.PAGE_SIZE},
            ),
        ],
        className="part",
        **parts.aria(labelledby="fleet-meters-title"),
    )


def _filters(rows: list[Document]) -> html.Div:
    groups = sorted({row["group"] for row in rows})
    riders = sorted({row["rider_id"] for row in rows if row["rider_id"]})
    return html.Div(
        [
            _field(
                "Search",
                dcc.Input(
                    id="fleet-search",
                    type="search",
                    placeholder="meter, rider, bike, serial…",
                    persistence=True,
                    persistence_type="session",
                ),
                "fleet-search",
                wide=True,
            ),
            _field("Group", parts.choice("fleet-group", groups, "All groups"), "fleet-group"),
            _field("Rider", parts.choice("fleet-rider", riders, "All riders"), "fleet-rider"),
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


def _field(label: str, control: Any, name: str, *, wide: bool = False) -> html.Div:
    return html.Div(
        [html.Label(label, htmlFor=name), control],
        className="field field-wide" if wide else "field",
    )


# ---- what the meters are measured against ---------------------------------------------------


def _devices(status: Document) -> html.Section:
    rows = [
        *(_device(row, "reference_id", "Trainer") for row in status.get("references") or []),
        *(_device(row, "bench_id", "Mass set") for row in status.get("benches") or []),
    ]
    titles = ("Device", "Kind", "Gain error, ± at 90 %", "Moved in a year", "State", "Seen")
    body: Any = parts.plain_table(titles, rows, name="Trainers and mass sets")
    if not rows:
        body = parts.empty(
            "No trainer and no mass set is known yet.",
            [
                "Fill in the tables ",
                parts.command("references"),
                " and ",
                parts.command("mass_sets"),
                " and load them.",
            ],
        )
    return parts.section(
        "Trainers and mass sets",
        body,
        name="fleet-devices",
        note="They drift and jump as well. A trainer's error includes the drivetrain's loss, so "
        f"only its changes count. {_truth(status)}",
    )


def _truth(status: Document) -> str:
    """What the fleet's truth hangs on."""
    truth = (status.get("fleet") or {}).get("truth") or {}
    return theme.sentence(truth["text"]) if truth.get("text") else ""


def _device(row: Document, key: str, kind: str) -> html.Tr:
    half = theme.half(row.get("interval90_pct")) or theme.half90(row.get("gain_error_sd_pct"))
    seen: Any = "nothing unusual"
    said = [alarm.get("text") or alarm_words(alarm) for alarm in row.get("alarms") or []]
    said += parts.reasons(row)
    if said:
        seen = html.Ul([html.Li(theme.sentence(text)) for text in said])
    named = theme.words(row.get("kind")).capitalize() if row.get("kind") else kind
    return html.Tr(
        [
            html.Th(row[key], scope="row"),
            html.Td(named),
            html.Td(theme.plus_minus(row.get("gain_error_pct"), half, "%", 2), className="num"),
            html.Td(
                theme.plus_minus(
                    row.get("change_pct"), theme.half90(row.get("change_sd_pct")), "%", 2
                ),
                className="num",
            ),
            html.Td(_device_state(row)),
            html.Td(seen, className="has-alarm" if row.get("alarms") else ""),
        ]
    )


def _device_state(row: Document) -> Any:
    """A trainer's status and due day; a mass set has none."""
    if not row.get("status"):
        return "–"
    due = f", due {theme.day(row['due_date'])}" if row.get("due_date") else ""
    told = f"{theme.STATUSES[row['status']].word}{due}"
    return html.Span(told, title=" ".join(row.get("reasons") or []))


# ---- what happens in the browser --------------------------------------------------------------


def register(app: Dash, _data: Door) -> None:
    """Filtering, opening and saving happen in the browser; nothing is asked of the server."""
    parts.in_browser(
        app,
        "toggleStatuses",
        Output("fleet-statuses", "data"),
        Output("fleet-search", "value"),
        Output("fleet-group-chosen", "data"),
        Output("fleet-rider-chosen", "data"),
        Input({"type": "fleet-status", "status": ALL}, "n_clicks"),
        Input("fleet-clear", "n_clicks"),
        State("fleet-statuses", "data"),
        at_start=False,
    )
    parts.in_browser(
        app,
        "filterFleet",
        Output("fleet-grid", "rowData"),
        Output("fleet-shown", "children"),
        Output("fleet-clear", "hidden"),
        Output({"type": "fleet-status", "status": ALL}, "aria-pressed"),
        Input("fleet-rows", "data"),
        Input("fleet-search", "value"),
        Input("fleet-statuses", "data"),
        Input("fleet-group-chosen", "data"),
        Input("fleet-rider-chosen", "data"),
    )
    clicked = Input("fleet-grid", "cellClicked")
    parts.in_browser(app, "openClicked", clicked, at_start=False)
    parts.in_browser(app, "saveCsv", Input("fleet-csv", "n_clicks"), at_start=False)
