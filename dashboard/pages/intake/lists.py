"""What the intake page lists: the work in the background, rows, events and imports."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.components import NOTE, may_decide, proposed_list
from dashboard.navigation import Document
from dashboard.pages.intake.aside import aside_list

EVENTS_AT_ONCE = 25  # proposed events on the page


def is_busy(work: Document) -> bool:
    """Whether something is being done in the background, or waits to be."""
    return bool(work["now"] or work["waiting"])


def loads_done(work: Document) -> int:
    """How many loads have ended since the dashboard was started."""
    return int(work["ended"].get("load", {}).get("count", 0))


WORDS = {"load": "Loading", "fit": "Refitting the models", "warm": "Reading the store"}


def work_line(work: Document) -> Any:
    """What is going on in the background, in one line; the page can be used meanwhile."""
    if is_busy(work):
        doing = WORDS.get(work["now"] or "", "Working")
        detail = f": {work['text']}" if work["text"] else ""
        return html.P([html.Span(className="busy"), f"{doing}{detail}…"], className="work")
    fit = work["ended"].get("fit")
    if fit is None:
        return None
    if fit["failure"]:
        return html.P(theme.sentence(fit["failure"]), className="warn")
    answer = fit["answer"] or {}
    if not answer.get("converged"):
        return html.P("The models were refitted but did not settle.", className="warn")
    seconds = theme.number(answer.get("seconds"), 0)
    return html.P(f"The models were refitted in {seconds} s.", className="work")


def report(load: Document) -> Any:
    """What a load did, a line a table, and what is to be said about it."""
    if load["failure"]:
        return html.P(theme.sentence(load["failure"]), className="warn")
    answer = load["answer"] or {}
    files, recordings = answer.get("files") or [], answer.get("recordings") or []
    said = [html.Li(theme.sentence(text)) for text in answer.get("notices") or []]
    if recordings:
        said.append(
            html.Li(
                f"{theme.plural(len(recordings), 'recording')}: see the rides page for the pairs "
                "among them."
            )
        )
    if not files and recordings:
        body: Any = None
    elif not files:
        body = html.P("No table was found in these files.", className="warn")
    else:
        titles = ("File", "Table", "Rows", "Loaded", "Unchanged", "Set aside")
        body = parts.plain_table(titles, [_file_row(f) for f in files], name="What was loaded")
    return html.Div([html.H3("What was loaded"), body, html.Ul(said, className="notices")])


def _file_row(entry: Document) -> html.Tr:
    name = entry["path"].replace("\\", "/").rsplit("/", 1)[-1]
    aside = entry["rows_set_aside"]
    counts = [entry["rows_read"], entry["rows_loaded"], entry["rows_unchanged"]]
    return html.Tr(
        [
            html.Th(f"{name}, {entry['sheet']}" if entry["sheet"] else name, scope="row"),
            html.Td(theme.words(entry["table"]) if entry["table"] else "not known"),
            *(html.Td(str(count), className="num") for count in counts),
            html.Td(str(aside), className="num has-alarm" if aside else "num"),
        ]
    )


# ---- what was set aside, proposed and loaded -----------------------------------------------------


def aside_section(door: Any) -> html.Section:
    """The rows that wait for a correction."""
    return aside_list(door.set_aside())


def events_section(door: Any) -> Any:
    """The events that recordings suggest; nothing for whom they do not concern."""
    if not may_decide():
        return None
    events = door.proposed_events()
    shown, more = events[:EVENTS_AT_ONCE], len(events) - EVENTS_AT_ONCE
    body: Any = [proposed_list(shown, button="intake-decide")]
    if more > 0:
        body.append(html.P(f"{more} more follow once these are decided.", className="note"))
    if not events:
        body = [
            parts.empty(
                "No event waits for a word.",
                "Battery swaps and firmware updates that recordings show are proposed here.",
            )
        ]
    return parts.section(
        f"Proposed events ({len(events)})",
        *body,
        name="intake-proposed",
        note=NOTE,
    )


def imports_section(door: Any) -> html.Section:
    """The files that were loaded, each to be taken back."""
    rows = [_import_row(entry) for entry in door.imports()]
    if not rows:
        body: list[Any] = [parts.empty("Nothing has been loaded yet.", "Bring a file in above.")]
    else:
        table = parts.table(
            "intake-log", rows, _import_columns(), key="key", options=parts.CHOOSE_ONE
        )
        body = [table, html.Div(id="intake-chosen", **parts.aria(live="polite"))]
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
        "file": str(entry["path"]).replace("\\", "/").rsplit("/", 1)[-1],
        "tables": ", ".join(theme.words(t) for t in (entry["tables"] or "").split(", ") if t),
        "loaded_at": theme.iso(entry["loaded_at"]),
        "rows_loaded": entry["rows_loaded"],
        "rows_unchanged": entry["rows_unchanged"],
        "rows_set_aside": entry["rows_set_aside"],
        "state": f"taken back on {theme.day(undone)}" if undone else "in force",
    }


def _import_columns() -> list[Document]:
    return [
        parts.number_column("import_id", "No.", width=80),
        parts.text_column("file", "File", flex=2, minWidth=140),
        parts.text_column("tables", "Tables", flex=1, minWidth=110, since=560),
        parts.day_column("loaded_at", "Loaded on", since=480),
        parts.number_column("rows_loaded", "Rows", width=90),
        parts.number_column("rows_set_aside", "Set aside", width=100, since=700),
        parts.text_column("state", "State", width=150, since=620),
    ]


def chosen_import(row: Document | None) -> Any:
    """The import that was chosen, and the way to take it back."""
    if row is None:
        return None
    if row["state"] != "in force":
        return html.P(f"Import {row['import_id']} was {row['state']}.", className="note")
    return html.Div(
        [
            html.P(
                [
                    html.B(row["file"]),
                    f": {theme.plural(row['rows_loaded'], 'row')}"
                    f" in {row['tables'] or 'no table'}.",
                ]
            ),
            html.Button(
                f"Take import {row['import_id']} back",
                id={"type": "intake-undo", "import": row["import_id"]},
                n_clicks=0,
            ),
        ],
        className="confirm",
    )
