"""What files would change of stored rows, said before they are loaded."""

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from models.run import Loaded

SHOWN = 200
TITLES = ("Row of", "Column", "Now", "After")


def preview(told: Loaded) -> html.Div:
    """Return the stored cells that a load would change, to be agreed to or left."""
    rows = [
        (f"{theme.words(change['table'])} {change['key']}", column, now, change["after"][column])
        for change in told["changed"]
        for column, now in change["before"].items()
    ]
    shown = [(who, theme.words(column), *map(_cell, cells)) for who, column, *cells in rows[:SHOWN]]
    title = f"{theme.plural(len(told['changed']), 'stored row')} would change"
    return html.Div(
        [
            html.H3(title),
            parts.plain_table(TITLES, shown, name=title, headed=True),
            parts.note(f"and {len(rows) - SHOWN} more cells.") if len(rows) > SHOWN else None,
            html.Div(
                [_button("Load and change them", "load"), _button("Load nothing", "leave")],
                className="buttons",
            ),
        ],
        className="confirm",
    )


def _cell(text: str | None) -> Any:
    return html.Span("nothing", className="none") if text is None else text


def _button(words: str, answer: str) -> html.Button:
    return html.Button(
        words,
        id={"type": "intake-agreed", "as": answer},
        type="button",
        n_clicks=0,
        className="quiet" if answer == "leave" else None,
    )
