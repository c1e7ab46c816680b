"""The record of changes on the people page: who, when, what, before, after."""

import json
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.security import Guarded
from models import run
from models.run import FoundChanges

SHOWN = 300  # changes sent to the page; the file has all that match
LONGEST = 400  # characters of a before and an after on the page; the file has them whole
FILE_COLUMNS = ("changed_at", "who", "what", "subject", "before", "after")
FILTERS = ("words", "who", "what", "first", "last")


def changes_part(data: Guarded) -> html.Section:
    """Return the latest changes, the ways to look for others, and all of them as a file."""
    told = data.ask(run.find_changes, most=SHOWN)
    return parts.section(
        "What was changed",
        _filters(told),
        parts.table(
            "people-changes",
            change_rows(told),
            _columns(),
            key="key",
            options={
                "pagination": True,
                "localeText": {"noRowsToShow": "No change on record matches."},
                **parts.CHOOSE_ONE,
            },
        ),
        html.Div(id="people-change", **parts.aria(live="polite")),
        name="people-changes",
        note="The newest first; times are UTC. Choose a line to read it in full. Nothing in this "
        "record can be altered or removed.",
    )


def _filters(told: FoundChanges) -> html.Div:
    return html.Div(
        [
            parts.search_field("people-words", "meter, file, name…", debounce=0.4, value=""),
            parts.choice_field("people-who", "Who", told["who"], "Everyone"),
            parts.choice_field("people-what", "What", told["what"], "Every kind"),
            parts.date_field("people-first", "From", "", told=True),
            parts.date_field("people-last", "To", "", told=True),
            html.Div(
                [
                    html.Span(count_words(told), id="people-found", role="status"),
                    html.Button("Save as CSV", id="people-csv", className="quiet", n_clicks=0),
                    dcc.Download(id="people-file"),
                ],
                className="filter-end",
            ),
        ],
        className="filters",
    )


def count_words(told: FoundChanges) -> str:
    """Return how many changes are shown, of how many."""
    shown, found, everything = len(told["rows"]), told["found"], told["all"]
    said = theme.plural(everything, "change")
    if found < everything:
        said = f"{found} of {said}"
    return f"{said}, the newest {shown} shown" if shown < found else said


def change_rows(told: FoundChanges) -> list[Document]:
    """Return the table's rows: what an account or a setting was and is, in words."""
    return [
        {
            "key": str(n),
            "changed_at": theme.minute(row["changed_at"]),
            "who": row["who"],
            "what": row["what"],
            "subject": row["subject"] or "",
            "before": in_words(row["before"]),
            "after": in_words(row["after"]),
        }
        for n, row in enumerate(told["rows"])
    ]


def change_in_full(row: Document) -> html.Div:
    """Return one change with all that is on record of it."""
    titles = {"changed_at": "When (UTC)", "who": "Who", "what": "What", "subject": "Which"}
    titles |= {"before": "Before", "after": "After"}
    return html.Div(
        parts.facts([(t, row[f] or theme.MISSING) for f, t in titles.items()]), className="change"
    )


def in_words(recorded: str | None) -> str:
    """Return what is on record of a before or an after, without its JSON punctuation."""
    try:
        value = json.loads(recorded or "")
    except ValueError:
        value = recorded or ""
    if isinstance(value, dict):
        value = ", ".join(f"{key} {item}" for key, item in value.items() if item is not None)
    text = str(value)
    return text if len(text) <= LONGEST else f"{text[:LONGEST]}…"


def _columns() -> list[Document]:
    return [
        parts.text_column("changed_at", "When (UTC)", width=118),
        parts.text_column("who", "Who", width=150, since=480),
        parts.text_column("what", "What", width=124),
        parts.text_column("subject", "Which", flex=2, minWidth=110),
        parts.text_column("before", "Before", flex=2, minWidth=130, since=760),
        parts.text_column("after", "After", flex=2, minWidth=130, since=620),
    ]


def register_changes(app: Dash, data: Guarded) -> None:
    """Look for changes, and save those that match."""
    asked = (
        ("people-words", "value"),
        ("people-who-chosen", "data"),
        ("people-what-chosen", "data"),
        ("people-first-chosen", "data"),
        ("people-last-chosen", "data"),
    )

    @app.callback(
        Output("people-record", "children"),
        Input("people-told", "data"),
        prevent_initial_call=True,
    )
    def anew(_told: int | None) -> html.Section:
        return changes_part(data)

    @app.callback(
        Output("people-changes", "rowData"),
        Output("people-found", "children"),
        *[Input(*one) for one in asked],
        prevent_initial_call=True,
    )
    def look(*given: str | None) -> tuple[Any, str]:
        told = data.ask(run.find_changes, **_asked(given), most=SHOWN)
        return change_rows(told), count_words(told)

    parts.show_chosen(app, "people-changes", "people-change", change_in_full)

    @app.callback(
        Output("people-file", "data"),
        Input("people-csv", "n_clicks"),
        *[State(*one) for one in asked],
        prevent_initial_call=True,
    )
    def save(clicks: int | None, *given: str | None) -> Any:
        if not clicks:
            return no_update
        rows = data.ask(run.find_changes, **_asked(given))["rows"]
        return parts.csv_file("changes", rows, FILE_COLUMNS)


def _asked(given: tuple[str | None, ...]) -> dict[str, Any]:
    return {name: value for name, value in zip(FILTERS, given, strict=True) if value}
