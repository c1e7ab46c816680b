"""The rows that were set aside, each with the cells to put right."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

SHOWN = 25
CELLS_SHOWN = 8


def aside_list(rows: list[Document]) -> html.Section:
    """The set-aside rows: where, what was found and expected, and fields for the right cells."""
    if not rows:
        body: Any = parts.empty("No row is set aside.", "Every row that was read is in the store.")
    else:
        body = html.Ul([_card(row) for row in rows[:SHOWN]], className="aside-rows")
    more = len(rows) - SHOWN
    rest = [
        html.P(
            [
                f"{more} more: they are shown as these are dealt with. All of them at once can "
                "be corrected in a spreadsheet: ",
                html.A("take them out as CSV", href="/download/set-aside"),
                ", correct the cells, and bring the file in again.",
            ],
            className="note",
        )
    ]
    return parts.section(
        f"Set aside ({len(rows)})",
        body,
        *(rest if more > 0 else []),
        name="intake-set-aside",
        note="A decimal comma is as good as a point. What is put right loads at once.",
    )


def _card(row: Document) -> html.Li:
    number, columns = row["set_aside_id"], columns_to_fill(row)
    where = [row["file"]]
    where += [f"sheet {row['sheet']}"] if row["sheet"] else []
    where += [f"row {row['row']}"] if row["row"] is not None else []
    head = html.H3(", ".join(where), className="aside-where")
    problems = html.Ul([html.Li(_problem(p)) for p in row["problems"]])
    if not columns:
        return html.Li([head, problems, _buttons(number, fix=False)], className="aside-row")
    fields = html.Div([_field(number, c, row["cells"].get(c)) for c in columns], className="cells")
    return html.Li(
        [head, problems, _others(row, columns), fields, _buttons(number)], className="aside-row"
    )


def columns_to_fill(row: Document) -> list[str]:
    """The columns whose cells were refused; all that have one where the whole row was."""
    if row["table"] is None or not row["cells"]:
        return []
    named = list(dict.fromkeys(p["column"] for p in row["problems"] if p["column"]))
    return named or list(row["cells"])


def _problem(problem: Document) -> list[Any]:
    found = problem["found"]
    shown = f"found “{found}”" if found not in (None, "") else "found nothing"
    column = [html.B(problem["column"]), ": "] if problem["column"] else []
    return [*column, f"{shown}, expected {problem['expected']}. {theme.sentence(problem['fix'])}"]


def _others(row: Document, columns: list[str]) -> html.P:
    cells = [(k, v) for k, v in row["cells"].items() if k not in columns and v not in (None, "")]
    said = ", ".join(f"{name} {value}" for name, value in cells[:CELLS_SHOWN])
    return html.P(said, className="note")


def _field(number: int, column: str, value: object) -> html.Div:
    name = f"intake-cell-{number}-{column}"
    return html.Div(
        [
            html.Label(
                [
                    html.Span(theme.words(column)),
                    dcc.Input(
                        id={"type": "intake-cell", "row": number, "column": column},
                        value="" if value is None else str(value),
                        name=name,
                        type="text",
                        autoComplete="off",
                    ),
                ]
            )
        ],
        className="field",
    )


def _buttons(number: int, *, fix: bool = True) -> html.Div:
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
