"""What the intake page lists: rows set aside, proposed events, and the files that were loaded."""

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.pages.intake.aside import aside_list
from dashboard.pages.intake.progress import file_name
from dashboard.security import Guarded
from models import run

EVERY = "imports"
LISTS = ("intake-aside", "intake-events", "intake-imports")
IN_FORCE = "in force"
NEWEST = run.NEWEST_IMPORTS


def lists(data: Guarded, *, every: bool = False) -> tuple[Any, Any, Any]:
    """Return what the places of LISTS hold, as it is now. every: also files loaded long ago."""
    with data.together():
        return aside_section(data), events_section(data), imports_section(data, every=every)


def aside_section(data: Guarded) -> html.Section:
    """Return the rows that wait for a correction."""
    return aside_list(data.ask(run.set_aside))


def events_section(data: Guarded) -> Any:
    """Return the events that recordings suggest; None for whom they do not concern."""
    if not data.may(run.proposed_events):
        return None
    return parts.proposed_part(
        data.ask(run.proposed_events, most=parts.PROPOSED_AT_ONCE),
        data.ask(run.events_waiting),
        button="intake-decide",
        name="intake-proposed",
    )


def imports_section(data: Guarded, *, every: bool = False) -> html.Section:
    """Return the files that were loaded, each to be taken back."""
    found = data.ask(run.imports, most=None if every else NEWEST + 1)
    rows = [_import_row(entry) for entry in (found if every else found[:NEWEST])]
    body: list[Any] = [parts.empty("Nothing has been loaded yet.", "Bring a file in above.")]
    if rows:
        table = parts.table(
            "intake-log", rows, _import_columns(), key="key", options=parts.CHOOSE_ONE
        )
        body = [table, html.Div(id="intake-chosen", **parts.aria(live="polite"))]
        if len(found) > len(rows):
            older = parts.link("Show them all", f"/intake?{EVERY}=yes")
            body.append(html.P([f"These are the newest {NEWEST}; there are older ones. ", older]))
    return parts.section(
        "What was loaded",
        *body,
        name="intake-log",
        note="Choose a line to take an import back: the store is then as if the file had never "
        "been loaded. Rows that another file brought as well stay.",
    )


def _import_row(entry: Document) -> Document:
    undone = entry["undone_at"]
    return {
        "key": str(entry["import_id"]),
        "import_id": entry["import_id"],
        "file": file_name(str(entry["path"])),
        "tables": theme.listed(*(theme.words(t) for t in (entry["tables"] or "").split(", ") if t)),
        "loaded_at": theme.iso(entry["loaded_at"]),
        "rows_loaded": entry["rows_loaded"],
        "rows_text": theme.number(entry["rows_loaded"], 0),
        "rows_unchanged": entry["rows_unchanged"],
        "rows_set_aside": entry["rows_set_aside"],
        "state": f"taken back on {theme.day(undone)}" if undone else IN_FORCE,
    }


def _import_columns() -> list[Document]:
    return [
        parts.number_column("import_id", "No.", width=80),
        parts.text_column("file", "File", flex=2, minWidth=140),
        parts.text_column("tables", "Tables", flex=1, minWidth=110, since=560),
        parts.day_column("loaded_at", "Loaded on", since=480),
        parts.number_column("rows_loaded", "Rows", "rows_text", width=90),
        parts.number_column("rows_set_aside", "Set aside", width=100, since=700),
        parts.text_column("state", "State", width=150, since=620),
    ]


def chosen_import(row: Document) -> Any:
    """Return the import that was chosen, and the way to take it back."""
    if row["state"] != IN_FORCE:
        return parts.note(f"Import {row['import_id']} was {row['state']}.")
    rows = theme.plural(row["rows_loaded"], "row")
    return html.Div(
        [
            html.P([html.B(row["file"]), f": {rows} in {row['tables'] or 'no table'}."]),
            html.Button(
                f"Take import {row['import_id']} back",
                id={"type": "intake-undo", "import": row["import_id"]},
                n_clicks=0,
            ),
        ],
        className="confirm",
    )
