"""The form of what sheets name and the store does not know: what could be told, what is missing."""

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from ingest.schema import TABLES

SHOWN = 60
ALL = "*"
OWN = ("serial_number",)  # of one device alone


def devices_form(devices: Sequence[Document]) -> html.Div | None:
    """Return a table of fields for each kind of device or person; None where there is none."""
    if not devices:
        return None
    tables = dict.fromkeys(device["table"] for device in devices)
    return html.Div(
        [
            html.H3("New to the store"),
            parts.note(
                "Named in these sheets, and not listed yet. What could be told is filled in. "
                "What is complete loads with the sheets; a meter that is not loads its readings, "
                "but has no new slope and no group of its own."
            ),
            *[_table(name, [d for d in devices if d["table"] == name]) for name in tables],
        ],
        className="own-new",
    )


def _table(name: str, devices: Sequence[Document]) -> html.Div:
    first = devices[0]
    columns = [column for column in first["cells"] if first["cells"][column] != first["name"]]
    more = len(devices) - SHOWN
    body = [_row(device, columns) for device in devices[:SHOWN]]
    lacking = {c: [d for d in devices if d["cells"][c] is None] for c in columns}
    lacking = {c: lacks if c not in OWN else [] for c, lacks in lacking.items()}
    if any(len(lacks) > 1 for lacks in lacking.values()):
        body.insert(0, _row_for_all(name, lacking))
    titles = [theme.words(head) for head in ("name", *columns)]
    return html.Div(
        [
            html.H4(theme.sentence(theme.words(name)).rstrip(".")),
            parts.plain_table(titles, body, name=f"{theme.words(name)}, new to the store"),
            parts.note(f"and {more} more, once these are loaded.") if more > 0 else None,
            *[_choices(name, column) for column in columns],
        ]
    )


def _row(device: Document, columns: Sequence[str]) -> html.Tr:
    cells = [html.Td(device["cells"][c] or _field(device, c)) for c in columns]
    return html.Tr([html.Th(device["name"], scope="row"), *cells])


def _row_for_all(table: str, lacking: dict[str, list[Document]]) -> html.Tr:
    cells = [
        html.Td(_input(table, ALL, column, _hint(lacks[0], column)) if len(lacks) > 1 else None)
        for column, lacks in lacking.items()
    ]
    return html.Tr([html.Th("all that lack it", scope="row"), *cells], className="own-all")


def _field(device: Document, column: str) -> html.Label:
    return _input(device["table"], device["name"], column, _hint(device, column))


def _hint(device: Document, column: str) -> str:
    likely = device["likely"].get(column)
    needed = "needed" if column in device["missing"] else ""
    return f"{likely}?" if likely else needed


def _input(table: str, name: str, column: str, hint: str) -> html.Label:
    of = "all that lack it" if name == ALL else name
    listed = bool(_choices_of(table, column))
    options: dict[str, Any] = {"list": _list_id(table, column)} if listed else {}
    field = dcc.Input(
        id={"type": "sheet-answer", "key": f"{table}.{name}.{column}"},
        type="text",
        value="",
        autoComplete="off",
        placeholder=hint,
        **options,
    )
    return html.Label([html.Span(f"{theme.words(column)} of {of}", className="unseen"), field])


def _choices(table: str, column: str) -> html.Datalist | None:
    choices = _choices_of(table, column)
    options = [html.Option(value=choice) for choice in choices]
    return html.Datalist(options, id=_list_id(table, column)) if choices else None


def _choices_of(table: str, column: str) -> Sequence[str]:
    return TABLES[table].column(column).choices


def _list_id(table: str, column: str) -> str:
    return f"intake-{table}-{column}"
