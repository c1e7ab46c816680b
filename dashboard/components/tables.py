"""Tables: the sortable grid with its kinds of columns, and the plain table of a few rows."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import dash_ag_grid as dag
from dash import Dash, Input, Output, html

from dashboard import theme
from dashboard.components.browser import aria
from dashboard.navigation import Document

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
SENTENCE = 40  # letters from which a cell is one
PAGE_SIZE = 25  # rows before a table turns the page; no table scrolls inside the page
Column = dict[str, Any]  # the table library's own options


def column(field: str, title: str, **options: Any) -> Column:
    """Return a column; `since` is the table's width in pixels from which it is shown."""
    since = options.pop("since", 0)
    return {"field": field, "headerName": _unbroken(title), "context": {"since": since}, **options}


def _unbroken(title: str) -> str:
    """Return a title whose percent signs stay beside their numbers where it wraps."""
    return title.replace(" %", f"{theme.NBSP}%")


def word_column(field: str, title: str, **options: Any) -> Column:
    """Return a column of names: two lines at most, which every row has room for."""
    defaults = {"filter": "agTextColumnFilter", "wrapText": True, "tooltipField": field}
    return column(field, title, **(defaults | options))


def text_column(field: str, title: str, **options: Any) -> Column:
    """Return a column of sentences that may wrap; measuring their height costs a table most."""
    return word_column(field, title, **({"autoHeight": True, "tooltipField": None} | options))


def number_column(field: str, title: str, shown: str | None = None, **options: Any) -> Column:
    """Return a column of numbers, sorted by the number, shown as the text in the field `shown`."""
    defaults: Column = {"filter": "agNumberColumnFilter", "type": "rightAligned"}
    if shown:
        defaults["valueFormatter"] = {"function": f"slopewatch.shown(params, '{shown}')"}
    return column(field, title, **(defaults | options))


def day_column(field: str, title: str, **options: Any) -> Column:
    """Return a column of ISO days, sorted as days and shown in words."""
    defaults: Column = {
        "filter": "agDateColumnFilter",
        "cellDataType": "dateString",
        "valueFormatter": {"function": "slopewatch.day(params.value)"},
        "width": 122,
    }
    return column(field, title, **(defaults | options))


def status_column(title: str, width: int) -> Column:
    """Return the column of a meter's status, the most urgent first."""
    return word_column(
        "status",
        title,
        cellRenderer="StatusCell",
        comparator={"function": "slopewatch.byUrgency"},
        tooltipField=None,
        width=width,
    )


def device_column(field: str, title: str, **options: Any) -> Column:
    """Return a column of names that lead to the address in the row's `href`."""
    return word_column(field, title, cellRenderer="DeviceCell", **options)


def plain_table(
    titles: Sequence[str],
    rows: Sequence[Sequence[Any] | html.Tr],
    *,
    name: str,
    numbers: Sequence[int] = (),
    headed: bool = False,
) -> html.Div:
    """Return a short table that needs no sorting; on a narrow screen it scrolls sideways.

    rows: a row's cells in the order of the titles; a finished html.Tr or html.Td stays as it is
    name: what a screen reader calls the table
    numbers: positions of the columns whose text stays on one line; a sentence gets room for words
    headed: whether the first cell of a row names it
    """
    head = html.Thead(html.Tr([html.Th(_unbroken(title), scope="col") for title in titles]))
    body = [
        row
        if isinstance(row, html.Tr)
        else html.Tr([_cell(cell, n, numbers, headed) for n, cell in enumerate(row)])
        for row in rows
    ]
    return html.Div(
        html.Table([head, html.Tbody(body)], className="plain"),
        className="table-wrap",
        tabIndex=0,
        role="group",
        **aria(label=name),
    )


def _cell(cell: Any, n: int, numbers: Sequence[int], headed: bool) -> html.Td | html.Th:
    if isinstance(cell, html.Td):
        return cell
    if headed and n == 0:
        return html.Th(cell, scope="row")
    is_sentence = isinstance(cell, str) and len(cell) > SENTENCE
    return html.Td(cell, className="num" if n in numbers else "words" if is_sentence else "")


def show_chosen(app: Dash, table: str, place: str, draw: Callable[[Document], Any]) -> None:
    """Register the callback that draws the row chosen in a table into a place."""

    @app.callback(
        Output(place, "children"), Input(table, "selectedRows"), prevent_initial_call=True
    )
    def choose(chosen: Sequence[Document] | None) -> Any:
        return draw(chosen[0]) if chosen else None


def table(
    name: str,
    rows: Sequence[Document],
    columns: Sequence[Mapping[str, Any]],
    *,
    key: str,
    options: Mapping[str, Any] | None = None,
) -> dag.AgGrid:
    """Return a sortable, filterable table that grows with its rows and sheds columns when narrow.

    key: the field that names a row
    options: more of the grid's own options
    """
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
        **(options or {}),
    }
    settings["localeText"] = WORDS | settings.get("localeText", {})
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
