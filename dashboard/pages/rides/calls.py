"""What happens on the rides page: recordings read, a pair compared, kept or discarded."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.components import clicked, decoded, ride_part
from dashboard.navigation import Document, Door, View, meter_path
from dashboard.pages.rides.sense import sense
from dashboard.service import is_expected

ROLES = ("meter", "reference")
REFERENCE_WORDS = ("trainer", "reference", "rollers")
METER_WORDS = ("meter", "crank", "pedal", "spider", "hub")
Option = tuple[str, str]


# ---- what there is to choose from --------------------------------------------------------------


def pair_part(seen: Document, chosen: Document) -> html.Section:
    """The recordings that were read, and which of them is whose."""
    recordings = seen["recordings"]
    options = [(row["sha256"], _file_words(row)) for row in recordings]
    picks = [
        _pick(
            f"rides-{role}-file",
            f"The {role}'s recording",
            _first(options, chosen.get(role)),
        )
        for role in ROLES
    ]
    return parts.section(
        "Which is which",
        problems_part(seen["problems"]),
        html.Ul([_recording(row) for row in recordings], className="ride-files"),
        html.Div(
            [*picks, html.Button("Compare", id="rides-compare", n_clicks=0)],
            className="pair" if len(recordings) > 1 else "pair unseen",
        ),
        _way_round(seen, chosen),
        name="rides-pair",
    )


def problems_part(problems: Sequence[str]) -> html.Ul | None:
    """What could not be read, and why."""
    if not problems:
        return None
    return html.Ul([html.Li(theme.sentence(text)) for text in problems], className="warn")


def _file_words(row: Document) -> str:
    return f"{row['name']} ({theme.number(row['duration_s'] / 60, 0)} min)"


def _recording(row: Document) -> html.Li:
    said = [
        theme.day(row["started_at"]) if row["started_at"] else "no date: it counts seconds",
        f"{theme.number(row['duration_s'] / 60, 0)}{theme.NBSP}min",
    ]
    if row.get("mean_power_w") is not None:
        said.append(f"mean {theme.number(row['mean_power_w'], 0)}{theme.NBSP}W")
    if not row["has_cadence"]:
        said.append("no cadence")
    whose = row["meter_id"] or row["reference_id"]
    if whose:
        said.append(f"taken for {whose}: {row['why']}" if row["why"] else f"taken for {whose}")
    note = [html.Br(), html.Span(theme.sentence(row["note"]), className="note")]
    return html.Li([html.B(row["name"]), " · ", " · ".join(said), *(note if row["note"] else [])])


def _way_round(seen: Document, chosen: Document) -> html.Div:
    """Which recording was taken for the meter's and why, and the way to change them round."""
    known, said = _why(seen, chosen)
    if len(seen["recordings"]) < 2:
        return html.Div(html.P(said, className="note"))
    swap = html.Button("Swap the two", id="rides-swap", className="quiet", n_clicks=0)
    return html.Div(
        [html.P(said, className="note" if known else "warn"), swap], className="way-round"
    )


def _why(seen: Document, chosen: Document) -> tuple[bool, str]:
    """Whether the files say which one is the meter, and the sentence about it."""
    if len(seen["recordings"]) < 2:
        return True, "Drop both recordings of the ride together: the meter's and the reference's."
    for pair in seen["pairs"]:
        if pair["meter"] == chosen.get("meter") and pair["reference"] == chosen.get("reference"):
            return True, theme.sentence(pair["reason"])
    rows = {row["sha256"]: row for row in seen["recordings"]}
    meter, other = rows.get(str(chosen.get("meter"))), rows.get(str(chosen.get("reference")))
    if meter is None or other is None or meter is other:
        return True, "Choose a recording for each."
    if (meter["meter_id"] and not meter["reference_id"]) or other["reference_id"]:
        return True, f"{meter['name']} is taken for the meter's, by what the files say of a device."
    why = "by its name" if _hint(meter) < _hint(other) else "because it came first"
    if _hint(meter) > _hint(other) or _is_swapped(seen, chosen):
        why = "because you said so"
    return False, (
        f"The files do not say which of them is the meter: {meter['name']} is taken for it, {why}, "
        f"and {other['name']} for what it is compared with. See whether that is the right way "
        "round: the other way the sign turns."
    )


def _is_swapped(seen: Document, chosen: Document) -> bool:
    return bool(first_choice(seen)["meter"] != chosen.get("meter"))


def _hint(row: Document) -> int:
    """What a file's name hints at: −1 the meter, 1 the reference, 0 neither."""
    name = str(row["name"]).lower()
    return any(word in name for word in REFERENCE_WORDS) - any(word in name for word in METER_WORDS)


def first_choice(seen: Document) -> Document:
    """The pair to compare first: the likeliest one, else the first two recordings."""
    chosen: Document = {"drop": seen["drop"], "meter_id": None, "reference_id": None}
    if seen["pairs"]:
        return chosen | {k: seen["pairs"][0][k] for k in (*ROLES, "meter_id", "reference_id")}
    rows = seen["recordings"]
    if len(rows) < 2:
        return chosen | dict.fromkeys(ROLES)
    meter = next((r for r in rows if r["meter_id"] and not r["reference_id"]), None)
    other = next((r for r in rows if r["reference_id"] and r is not meter), None)
    if meter is None and other is None:  # by the names; of two alike the first given
        meter = min(rows, key=_hint)
    meter = meter or next(r for r in rows if r is not other)
    other = other or next(r for r in rows if r is not meter)
    return chosen | {
        "meter": meter["sha256"],
        "reference": other["sha256"],
        "meter_id": meter["meter_id"],
        "reference_id": other["reference_id"],
    }


def _first(options: Sequence[Option], value: str | None) -> list[Option]:
    """The options with the chosen one first: what the browser shows without a word."""
    return sorted(options, key=lambda option: option[0] != value)


def _pick(name: str, label: str, options: Sequence[Option]) -> html.Label:
    """The browser's own list; what is chosen is in the store NAME-chosen, at first the first."""
    return html.Label(
        [
            html.Span(label),
            html.Select(
                [html.Option(text, value=value) for value, text in options],
                id=name,
                className="choice",
            ),
            dcc.Store(id=f"{name}-chosen", data=options[0][0] if options else None),
        ]
    )


def waiting_part(door: Any) -> html.Section | None:
    """Pairs among the loaded recordings that nobody has decided about."""
    pairs = door.rides_waiting()
    if not pairs:
        return None
    rows = [
        html.Li(
            [
                html.Div(
                    [
                        html.B(f"{pair['meter_id']} against {pair['reference_id']}"),
                        f", {theme.day(pair['measured_at'])}",
                        html.P(theme.sentence(pair["reason"]), className="note"),
                    ]
                ),
                html.Button(
                    "Compare",
                    id={"type": "rides-look", "pair": f"{pair['meter']} {pair['reference']}"},
                    className="quiet",
                    n_clicks=0,
                    **parts.aria(label=f"Compare {pair['meter_id']} with {pair['reference_id']}"),
                ),
            ]
        )
        for pair in pairs
    ]
    return parts.section(
        f"Pairs that wait for a look ({len(pairs)})",
        html.Ul(rows, className="proposed"),
        name="rides-waiting",
        note="Recordings that were loaded and overlap in time, one from a meter and one from a "
        "reference.",
    )


def decision_part(chosen: Document, devices: Document, *, comparable: bool) -> html.Div:
    """Whose recordings they are, and the two buttons."""
    picks = []
    for role, ids in zip(ROLES, (devices["meters"], devices["references"]), strict=True):
        known = chosen.get(f"{role}_id")
        worn = _worn(devices) if role == "meter" else {}
        options = [(name, ", ".join([name, *worn.get(name, [])])) for name in ids]
        if known not in ids:
            options = [("", "choose"), *options]
        label = "The meter" if role == "meter" else "Compared with"
        picks.append(_pick(f"rides-{role}-id", label, _first(options, known or "")))
    keep = html.Button("Keep", id="rides-keep", n_clicks=0, disabled=not comparable)
    discard = html.Button("Discard", id="rides-discard", className="quiet", n_clicks=0)
    missing = html.P(id="rides-missing", role="status", className="field-wrong")
    return html.Div(
        [
            html.Div(id="rides-sense", **parts.aria(live="polite")),
            html.Div([*picks, keep, discard], className="pair"),
            missing,
        ],
        className="decision",
    )


def _worn(devices: Document) -> dict[str, list[str]]:
    """Who rides each meter on which bike."""
    return {
        row["meter_id"]: [str(x) for x in (row["rider_id"], row["role"] or row["bike_id"]) if x]
        for row in devices.get("ridden", [])
    }


# ---- callbacks -----------------------------------------------------------------------------------


def register_drop(app: Dash, data: Door) -> None:
    """Recordings that were chosen or dropped are read beside the page."""
    door: Any = data

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
        files = decoded(contents, names or [])
        return door.look_at_rides(files), False, _busy("Reading"), None, None, None, None

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
        state = door.rides_looked_at(ticket)
        if state["busy"]:
            return False, _busy("Reading", state["text"]), no_update, no_update, no_update
        if state["failure"]:
            said = html.P(theme.sentence(state["failure"]), className="warn")
            return True, said, None, None, None
        seen = state["answer"]
        if not seen["recordings"]:
            return True, None, None, problems_part(seen["problems"]), None
        chosen = first_choice(seen)
        return True, None, seen, pair_part(seen, chosen), chosen


def _busy(word: str, detail: str = "") -> html.P:
    more = f": {detail}" if detail else ""
    return html.P([html.Span(className="busy"), f"{word}{more}…"], className="work")


def register_compare(app: Dash, data: Door) -> None:
    """A chosen pair is compared; other choices are taken from the lists."""
    door: Any = data

    @app.callback(
        Output("rides-answer", "children"),
        Output("rides-said", "children"),
        Input("rides-chosen", "data"),
        prevent_initial_call=True,
    )
    def compare(chosen: Document | None) -> tuple[Any, Any]:
        if not chosen or not chosen.get("meter"):
            return None, no_update
        return answer(door, chosen), None

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
        Output("rides-sense", "children"),
        Input("rides-meter-id-chosen", "data"),
        Input("rides-reference-id-chosen", "data"),
        State("rides-chosen", "data"),
    )
    def make_sense(meter_id: str | None, reference_id: str | None, chosen: Document) -> Any:
        if not chosen or not chosen.get("meter"):
            return no_update
        try:
            found = door.compare_rides(chosen["drop"], chosen["meter"], chosen["reference"])
        except Exception as problem:
            if not is_expected(problem):
                raise
            return None  # the answer says why
        return sense(found, door.status(), meter_id, reference_id)

    @app.callback(
        Output("rides-chosen", "data", allow_duplicate=True),
        Output("rides-pair", "children", allow_duplicate=True),
        Input({"type": "rides-look", "pair": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )
    def look(_clicks: list[int]) -> tuple[Any, Any]:
        pressed = clicked()
        if pressed is None:
            return no_update, no_update
        meter, reference = pressed["pair"].split()
        for pair in door.rides_waiting():
            if (pair["meter"], pair["reference"]) == (meter, reference):
                return {"drop": None} | pair, None
        return no_update, no_update


def chosen_from(seen: Document, meter: str, reference: str) -> Document:
    """Two recordings as chosen in the lists, with the ids that are known of them."""
    known = {row["sha256"]: row for row in seen["recordings"]}
    return {
        "drop": seen["drop"],
        "meter": meter,
        "reference": reference,
        "meter_id": known[meter]["meter_id"],
        "reference_id": known[reference]["reference_id"],
    }


def answer(door: Any, chosen: Document) -> Any:
    """A pair compared: the answer and what to do with it, or why there is none."""
    devices = door.ride_devices()
    if chosen["meter"] == chosen["reference"]:
        text = "The same recording was chosen twice: choose the other one for the reference."
        return html.Div(html.P(text, className="warn"))
    try:
        found = door.compare_rides(chosen["drop"], chosen["meter"], chosen["reference"])
    except Exception as problem:
        if not is_expected(problem):
            raise
        said = html.P(theme.sentence(problem), className="warn")
        return html.Div([said, decision_part(chosen, devices, comparable=False)])
    decision = decision_part(chosen, devices, comparable=found["gain_ratio_pct"] is not None)
    return ride_part(found, found["drawn"], name="rides", after=decision)


def register_decision(app: Dash, data: Door, kept_part: Callable[[View, Any], Any]) -> None:
    """Keep or discard."""
    door: Any = data
    lists = [Output("rides-waiting", "children"), Output("rides-kept", "children")]
    emptied = [
        Output("rides-pair", "children", allow_duplicate=True),
        Output("rides-answer", "children", allow_duplicate=True),
    ]

    @app.callback(
        Output("rides-said", "children", allow_duplicate=True),
        Output("rides-missing", "children"),
        *emptied,
        *lists,
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
        if not clicked():
            return (no_update,) * 6
        if ctx.triggered_id == "rides-discard":
            if chosen["drop"]:
                door.discard_rides(chosen["drop"])
            done = "Discarded: nothing of it stays." if chosen["drop"] else "Left as it was."
            return html.P(done, className="done"), no_update, None, None, no_update, no_update
        if not meter_id or not reference_id:
            lacking = [
                words
                for words, given in (
                    ("the meter", meter_id),
                    ("what it was compared with", reference_id),
                )
                if not given
            ]
            missing = f"Choose {' and '.join(lacking)} above; then keep."
            return (no_update, missing, *[no_update] * 4)
        said = _keep_pair(door, chosen, meter_id, reference_id)
        return said, no_update, None, None, waiting_part(door), kept_part(View(), door.rides_kept())


def _keep_pair(door: Any, chosen: Document, meter_id: str, reference_id: str) -> html.Div:
    """Keep a pair; what is to be said about it."""
    kept = door.keep_rides(
        chosen["drop"],
        chosen["meter"],
        chosen["reference"],
        meter_id=meter_id,
        reference_id=reference_id,
    )
    text = (
        f"Kept as {kept['comparison_id']}. It counts in the fleet's numbers; the models are being "
        "refitted beside this page."
    )
    notices = [html.Li(theme.sentence(notice)) for notice in kept["notices"]]
    return html.Div(
        [
            html.P(
                [
                    f"{text} See it on ",
                    parts.link(f"the page of {meter_id}", meter_path(meter_id)),
                    "; undoing its import (a file named pairs) on the intake page takes it back.",
                ],
                className="done",
            ),
            html.Ul(notices, className="notices") if notices else None,
        ]
    )
