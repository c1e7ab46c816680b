"""One meter: where it stands, why, and everything that this rests on."""

from collections.abc import Hashable, Sequence
from typing import Any

from dash import Dash, Input, Output, State, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, Help, View, meter_of
from dashboard.pages.meter import entries, rides, where, work
from dashboard.pages.meter.history import charts_part
from dashboard.pages.meter.records import events_part, resets_part
from dashboard.pages.meter.rides import comparisons_part
from dashboard.pages.meter.sessions import session_detail, sessions_part
from dashboard.pages.meter.standing import alarms_part, head, standing_part
from dashboard.pages.meter.why import why
from dashboard.security import Guarded
from models import run
from models.run import EVERYONE

PATH = "/meter/<meter_id>"
TITLE = "Meter"
PLACE = None
ROLES = EVERYONE
HELP = Help(
    "read one meter's page",
    (
        "Read what it shows too high or too low, with its 90 % interval, and what to do next.",
        "Read why: the reasons stand in the order in which they count.",
        "Look at the charts: what was found at the bench and on rides, and when something changed.",
        "Choose a bench session or a ride to see every reading behind it; a mistyped session "
        "can be corrected here.",
        "Lend, move or retire the meter here. A mechanic takes it to the bench from the top.",
    ),
)


def drawn_from(data: Guarded, view: View) -> Hashable:
    """Return what differs when the page would: the fit's answers, and the meter's own rows."""
    return data.on(view.as_of).answered_of_meter(view.params["meter_id"])


def layout(data: Guarded, view: View) -> html.Div:
    """Return the meter's page, as it could be known on the day looked from."""
    meter_id = view.params["meter_id"]
    meter = find_meter(data, meter_id)
    if meter is None:
        return _unknown(view, meter_id)
    status = data.on(view.as_of).ask(run.status)
    row = next((r for r in status["meters"] if r["meter_id"] == meter_id), None)
    history = data.on(view.as_of).ask(run.history, meter_id)
    taken_in = data.on(view.as_of).live()["taking_in"].get(meter_id)
    with data.together():
        sessions = upto(data.ask(run.bench_sessions, meter_id), view.as_of)
        comparisons = upto(data.ask(run.comparisons, meter_id), view.as_of)
        waiting = work.proposals(data, view, meter_id)
        actions = entries.session_actions(data, view, sessions[0]) if sessions else ()
        whereabouts = where.whereabouts(data, view, meter_id)
    today = str(theme.iso(status["as_of"]))
    return html.Div(
        [
            head(data, view, meter, row),
            parts.as_of_line(view, status["as_of"], status.get("today_note")),
            being_taken_in(taken_in, listed=bool(sessions)),
            standing_part(row, status["as_of"]),
            parts.note(parts.PLUS_MINUS) if row else None,
            alarms_part(row),
            why(row, status, sessions, comparisons),
            where.where_part(whereabouts, today=today) if whereabouts else None,
            charts_part(history, row, status["as_of"], meter_id),
            sessions_part(sessions, actions, taken_in=bool(taken_in)),
            resets_part(history["resets"]),
            work.proposals_part(waiting),
            events_part(history["events"], waiting),
            comparisons_part(comparisons),
        ],
        className="meter",
    )


def being_taken_in(how: str | None, *, listed: bool) -> html.P | None:
    """Return what the numbers below do not include yet.

    how: "measured" or "taken back"; listed: whether the sessions are told below
    """
    if not how:
        return None
    what = "A bench session was taken back" if how == "taken back" else "Measured at the bench"
    rest = "the list of sessions is up to date, all other numbers" if listed else "all numbers"
    said = f"{what}, and the models are being refitted: {rest} below are from before."
    return html.P(said, className="note", role="status")


def find_meter(data: Guarded, meter_id: str) -> Document | None:
    """Return the meter's row of the roster; None when the store does not know it."""
    return data.ask(run.meter, meter_id) or None


def upto(rows: Sequence[Document], as_of: str | None) -> list[Document]:
    """Return the rows measured up to the end of a day, the newest first."""
    known = [r for r in rows if as_of is None or str(theme.iso(r["measured_at"])) <= as_of]
    return sorted(known, key=lambda r: str(r["measured_at"]), reverse=True)


def _unknown(view: View, meter_id: str) -> html.Div:
    return html.Div(
        [
            html.H1("No such meter"),
            parts.empty(
                f"The store knows no meter “{meter_id}”.",
                [
                    "Check its spelling in the ",
                    parts.link("list of the fleet", view.link("/")),
                    ", or add it to the table ",
                    parts.command("meters"),
                    " and load it.",
                ],
            ),
        ]
    )


def register(app: Dash, data: Guarded) -> None:
    """Show the readings and budget of a chosen session, the ride of a chosen comparison."""
    rides.register(app, data)
    work.register(app, data)
    where.register(app, data)
    entries.register(app, data)

    @app.callback(
        Output("meter-session", "children"),
        Input("meter-sessions", "selectedRows"),
        State("place", "pathname"),
        prevent_initial_call=True,
    )
    def show_session(chosen: Sequence[Document] | None, pathname: str) -> Any:
        meter_id = meter_of(pathname)
        wanted = {row["session_id"] for row in chosen or []}
        with data.together():
            stored = data.ask(run.bench_sessions, meter_id)
            found = next((s for s in stored if s["session_id"] in wanted), None)
            if found is None:
                return no_update
            return session_detail(found, entries.session_actions(data, View(), found))
