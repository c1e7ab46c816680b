"""What happens on the rides page: recordings read, a pair compared, kept or discarded."""

from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View
from dashboard.pages.rides.decision import (
    SAME,
    answer_part,
    kept_words,
    missing_words,
    no_answer_part,
)
from dashboard.pages.rides.lists import kept_part, waiting_part
from dashboard.pages.rides.pair import (
    chosen_from,
    first_choice,
    pair_part,
    problems_part,
    unnamed_part,
)
from dashboard.pages.rides.sense import sense
from dashboard.security import Guarded
from ingest.schema import UserError
from models import run

READING = "Reading"


def register_drop(app: Dash, data: Guarded) -> None:
    """Read the recordings that were chosen or dropped, beside the page."""

    @app.callback(
        Output("rides-ticket", "data"),
        Output("rides-tick", "disabled"),
        Output("rides-work", "children"),
        Output("rides-upload", "contents"),
        Output("rides-pair", "children", allow_duplicate=True),
        Output("rides-answer", "children", allow_duplicate=True),
        Output("rides-said", "children", allow_duplicate=True),
        Input("rides-upload", "contents"),
        State("rides-upload", "filename"),
        prevent_initial_call=True,
    )
    def drop(contents: list[str] | None, names: list[str] | None) -> tuple[Any, ...]:
        if not contents:
            return (no_update,) * 7
        files = parts.decoded(contents, names or [])
        return data.begin(run.look_at_rides, files), False, parts.at_work(READING), *(None,) * 4

    @app.callback(
        Output("rides-tick", "disabled", allow_duplicate=True),
        Output("rides-work", "children", allow_duplicate=True),
        Output("rides-seen", "data"),
        Output("rides-pair", "children"),
        Output("rides-chosen", "data"),
        Input("rides-tick", "n_intervals"),
        State("rides-ticket", "data"),
        prevent_initial_call=True,
    )
    def tick(_n: int | None, ticket: str | None) -> tuple[Any, ...]:
        if not ticket:
            return True, None, no_update, no_update, no_update
        state = data.progress(run.look_at_rides, ticket)
        if state["state"] == "working":
            working = parts.at_work(READING, state["said"])
            return False, working, no_update, no_update, no_update
        if state["document"] is None:
            return True, parts.warning(theme.sentence(state["said"])), None, None, None
        return True, None, *_seen(state["document"])

    @app.callback(
        Output("rides-seen", "data", allow_duplicate=True),
        Output("rides-pair", "children", allow_duplicate=True),
        Output("rides-chosen", "data", allow_duplicate=True),
        Input({"type": "rides-column", "file": ALL, "column": ALL, "headings": ALL}, "n_clicks"),
        State("rides-seen", "data"),
        prevent_initial_call=True,
    )
    def name(_clicks: list[int], seen: Document) -> tuple[Any, ...]:
        pressed = parts.clicked()
        if pressed is None or not seen:
            return (no_update,) * 3
        named = (pressed[key] for key in ("file", "column", "headings"))
        return _seen(data.ask(run.name_ride_column, seen["drop"], *named))


def _seen(seen: Document) -> tuple[Any, Any, Any]:
    """Return what was read, the part that shows it, and the pair to begin with."""
    if not seen["recordings"]:
        why = [problems_part(seen["problems"]), unnamed_part(seen["unnamed"])]
        return seen, why, None
    chosen = first_choice(seen)
    return seen, pair_part(seen, chosen), chosen


def register_choice(app: Dash, data: Guarded) -> None:
    """Choose another pair: from the lists, the other way round, or one that waits."""

    @app.callback(
        Output("rides-chosen", "data", allow_duplicate=True),
        Input("rides-compare", "n_clicks"),
        State("rides-meter-file-chosen", "data"),
        State("rides-reference-file-chosen", "data"),
        State("rides-seen", "data"),
        prevent_initial_call=True,
    )
    def choose(clicks: int, meter: str, reference: str, seen: Document) -> Any:
        return chosen_from(seen, meter, reference) if clicks else no_update

    @app.callback(
        Output("rides-chosen", "data", allow_duplicate=True),
        Output("rides-pair", "children", allow_duplicate=True),
        Input("rides-swap", "n_clicks"),
        State("rides-chosen", "data"),
        State("rides-seen", "data"),
        prevent_initial_call=True,
    )
    def swap(clicks: int, chosen: Document, seen: Document) -> tuple[Any, Any]:
        if not clicks or not chosen or not seen:
            return no_update, no_update
        turned = chosen_from(seen, chosen["reference"], chosen["meter"])
        return turned, pair_part(seen, turned)

    @app.callback(
        Output("rides-chosen", "data", allow_duplicate=True),
        Output("rides-pair", "children", allow_duplicate=True),
        Input({"type": "rides-look", "pair": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def look(_clicks: list[int]) -> tuple[Any, Any]:
        pressed = parts.clicked()
        if pressed is None:
            return no_update, no_update
        meter, reference = pressed["pair"].split()
        for pair in data.ask(run.rides_waiting):
            if (pair["meter"], pair["reference"]) == (meter, reference):
                return {"drop": None} | pair, None
        return no_update, no_update


def register_answer(app: Dash, data: Guarded) -> None:
    """Compare the chosen pair, and say whether the answer fits with what is known."""

    @app.callback(
        Output("rides-answer", "children"),
        Output("rides-said", "children"),
        Input("rides-chosen", "data"),
        prevent_initial_call=True,
    )
    def compare(chosen: Document | None) -> tuple[Any, Any]:
        if not chosen or not chosen.get("meter"):
            return None, no_update
        return answer(data, chosen), None

    @app.callback(
        Output("rides-sense", "children"),
        Input("rides-meter-id-chosen", "data"),
        Input("rides-reference-id-chosen", "data"),
        State("rides-chosen", "data"),
    )
    def make_sense(meter_id: str | None, reference_id: str | None, chosen: Document) -> Any:
        if not chosen or not chosen.get("meter"):
            return no_update
        try:
            found = _compared(data, chosen)
        except UserError:
            return None  # the answer says why
        if not meter_id or not reference_id:
            return sense(found, None, None)
        return sense(found, data.ask(run.expected_ratio, meter_id, reference_id), meter_id)


def _compared(data: Guarded, chosen: Document) -> Document:
    return data.ask(run.compare_rides, chosen["drop"], chosen["meter"], chosen["reference"])


def answer(data: Guarded, chosen: Document) -> Any:
    """Return a pair compared and what to do with it, or why there is no answer."""
    devices = data.ask(run.ride_devices)
    if chosen["meter"] == chosen["reference"]:
        return html.Div(parts.warning(SAME))
    try:
        found = _compared(data, chosen)
    except UserError as problem:
        return no_answer_part(problem, chosen, devices)
    return answer_part(found, chosen, devices)


def register_decision(app: Dash, data: Guarded) -> None:
    """Keep or discard the pair."""

    @app.callback(
        Output("rides-said", "children", allow_duplicate=True),
        Output("rides-missing", "children"),
        Output("rides-pair", "children", allow_duplicate=True),
        Output("rides-answer", "children", allow_duplicate=True),
        Output("rides-waiting", "children"),
        Output("rides-kept", "children"),
        Input("rides-keep", "n_clicks"),
        Input("rides-discard", "n_clicks"),
        State("rides-chosen", "data"),
        State("rides-meter-id-chosen", "data"),
        State("rides-reference-id-chosen", "data"),
        prevent_initial_call=True,
        running=[(Output("rides-keep", "disabled"), True, False)],
    )
    def decide(
        _keep: int, _discard: int, chosen: Document, meter_id: str, reference_id: str
    ) -> tuple[Any, ...]:
        if not parts.clicked():
            return (no_update,) * 6
        if ctx.triggered_id == "rides-discard":
            return _discarded(data, chosen), no_update, None, None, no_update, no_update
        missing = missing_words(meter_id, reference_id)
        if missing:
            return (no_update, missing, *[no_update] * 4)
        said = kept_words(_keep_pair(data, chosen, meter_id, reference_id), meter_id)
        waiting = waiting_part(data.ask(run.rides_waiting))
        return said, no_update, None, None, waiting, kept_part(View(), data.ask(run.rides_kept))


def _discarded(data: Guarded, chosen: Document) -> html.P:
    if not chosen["drop"]:
        return parts.done("Left as it was.")
    data.ask(run.discard_rides, chosen["drop"])
    return parts.done("Discarded: nothing of it stays.")


def _keep_pair(data: Guarded, chosen: Document, meter_id: str, reference_id: str) -> Document:
    kept: Document = data.ask(
        run.keep_rides,
        chosen["drop"],
        chosen["meter"],
        chosen["reference"],
        meter_id=meter_id,
        reference_id=reference_id,
    )
    return kept
