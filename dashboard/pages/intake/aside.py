"""The rows that were set aside, each with the cells to put right."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from ingest.schema import finished

SHOWN = 25
CELLS_SHOWN = 8
KINDS_SHOWN = 12


def aside_list(rows: Sequence[Document]) -> html.Section:
    """Return the set-aside rows: where, what was found and expected, fields for the right cells."""
    groups = together(rows)
    body: Any = html.Ul([_card(group) for group in groups[:SHOWN]], className="aside-rows")
    if not rows:
        body = parts.empty("No row is set aside.", "Every row that was read is in the store.")
    more = sum(map(len, groups[SHOWN:]))
    return parts.section(
        f"Set aside ({len(rows)})",
        _sure_part(rows),
        body,
        _more(more) if more > 0 else None,
        name="intake-set-aside",
        note="These rows could not be loaded as they are. A field holds what is suggested, where "
        "something is. Correct the cells and press “Put right”: the row loads at once. Decimal "
        "commas are fine.",
    )


def _sure_part(rows: Sequence[Document]) -> html.Div | None:
    """Return the one press that takes every suggestion that is sure, and what it takes."""
    taken = Counter(
        (p["column"], p["found"], p["suggested"])
        for row in rows
        for p in row["problems"]
        if p["sure"]
    )
    if not taken:
        return None
    number = theme.plural(taken.total(), "cell")
    kinds = [html.Li(_change(*change, count)) for change, count in taken.most_common(KINDS_SHOWN)]
    more = len(taken) - KINDS_SHOWN
    return html.Div(
        [
            html.H3(f"Understood for sure: {number}"),
            html.Ul(kinds),
            parts.note(f"and {theme.plural(more, 'other')}") if more > 0 else None,
            html.Button(
                f"Accept all: {number}", id={"type": "intake-accept", "rows": "sure"}, n_clicks=0
            ),
        ],
        className="aside-row aside-sure",
    )


def _change(column: str, found: str, suggested: str, count: int) -> list[Any]:
    times = f" ({count} times)" if count > 1 else ""
    value = html.Code(suggested) if suggested else "an empty cell"
    return [html.B(theme.words(column)), f": “{found}” is ", value, times]


def _more(more: int) -> html.P:
    return parts.note(
        [
            f"{more} more follow once these are done. To correct all of them at once in a "
            "spreadsheet, ",
            html.A("save them as CSV", href="/download/set-aside"),
            ", correct the cells, and bring the file in again.",
        ]
    )


def together(rows: Sequence[Document]) -> list[list[Document]]:
    """Return rows that one row of a sheet gave together where the same cells of it are wrong."""
    groups: dict[object, list[Document]] = {}
    for row in rows:
        wrong = frozenset((p["column"], p["found"]) for p in row["problems"])
        place = (row["file"], row["sheet"], row["table"], row["row"], wrong)
        session = row["cells"].get("session_id")
        alone = row["row"] is None or not wrong
        groups.setdefault(row["set_aside_id"] if alone else (place, session), []).append(row)
    return list(groups.values())


def _card(group: Sequence[Document]) -> html.Li:
    row = group[0]
    several = f"{len(group)} readings of it" if len(group) > 1 else None
    number, columns = row["set_aside_id"], columns_to_fill(row)
    sheet = f"sheet {row['sheet']}" if row["sheet"] else None
    line = f"row {row['row']}" if row["row"] is not None else None
    return html.Li(
        [
            html.H3(theme.listed(row["file"], sheet, line, several), className="aside-where"),
            html.Ul([html.Li(_problem(p)) for p in row["problems"]]),
            *([_others(row, columns), _fields(row, columns)] if columns else []),
            _buttons(number, fix=bool(columns)),
        ],
        className="aside-row",
    )


def _fields(row: Document, columns: list[str]) -> html.Div:
    cells, number = row["cells"], row["set_aside_id"]
    offered = {p["column"]: p for p in row["problems"] if p["suggested"] is not None}
    fields = [_field(number, c, cells.get(c), offered.get(c)) for c in columns]
    return html.Div(fields, className="cells")


def columns_to_fill(row: Document) -> list[str]:
    """Return the columns whose cells were refused; all columns where the whole row was."""
    if row["table"] is None or not row["cells"]:
        return []
    named = list(dict.fromkeys(p["column"] for p in row["problems"] if p["column"]))
    return named or list(row["cells"])


def _problem(problem: Document) -> list[Any]:
    found = problem["found"]
    shown = f"found “{found}”" if found not in (None, "") else "found nothing"
    column = [html.B(problem["column"]), ": "] if problem["column"] else []
    return [*column, f"{shown}, expected {problem['expected']}. {finished(problem['fix'])}"]


def _others(row: Document, columns: list[str]) -> html.P:
    cells = [(k, v) for k, v in row["cells"].items() if k not in columns and v not in (None, "")]
    said = ", ".join(f"{name} {value}" for name, value in cells[:CELLS_SHOWN])
    return parts.note(said)


def _field(number: int, column: str, cell: object, offered: Document | None) -> html.Div:
    """Return the field of a cell: it holds what is suggested, else the cell as it stands."""
    value = cell if offered is None else offered["suggested"]
    guess = offered is not None and not offered["sure"]
    return html.Div(
        [
            html.Label(
                [
                    html.Span([theme.words(column), ": a guess, check it" if guess else None]),
                    dcc.Input(
                        id={"type": "intake-cell", "row": number, "column": column},
                        value="" if value is None else str(value),
                        name=f"intake-cell-{number}-{column}",
                        type="text",
                        autoComplete="off",
                    ),
                ]
            )
        ],
        className="field",
    )


def _buttons(number: int, *, fix: bool) -> html.Div:
    buttons = [
        html.Button(
            "Not wanted",
            id={"type": "intake-dismiss", "row": number},
            className="quiet",
            n_clicks=0,
        )
    ]
    if fix:
        right = html.Button("Put right", id={"type": "intake-fix", "row": number}, n_clicks=0)
        buttons.insert(0, right)
    said = html.P(id={"type": "intake-wrong", "row": number}, className="wrong", role="alert")
    return html.Div([*buttons, said], className="pair")
