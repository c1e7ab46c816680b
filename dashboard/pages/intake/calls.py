"""What happens on the intake page: every change, and the addresses that hand out files."""

from __future__ import annotations

import mimetypes
from typing import Any
from urllib.parse import quote

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update
from flask import Response

from dashboard import theme
from dashboard.components import clicked, decoded
from dashboard.components import decide as decide_event
from dashboard.navigation import Door
from dashboard.pages.intake.lists import (
    aside_section,
    events_section,
    imports_section,
    is_busy,
    loads_done,
    report,
    work_line,
)
from dashboard.pages.intake.out import removal, removed


def after_a_while(data: Door, seen: int) -> tuple[Any, ...]:
    """The state of the work in the background; the lists too, once a load has ended."""
    door: Any = data
    work = door.work()
    line, still = work_line(work), not is_busy(work)
    done = loads_done(work)
    if done == seen:
        return line, still, no_update, no_update, no_update, no_update, no_update
    return (line, still, report(work["ended"]["load"]), done, *lists(door))


def lists(door: Any) -> tuple[Any, Any, Any]:
    """The page's three lists, as they are now."""
    return aside_section(door), events_section(door), imports_section(door)


def register_files(app: Dash, data: Door) -> None:
    """Files that were chosen or dropped."""
    door: Any = data

    @app.callback(
        Output("intake-tick", "disabled", allow_duplicate=True),
        Output("intake-work", "children", allow_duplicate=True),
        Output("intake-upload", "contents"),
        Input("intake-upload", "contents"),
        State("intake-upload", "filename"),
        prevent_initial_call=True,
    )
    def bring_in(contents: list[str] | None, names: list[str] | None) -> tuple[Any, ...]:
        if not contents:
            return no_update, no_update, no_update
        door.begin_load(decoded(contents, names or []))
        return False, work_line(door.work()), None

    @app.callback(
        Output("intake-tick", "disabled", allow_duplicate=True),
        Output("intake-work", "children", allow_duplicate=True),
        Input("intake-refit", "n_clicks"),
        prevent_initial_call=True,
    )
    def refit(clicks: int | None) -> tuple[Any, ...]:
        if not clicks:
            return no_update, no_update
        door.begin_fit()
        return False, work_line(door.work())


LISTS = ("intake-aside", "intake-events", "intake-imports")


def register_decisions(app: Dash, data: Door) -> None:
    """Rows put right or dismissed, imports taken back, events decided, a rider removed."""
    door: Any = data

    @app.callback(
        *[Output(name, "children", allow_duplicate=True) for name in LISTS],
        Output("intake-said", "children"),
        Output("intake-tick", "disabled", allow_duplicate=True),
        Output({"type": "intake-wrong", "row": ALL}, "children"),
        Input({"type": "intake-fix", "row": ALL}, "n_clicks"),
        Input({"type": "intake-dismiss", "row": ALL}, "n_clicks"),
        Input({"type": "intake-undo", "import": ALL}, "n_clicks"),
        Input({"type": "intake-decide", "event": ALL, "as": ALL}, "n_clicks"),
        State({"type": "intake-cell", "row": ALL, "column": ALL}, "value"),
        State({"type": "intake-cell", "row": ALL, "column": ALL}, "id"),
        prevent_initial_call=True,
    )
    def decide(*given: Any) -> tuple[Any, ...]:
        wrong: list[Any] = [no_update] * len(ctx.outputs_list[5])
        pressed = clicked()
        if pressed is None:
            return (*[no_update] * 5, wrong)
        said, problems = decided(door, pressed, dict(zip_cells(given[4], given[5])))
        if problems:
            rows = [entry["id"]["row"] for entry in ctx.outputs_list[5]]
            wrong = [" ".join(problems) if row == pressed["row"] else "" for row in rows]
            return (*[no_update] * 3, None, no_update, wrong)
        return (*lists(door), html.P(said, className="done", role="status"), False, wrong)

    _register_rider(app, door)


def zip_cells(values: list[Any], ids: list[Any]) -> list[tuple[tuple[int, str], str | None]]:
    """The cells as typed, by row and column; an emptied one is None."""
    return [
        ((name["row"], name["column"]), str(value).strip() or None if value is not None else None)
        for value, name in zip(values, ids, strict=True)
    ]


def decided(
    door: Any, pressed: dict[str, Any], cells: dict[tuple[int, str], str | None]
) -> tuple[str, list[str]]:
    """Do what a button stands for: what to say, and what is still wrong."""
    match pressed:
        case {"type": "intake-fix", "row": row}:
            values = {column: value for (at, column), value in cells.items() if at == row}
            return "The row was put right and loaded.", door.correct_row(row, values)
        case {"type": "intake-dismiss", "row": row}:
            door.dismiss_row(row)
            return "The row was set down as not wanted.", []
        case {"type": "intake-undo", "import": number}:
            done = door.undo_import(number)
            gone = theme.plural(done["removed"], "row")
            back = theme.plural(done["restored"], "earlier row")
            return f"Import {number} was taken back: {gone} gone, {back} in force again.", []
        case {"type": "intake-decide"}:
            return decide_event(door, pressed), []
    return "", []


def _register_rider(app: Dash, door: Any) -> None:
    @app.callback(
        Output("intake-rider-file", "children"),
        Output("intake-rider-removal", "children"),
        Input("intake-rider-chosen", "data"),
        prevent_initial_call=True,
    )
    def choose_rider(rider_id: str | None) -> tuple[Any, Any]:
        if not rider_id:
            return None, None
        address = f"/download/rider/{quote(rider_id, safe='')}"
        return html.A(f"Take out the data of {rider_id}", href=address), removal(rider_id)

    @app.callback(
        *[Output(name, "children", allow_duplicate=True) for name in LISTS],
        Output("intake-said", "children", allow_duplicate=True),
        Output("intake-tick", "disabled", allow_duplicate=True),
        Output("intake-rider-removal", "children", allow_duplicate=True),
        Input("intake-rider-remove", "n_clicks"),
        State("intake-rider-typed", "value"),
        State("intake-rider-chosen", "data"),
        prevent_initial_call=True,
    )
    def remove_rider(clicks: int | None, typed: str | None, rider_id: str | None) -> Any:
        if not clicks or not rider_id:
            return [no_update] * 6
        if (typed or "").strip() != rider_id:
            text = f"Nothing was removed: type {rider_id} exactly."
            return [*[no_update] * 3, html.P(text, className="warn"), no_update, no_update]
        said = removed(door.remove_rider(rider_id))
        return [*lists(door), html.P(said, className="done", role="status"), False, None]


def register_downloads(app: Dash, data: Door) -> None:
    """The addresses that hand out files: each asks the guarded door, like a page."""
    door: Any = data
    asks = {
        "templates": lambda: door.template_file(),
        "set-aside": lambda: door.set_aside_file(),
        "store": lambda: door.store_file(),
    }

    def one(what: str) -> Response:
        return handed_out(*asks[what]()) if what in asks else nothing_there()

    def in_form(what: str, form: str) -> Response:
        if what == "tables":
            return handed_out(*door.tables_file(form))
        return handed_out(*door.device_tables_file(form)) if what == "devices" else nothing_there()

    def rider(rider_id: str) -> Response:
        return handed_out(*door.rider_file(rider_id))

    app.server.add_url_rule("/download/<what>", "download", one)
    app.server.add_url_rule("/download/<what>/<form>", "download_form", in_form)
    app.server.add_url_rule("/download/rider/<path:rider_id>", "download_rider", rider)


def handed_out(name: str, content: bytes) -> Response:
    """A file for the browser to save."""
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    disposition = f"attachment; filename*=UTF-8''{quote(name)}"
    return Response(content, mimetype=kind, headers={"Content-Disposition": disposition})


def nothing_there() -> Response:
    """There is no such file."""
    return Response("There is nothing at this address.\n", 404, mimetype="text/plain")
