"""Where a meter is, and the ways to change that: lend it, move it, retire it, bring it back."""

from collections.abc import Sequence
from typing import Any

from dash import ALL, Dash, Input, Output, State, dcc, html, no_update

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View, meter_of
from dashboard.security import Guarded
from models import run
from models.run import Noted

AWAY = ("lent", "at_service", "spare", "written_off", "sold", "returned", "lost")
WAYS_OUT = {
    "written_off": "Worn out or broken",
    "sold": "Sold",
    "returned": "Given back",
    "lost": "Lost or stolen",
}
WORDS = {
    "lend": ("Lend it", "Note the loan", "Lent"),
    "move": ("Move it to another bike", "Note the move", "Moved"),
    "retire": ("Retire it", "Note that it is retired", "Retired"),
    "back": ("Bring it back", "Note that it is back", "Back"),
}
FIELDS = (
    *("lend-to", "lend-on-chosen", "lend-until-chosen"),
    *("move-bike", "move-rider", "move-on-chosen"),
    *("retire-how-chosen", "retire-on-chosen"),
    *("back-rider", "back-bike", "back-on-chosen"),
)


def whereabouts(data: Guarded, view: View, meter_id: str) -> Document | None:
    """Return where the meter is, to be changed.

    None for a past day, for whoever may not change it, and for a meter in no table.
    """
    if view.as_of or not data.may(run.lend_meter):
        return None
    return data.ask(run.whereabouts, meter_id) or None


def where_part(where: Document, *, today: str) -> html.Section:
    """Return where the meter is, and a form for each way to change it."""
    away = where["state"] in AWAY or where["retired_date"] is not None
    return parts.section(
        "Where it is",
        parts.facts(_facts(where)),
        html.Div([_form(what, where, today, away) for what in WORDS], className="where-forms"),
        html.Div(id="meter-where-said", **parts.aria(live="polite")),
        *(_known(name, where[name]) for name in ("riders", "bikes")),
        name="meter-where",
    )


def _facts(where: Document) -> list[tuple[str, Any]]:
    pairs = [
        ("State", theme.words(where["state"] or "active")),
        ("Rider", where["rider_id"]),
        ("Bike", where["bike_id"]),
        ("Where", where["location"]),
        ("Due back", theme.day(where["return_by"]) if where["return_by"] else None),
        ("Retired on", theme.day(where["retired_date"]) if where["retired_date"] else None),
    ]
    return [pair for pair in pairs if pair[1]]


def _known(name: str, options: Sequence[str]) -> html.Datalist:
    return html.Datalist([html.Option(value=one) for one in options], id=f"meter-{name}")


def _form(what: str, where: Document, today: str, away: bool) -> html.Details:
    title, button, _ = WORDS[what]
    fits = {"back": away, "retire": where["retired_date"] is None, "move": True, "lend": not away}
    return html.Details(
        [
            html.Summary(title),
            html.Div(
                [
                    *_fields(what, where, today),
                    html.Button(button, id={"type": "meter-where", "do": what}, n_clicks=0),
                ],
                className="confirm",
            ),
        ],
        hidden=not fits[what],
    )


def _fields(what: str, where: Document, today: str) -> list[Any]:
    on = parts.date_field(f"meter-{what}-on", "Day", today, told=True)
    rider = where["rider_id"] or ""
    match what:
        case "lend":
            until = parts.date_field("meter-lend-until", "Due back (may stay empty)", "", told=True)
            return [_text("meter-lend-to", "To whom", "riders"), on, until]
        case "move":
            bike = _text("meter-move-bike", "To which bike", "bikes")
            return [bike, _text("meter-move-rider", "Rider", "riders", rider), on]
        case "retire":
            how = parts.pick("meter-retire-how", [(way, WAYS_OUT[way]) for way in run.WAYS_OUT])
            return [parts.field("meter-retire-how", "What became of it", how), on]
    back = [_text("meter-back-rider", "Rider (empty: a spare)", "riders")]
    return [*back, _text("meter-back-bike", "Bike", "bikes"), on]


def _text(name: str, label: str, known: str, value: str = "") -> html.Div:
    field = dcc.Input(id=name, type="text", value=value, list=f"meter-{known}", autoComplete="off")
    return parts.field(name, label, field)


def noted(data: Guarded, meter_id: str, what: str, cells: dict[str, str | None]) -> Noted:
    """Do what a form stands for; return what was written."""
    match what:
        case "lend":
            until = cells["lend-until-chosen"]
            return data.ask(
                run.lend_meter, meter_id, cells["lend-to"] or "", _day(data, cells, what), until
            )
        case "move":
            bike, rider = cells["move-bike"] or "", cells["move-rider"] or None
            return data.ask(run.move_meter, meter_id, bike, _day(data, cells, what), rider)
        case "retire":
            how = cells["retire-how-chosen"] or run.WAYS_OUT[0]
            return data.ask(run.retire_meter, meter_id, how, _day(data, cells, what))
    on, to = _day(data, cells, what), cells["back-bike"] or None
    return data.ask(run.bring_meter_back, meter_id, on, cells["back-rider"] or None, to)


def _day(data: Guarded, cells: dict[str, str | None], what: str) -> str:
    """Return the day that was entered, else the day that the field showed."""
    return cells[f"{what}-on-chosen"] or str(theme.iso(data.ask(run.status)["as_of"]))


def said(what: str, done: Noted) -> html.Div:
    """Return what was noted, with the way to take it back."""
    tables = theme.listed(*(theme.words(table) for table in dict.fromkeys(done["tables"])))
    numbers = ",".join(map(str, done["import_ids"]))
    return html.Div(
        [
            parts.done(f"{WORDS[what][2]}: noted in {tables}."),
            html.Button(
                "Take it back",
                id={"type": "meter-where-undo", "imports": numbers},
                className="quiet",
                n_clicks=0,
            ),
        ],
        className="confirm",
    )


def register(app: Dash, data: Guarded) -> None:
    """Note where a meter went, and take that back."""

    @app.callback(
        Output("meter-where-said", "children"),
        Input({"type": "meter-where", "do": ALL}, "n_clicks"),
        Input({"type": "meter-where-undo", "imports": ALL}, "n_clicks"),
        *(State(f"meter-{n}", "data" if n.endswith("-chosen") else "value") for n in FIELDS),
        State("place", "pathname"),
        prevent_initial_call=True,
    )
    def note(_do: Any, _undo: Any, *given: Any) -> Any:
        *values, pathname = given
        match parts.clicked():
            case {"type": "meter-where", "do": what}:
                cells = dict(zip(FIELDS, values, strict=True))
                return said(what, noted(data, meter_of(pathname), what, cells))
            case {"type": "meter-where-undo", "imports": numbers}:
                data.ask(run.take_back_whereabouts, [int(n) for n in numbers.split(",")])
                return parts.done("Taken back: the tables are as they were.")
        return no_update
