"""Intake: files in, what was set aside corrected, imports taken back, tables out."""

from collections.abc import Hashable
from datetime import date

from dash import Dash, dcc, html

from dashboard import components as parts
from dashboard.navigation import Help, View
from dashboard.pages.intake import calls, downloads, one_meter, one_rider, sheet_calls
from dashboard.pages.intake.lists import EVERY, LISTS, lists
from dashboard.pages.intake.out import take_out
from dashboard.pages.intake.progress import is_busy, loads_done, work_line
from dashboard.security import Guarded
from dashboard.service import Work
from models import run
from models.run import MANAGER, MECHANIC, OWNER

PATH = "/intake"
TITLE = "Intake"
PLACE = 80
ROLES = (MECHANIC, MANAGER, OWNER)
HELP = Help(
    "bring records in",
    (
        "Drop tables, workbooks or recordings here, or choose them; whole folders too.",
        "For a sheet of your own, answer what is asked about its columns; the answers are "
        "kept for the next one.",
        "Where stored rows would change, you see each before and after first, and say whether"
        " they may.",
        "Correct rows that were set aside, and press “Put right”: good rows are in already.",
        "Take an import back under “What was loaded”: the store is then as if it had never come.",
    ),
)


def drawn_from(data: Guarded, view: View) -> Hashable:
    """Return what differs when the page would: what it lists, and the work in the background."""
    held = data.held(run.set_aside, run.proposed_events, run.imports, run.riders_named)
    work = data.work()
    return held, repr(work_line(work)), is_busy(work), loads_done(work), date.today()


def layout(data: Guarded, view: View) -> html.Div:
    """Return what there is to bring in, to correct and to take out."""
    shown = lists(data, every=bool(view.query.get(EVERY)))
    return html.Div(
        [
            html.H1(TITLE),
            _bring_in(data.work()),
            html.Div(id="intake-own", **parts.aria(live="polite")),
            _typed_in(data),
            *(html.Div(part, id=name) for name, part in zip(LISTS, shown, strict=True)),
            take_out(data),
        ],
        className="intake",
    )


def _typed_in(data: Guarded) -> html.Details | None:
    """Return the form for a meter; None for whom it is not."""
    return one_meter.one_meter_part() if data.may(run.add_meter) else None


def _bring_in(work: Work) -> html.Section:
    return parts.section(
        "Bring files in",
        parts.dropzone("intake-upload", "Choose files, or drop them here"),
        html.Div(id="intake-asked", **parts.aria(live="polite")),
        html.Div(work_line(work), id="intake-work", role="status"),
        html.Button("Refit now", id="intake-refit", type="button", className="quiet"),
        html.Div(id="intake-report", **parts.aria(live="polite")),
        html.Div(id="intake-said", **parts.aria(live="polite")),
        dcc.Interval(id="intake-tick", interval=1000, disabled=not is_busy(work)),
        dcc.Store(id="intake-seen", data=loads_done(work)),
        dcc.Store(id="intake-own-drop-word"),
        dcc.Store(id="intake-own-answers"),
        name="intake-files",
        note="Tables as CSV, Parquet or a workbook; recordings of rides as FIT, TCX or CSV; whole "
        "folders too. A table is known by the name of its file or sheet, or by its columns. Good "
        "rows load, bad rows are set aside below. The same file twice changes nothing. Sheets of "
        "your own making (CSV, XLSX, ODS) are looked at first.",
    )


def register(app: Dash, data: Guarded) -> None:
    """Register the page's callbacks, and the addresses that hand out files."""
    calls.register_files(app, data)
    calls.register_refit(app, data)
    calls.register_stop(app, data)
    calls.register_progress(app, data)
    sheet_calls.register_sheets(app, data)
    calls.register_decisions(app, data)
    one_meter.register_one_meter(app, data)
    one_rider.register_rider(app, data)
    downloads.register_downloads(app, data)
