"""What happens on the intake page: files come in, rows are corrected, imports taken back."""

from collections.abc import Mapping, Sequence
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.pages.intake.lists import LISTS, chosen_import, lists
from dashboard.pages.intake.preview import preview
from dashboard.pages.intake.progress import is_busy, last_load, loads_done, report, work_line
from dashboard.security import Guarded
from models import run


def after_a_while(data: Guarded, seen: int) -> tuple[Any, ...]:
    """Return the state of the work in the background; the lists too, once a load has ended."""
    work = data.work()
    line, still = work_line(work), not is_busy(work)
    done = loads_done(work)
    if done == seen:
        return line, still, *[no_update] * 7
    load = last_load(work)
    sheets = (load["answer"] or {}).get("sheets")
    waiting = (sheets, parts.at_work("Looking at your sheets")) if sheets else [no_update] * 2
    return (line, still, report(load), done, *lists(data), *waiting)


def register_files(app: Dash, data: Guarded) -> None:
    """Bring in the files that were chosen or dropped, and follow that."""

    after = (
        Output("intake-tick", "disabled", allow_duplicate=True),
        Output("intake-work", "children", allow_duplicate=True),
        Output("intake-asked", "children", allow_duplicate=True),
    )

    def begin(files: Sequence[tuple[str, bytes]]) -> tuple[Any, ...]:
        data.begin(run.load_files, files)
        return False, work_line(data.work()), None, None

    @app.callback(
        *after,
        Output("intake-upload", "contents"),
        Input("intake-upload", "contents"),
        State("intake-upload", "filename"),
        prevent_initial_call=True,
    )
    def bring_in(contents: list[str] | None, names: list[str] | None) -> tuple[Any, ...]:
        if not contents:
            return (no_update,) * 4
        files = parts.decoded(contents, names or [])
        told = data.ask(run.preview_files, files)
        if told["changed"]:
            return no_update, None, preview(told), no_update
        return begin(files)

    @app.callback(
        *after,
        Output("intake-upload", "contents", allow_duplicate=True),
        Input({"type": "intake-agreed", "as": ALL}, "n_clicks"),
        State("intake-upload", "contents"),
        State("intake-upload", "filename"),
        prevent_initial_call=True,
    )
    def agree(_clicks: list[int], contents: list[str] | None, names: list[str]) -> tuple[Any, ...]:
        match parts.clicked():
            case {"as": "load"} if contents:
                return begin(parts.decoded(contents, names))
            case {"as": "leave"}:
                return no_update, parts.note("Nothing was loaded."), None, None
        return (no_update,) * 4


def register_refit(app: Dash, data: Guarded) -> None:
    """Refit the models when asked to."""

    @app.callback(
        Output("intake-tick", "disabled", allow_duplicate=True),
        Output("intake-work", "children", allow_duplicate=True),
        Input("intake-refit", "n_clicks"),
        prevent_initial_call=True,
    )
    def refit(clicks: int | None) -> tuple[Any, ...]:
        if not clicks:
            return no_update, no_update
        data.begin(run.refit)
        return False, work_line(data.work())


def register_stop(app: Dash, data: Guarded) -> None:
    """Stop a fit that is going on or waits."""

    @app.callback(
        Output("intake-work", "children", allow_duplicate=True),
        Input("intake-stop", "n_clicks"),
        prevent_initial_call=True,
    )
    def stop(_clicks: int | None) -> Any:
        if not parts.clicked():
            return no_update
        data.cancel(run.refit)
        return work_line(data.work())


def register_progress(app: Dash, data: Guarded) -> None:
    """Follow the work in the background, and show the import that is chosen."""

    parts.show_chosen(app, "intake-log", "intake-chosen", chosen_import)

    @app.callback(
        Output("intake-work", "children"),
        Output("intake-tick", "disabled"),
        Output("intake-report", "children"),
        Output("intake-seen", "data"),
        Output("intake-aside", "children"),
        Output("intake-events", "children"),
        Output("intake-imports", "children"),
        Output("intake-own-drop-word", "data", allow_duplicate=True),
        Output("intake-own", "children", allow_duplicate=True),
        Input("intake-tick", "n_intervals"),
        State("intake-seen", "data"),
        prevent_initial_call=True,
    )
    def tick(_n: int | None, seen: int | None) -> tuple[Any, ...]:
        return after_a_while(data, seen or 0)


def register_decisions(app: Dash, data: Guarded) -> None:
    """Correct or dismiss rows, take imports back, decide on events."""

    @app.callback(
        *[Output(name, "children", allow_duplicate=True) for name in LISTS],
        Output("intake-said", "children"),
        Output("intake-tick", "disabled", allow_duplicate=True),
        Output({"type": "intake-wrong", "row": ALL}, "children"),
        Input({"type": "intake-accept", "rows": ALL}, "n_clicks"),
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
        pressed = parts.clicked()
        if pressed is None:
            return (*[no_update] * 5, wrong)
        said, problems = decided(data, pressed, dict(zip_cells(*given[5:])))
        if problems:
            rows = [entry["id"]["row"] for entry in ctx.outputs_list[5]]
            wrong = [" ".join(problems) if row == pressed["row"] else "" for row in rows]
            return (*[no_update] * 3, None, no_update, wrong)
        return (*lists(data), parts.done(said), False, wrong)


def zip_cells(values: list[Any], ids: list[Any]) -> list[tuple[tuple[int, str], str | None]]:
    """Return the cells as typed, by row and column; an emptied one is None."""
    return [
        ((name["row"], name["column"]), str(value).strip() or None if value is not None else None)
        for value, name in zip(values, ids, strict=True)
    ]


def decided(
    data: Guarded, pressed: Mapping[str, Any], cells: dict[tuple[int, str], str | None]
) -> tuple[str, list[str]]:
    """Do what a button stands for; return what to say, and what is still wrong."""
    match pressed:
        case {"type": "intake-accept"}:
            return _taken(data.ask(run.accept_suggestions)), []
        case {"type": "intake-fix", "row": row}:
            values = {column: value for (at, column), value in cells.items() if at == row}
            return "The row was put right and loaded.", data.ask(run.correct_row, row, values)
        case {"type": "intake-dismiss", "row": row}:
            data.ask(run.dismiss_row, row)
            return "The row was left out as not wanted.", []
        case {"type": "intake-undo", "import": number}:
            done = data.ask(run.undo_import, number)
            gone = theme.plural(done["removed"], "row")
            back = theme.plural(done["restored"], "earlier row")
            return f"Import {number} was taken back: {gone} gone, {back} in force again.", []
        case {"type": "intake-decide"}:
            return parts.decide(data, pressed), []
    return "", []


def _taken(done: Document) -> str:
    loaded = theme.plural(done["rows_loaded"], "row")
    left = theme.plural(done["rows_left"], "row")
    waits = f" In {left} something else is still to be put right." if done["rows_left"] else ""
    said = f"{theme.plural(done['cells'], 'cell')} taken as suggested: {loaded} loaded.{waits}"
    return " ".join([said, *done["notices"]])
