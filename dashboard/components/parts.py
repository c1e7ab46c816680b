"""Parts that more than one page is built from: badges, tables, charts, alarms, empty states."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import dash_ag_grid as dag
from dash import ClientsideFunction, dcc, html
from plotly.graph_objects import Figure

from dashboard import theme
from dashboard.navigation import Document, View, meter_path

CHOOSE_ONE = {
    "rowSelection": {"mode": "singleRow", "checkboxes": False, "enableClickSelection": True}
}
WORDS = {
    "noRowsToShow": "No row matches.",
    "pageSizeSelectorLabel": "Rows at a time:",
    "ariaPageSizeSelectorLabel": "Rows at a time",
    "page": "Sheet",
    "to": "to",
    "of": "of",
    "firstPage": "First sheet",
    "previousPage": "Sheet before",
    "nextPage": "Sheet after",
    "lastPage": "Last sheet",
}
PAGE_SIZE = 25  # rows before a table turns the page; no table scrolls inside the page


def aria(**attributes: str) -> dict[str, Any]:
    """What a screen reader is told, as the attributes of any component: aria(label="…")."""
    return {f"aria-{name}": value for name, value in attributes.items()}


def facts_of(**facts: str) -> dict[str, Any]:
    """What a script reads off a component, as its attributes: facts_of(meter="A1")."""
    return {f"data-{name}": value for name, value in facts.items()}


def in_browser(app: Any, function: str, *dependencies: Any, at_start: bool = True) -> None:
    """A callback that runs as the named function of assets/slopewatch.js, not on the server."""
    app.clientside_callback(
        ClientsideFunction("slopewatch", function),
        *dependencies,
        prevent_initial_call=not at_start,
    )


def bike_words(bike_id: object) -> str | None:
    """A bike in a sentence: the word stands once, whether or not the name holds it already."""
    if not bike_id:
        return None
    return str(bike_id) if "bike" in str(bike_id).lower() else f"bike {bike_id}"


def badge(status: str) -> html.Span:
    """A status as glyph and word, in its colour; never the colour alone."""
    known = status if status in theme.STATUSES else "unknown"
    shown = theme.STATUSES[known]
    return html.Span(
        [html.Span(className=f"glyph glyph-{known}", **aria(hidden="true")), shown.word],
        className=f"badge badge-{known}",
        title=shown.meaning,
    )


def section(title: str, *children: Any, name: str, note: str | None = None) -> html.Section:
    """A titled part of a page, with a line under the title that says how to read it."""
    head: list[Any] = [html.H2(title, id=f"{name}-title")]
    if note:
        head.append(html.P(note, className="note"))
    return html.Section([*head, *children], className="part", **aria(labelledby=f"{name}-title"))


def empty(what: str, next_step: Any) -> html.Div:
    """What is not there yet, and what to do about it."""
    return html.Div([html.P(what, className="empty-what"), html.P(next_step)], className="empty")


def command(text: str) -> html.Code:
    """A command to type."""
    return html.Code(text, className="command")


def facts(pairs: Sequence[tuple[str, Any]]) -> html.Dl:
    """Label and value pairs."""
    return html.Dl(
        [html.Div([html.Dt(label), html.Dd(value)]) for label, value in pairs], className="facts"
    )


def link(shown: Any, href: str, *, className: str = "", **attributes: Any) -> html.A:  # noqa: N803
    """A link to another page of the dashboard, followed without a reload."""
    return html.A(shown, href=href, className=f"inner {className}".strip(), **attributes)


def device_link(view: View, meter_id: str) -> html.A:
    """A link to a meter's page that keeps the day looked from."""
    return link(meter_id, view.link(meter_path(meter_id)))


def as_of_line(view: View, as_of: object, note: str | None) -> html.Div:
    """The day the page speaks of, why it is that day, and the way to look from another."""
    said: list[Any] = [html.B(f"As of {theme.day(as_of)}"), "."]
    if view.as_of:
        said += [
            " This is what could have been known on that day. ",
            link("Back to today", "?", className="back"),
        ]
    elif note:
        said.append(f" {theme.sentence(note)}")
    return html.Div(
        [html.P(said), _look_back(as_of)], className="as-of past" if view.as_of else "as-of"
    )


def _look_back(as_of: object) -> html.Details:
    opened: dict[str, Any] = {"data-day": theme.iso(as_of) or ""}
    return html.Details(
        [
            html.Summary("Look from another day"),
            html.Div(
                [
                    html.Label("Day", htmlFor="as-of-day"),
                    # the browser's own date field is put in here when it is opened
                    html.Div(id="as-of-place", **opened),
                    html.Button("Show", id="as-of-show", n_clicks=0),
                ],
                className="look-back",
            ),
        ]
    )


def reasons(row: Document) -> list[str]:
    """Why a meter has its status, without what its alarms already say beside it."""
    alarms = {alarm.get("text") for alarm in row.get("alarms") or []}
    return [reason for reason in row.get("reasons") or [] if reason not in alarms]


def alarm_line(view: View, device: str, alarm: Document, *, is_meter: bool) -> html.Li:
    """One alarm: when, which device, what."""
    shown = device_link(view, device) if is_meter else html.B(device)
    return _alarm([shown, " ", html.Time(theme.day(alarm.get("date")))], alarm)


def own_alarm_line(alarm: Document) -> html.Li:
    """One alarm on its own device's page."""
    kind = html.B(theme.words(alarm.get("kind")).capitalize())
    return _alarm([kind, " ", html.Time(theme.day(alarm.get("date")))], alarm)


def _alarm(head: list[Any], alarm: Document) -> html.Li:
    return html.Li(
        [
            html.Span(className="glyph glyph-alarm", **aria(hidden="true")),
            html.Div(
                [
                    html.Div(head),
                    html.Div(
                        theme.sentence(alarm.get("text") or theme.words(alarm.get("kind"))),
                        className="alarm-text",
                    ),
                ]
            ),
        ],
        className="alarm",
    )


def interval_bar(
    interval: Sequence[float] | None, value: float | None, tolerance: float | None
) -> html.Div | None:
    """A value with its interval on a scale from −3 to +3 times the limit, the limit shaded."""
    place = bar_place(interval, value, tolerance)
    if place is None:
        return None
    low, middle, high = place
    return html.Div(
        [
            html.Span(className="bar-limit"),
            html.Span(
                className="bar-span", style={"left": f"{low}%", "width": f"{max(1.0, high - low)}%"}
            ),
            html.Span(className="bar-dot", style={"left": f"{middle}%"}),
        ],
        className="bar",
        **aria(hidden="true"),
    )


def bar_place(
    interval: Sequence[float] | None, value: float | None, tolerance: float | None
) -> tuple[float, float, float] | None:
    """Low end, value and high end as percent of the bar's width; None without numbers."""
    if not interval or not tolerance or not theme.is_number(value) or value is None:
        return None
    low, high = (_across(end, tolerance) for end in interval)
    return low, _across(value, tolerance), high


def _across(value: float, tolerance: float) -> float:
    return round(min(100.0, max(0.0, 50 + 100 * value / (6 * tolerance))), 1)


def chart(
    name: str, figure: Figure | Document, description: str, *, tall: bool = False
) -> html.Figure:
    """A figure that follows the theme; the description is what a screen reader says.

    The figure comes in the light theme's colours; the browser puts the chart into its place in
    those of the theme in force, and so draws it once.
    """
    drawn: dict[str, Any] = {
        "figure": figure if isinstance(figure, dict) else figure.to_plotly_json(),
        "className": "chart tall" if tall else "chart",
        "config": {
            "displaylogo": False,
            "responsive": True,
            "modeBarButtons": [["zoom2d", "pan2d", "resetScale2d"], ["toImage"]],
            "toImageButtonOptions": {"format": "svg", "filename": name},
        },
    }
    return html.Figure(
        [
            dcc.Store(id={"type": "chart-source", "name": name}, data=drawn),
            html.Div(id={"type": "chart", "name": name}, className=drawn["className"]),
            html.Figcaption(description, className="unseen"),
        ],
        **aria(label=description),
    )


def column(field: str, title: str, **options: Any) -> dict[str, Any]:
    """A table column; `since` is the table's width in pixels from which it is shown."""
    since = options.pop("since", 0)
    return {"field": field, "headerName": title, "context": {"since": since}, **options}


def word_column(field: str, title: str, **options: Any) -> dict[str, Any]:
    """A column of names: two lines at most, which every row has room for."""
    defaults = {"filter": "agTextColumnFilter", "wrapText": True, "tooltipField": field}
    return column(field, title, **(defaults | options))


def text_column(field: str, title: str, **options: Any) -> dict[str, Any]:
    """A column of sentences that may wrap; measuring their height is a table's dearest part."""
    return word_column(field, title, **({"autoHeight": True, "tooltipField": None} | options))


def number_column(
    field: str, title: str, shown: str | None = None, **options: Any
) -> dict[str, Any]:
    """A column of numbers: sorted by the number, shown as the text in the field `shown`."""
    defaults: dict[str, Any] = {"filter": "agNumberColumnFilter", "type": "rightAligned"}
    if shown:
        defaults["valueFormatter"] = {"function": f"slopewatch.shown(params, '{shown}')"}
    return column(field, title, **(defaults | options))


def day_column(field: str, title: str, **options: Any) -> dict[str, Any]:
    """A column of ISO days, sorted as days and shown in words."""
    defaults: dict[str, Any] = {
        "filter": "agDateColumnFilter",
        "cellDataType": "dateString",
        "valueFormatter": {"function": "slopewatch.day(params.value)"},
        "width": 122,
    }
    return column(field, title, **(defaults | options))


def plain_table(titles: Sequence[str], rows: Sequence[html.Tr], *, name: str) -> html.Div:
    """A short table that needs no sorting; on a narrow screen it scrolls sideways."""
    head = html.Thead(html.Tr([html.Th(title, scope="col") for title in titles]))
    return html.Div(
        html.Table([head, html.Tbody(list(rows))], className="plain"),
        className="table-wrap",
        tabIndex=0,
        role="group",
        **aria(label=name),
    )


def choice(name: str, options: Sequence[str], everything: str, *, kept: bool = True) -> html.Div:
    """The browser's own list to choose one from; what is chosen is in the store NAME-chosen.

    kept   whether the choice outlasts a reload
    """
    listed = [html.Option(everything, value="")]
    listed += [html.Option(option, value=option) for option in options]
    return html.Div(
        [
            html.Select(listed, id=name, className="choice"),
            dcc.Store(id=f"{name}-chosen", storage_type="session" if kept else "memory"),
        ]
    )


def table(
    name: str,
    rows: list[Document],
    columns: list[dict[str, Any]],
    *,
    key: str,
    options: Mapping[str, Any] | None = None,
) -> dag.AgGrid:
    """A sortable, filterable table that grows with its rows and sheds columns when narrow."""
    settings: dict[str, Any] = {
        "domLayout": "autoHeight",
        "pagination": len(rows) > PAGE_SIZE,
        "paginationPageSize": PAGE_SIZE,
        "paginationPageSizeSelector": [PAGE_SIZE, 50, 200],
        "enableCellTextSelection": True,
        "ensureDomOrder": True,
        "suppressColumnVirtualisation": True,
        "suppressMovableColumns": True,
        "animateRows": False,
        "rowHeight": 44,
        "suppressMenuHide": False,
        "localeText": WORDS,
        **(options or {}),
    }
    return dag.AgGrid(
        id=name,
        rowData=rows,
        columnDefs=columns,
        defaultColDef={
            "sortable": True,
            "resizable": True,
            "minWidth": 64,
            "wrapHeaderText": True,
            "autoHeaderHeight": True,
            "useValueFormatterForExport": False,
        },
        dashGridOptions=settings,
        getRowId=f"params.data.{key}",
        eventListeners={"gridSizeChanged": ["slopewatch.fit(params)"]},
        className="table",
        style={"height": None, "width": "100%"},
    )
