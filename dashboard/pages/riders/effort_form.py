"""The coach's question: two efforts, filled in by hand or from the records."""

from collections.abc import Sequence

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

SHOWN_EFFORTS = 60  # in the list to fill a row from
ALIKE = 1.1  # two lengths within a tenth of one another count as alike
ZEROED = (("", "not known (counts as no)"), ("yes", "yes"), ("no", "no"))


def effort_form(document: Document) -> html.Section:
    """Return two rows to fill in, to begin with the rider's own efforts in them."""
    meters = list(dict.fromkeys(period["meter_id"] for period in reversed(document["periods"])))
    before, after = to_begin_with(document["efforts"])
    return parts.section(
        "Is the change real?",
        html.Div(
            [
                _row(0, "Before", before, meters, document["efforts"]),
                _row(1, "After", after, meters, document["efforts"]),
                _carry(meters),
                html.Div(
                    [
                        html.Button("Work it out", id="rider-ask", n_clicks=0),
                        html.Span(id="rider-stale", className="remark", role="status"),
                    ],
                    className="effort-ask",
                ),
            ],
            className="effort-form",
            **parts.facts_of(today=theme.iso(document.get("as_of")) or ""),
        ),
        name="rider-effort",
        note="Choose two efforts that ought to be alike. The answer splits the difference into the "
        "meters' part, that of legs, ring and chain, and the rider's. Its 90 % interval covers "
        "these with the zero, the temperature, the days and whole watts: form, air and road come "
        "on top.",
    )


def to_begin_with(efforts: Sequence[Document]) -> tuple[Document, Document]:
    """Return the latest two efforts that can be compared: alike in kind and length, or length."""
    own = [effort for effort in efforts if effort.get("meter_id")]
    for same in (_same_kind_and_length, _same_length):
        for n, last in enumerate(own):
            before = next((e for e in own[n + 1 :] if same(e, last)), None)
            if before is not None:
                return before, last
    return (own[1:] or [{}])[0], (own or [{}])[0]


def _same_length(one: Document, other: Document) -> bool:
    a, b = one.get("duration_s"), other.get("duration_s")
    if not a or not b:
        return a == b
    return bool(max(a, b) <= ALIKE * min(a, b))


def _same_kind_and_length(one: Document, other: Document) -> bool:
    return _same_length(one, other) and one.get("kind") == other.get("kind")


def _row(
    n: int, title: str, effort: Document, meters: list[str], efforts: Sequence[Document]
) -> html.Fieldset:
    chosen = effort.get("meter_id")
    names = list(dict.fromkeys([*meters, *([chosen] if chosen else [])]))
    fields = [
        _records(n, effort, efforts),
        parts.date_field(
            f"rider-date-{n}", "Day", theme.iso(effort.get("date")) or "", checked=True
        ),
        _list(f"rider-meter-{n}", "Meter", [(name, name) for name in names], chosen),
        _text(f"rider-watts-{n}", "Watts shown", _plain(effort.get("watts"))),
        _text(f"rider-seconds-{n}", "Length, min:s or s", clock(effort.get("duration_s"))),
        _list(f"rider-zeroed-{n}", "Zeroed before it?", ZEROED),
        _text(f"rider-cadence-{n}", "Cadence, rpm", ""),
        _text(f"rider-celsius-{n}", "Temperature, °C", ""),
    ]
    return html.Fieldset([html.Legend(title), html.Div(fields, className="effort-row")])


def _records(n: int, effort: Document, efforts: Sequence[Document]) -> html.Div:
    """Return the list to fill the row from; at first it shows what the row holds."""
    held = [_recorded(effort)] if effort else []
    recorded = [_recorded(one) for one in efforts[:SHOWN_EFFORTS] if one.get("meter_id")]
    others = [option for option in recorded if option not in held]
    name = f"rider-record-{n}"
    records = parts.select(
        name,
        [*held, ("", "filled in by hand"), *others],
        also="effort-record",
        **parts.facts_of(row=str(n)),
    )
    return parts.field(name, "From the records", records, checked=True)


def _recorded(effort: Document) -> parts.Option:
    seconds = effort.get("duration_s")
    watts = theme.quantity(effort["watts"], "W", 0)
    length = theme.duration(seconds) if seconds else None
    words = theme.listed(
        theme.day(effort["date"]), effort["meter_id"], watts, length, effort.get("kind")
    )
    filled = (theme.iso(effort["date"]), effort["meter_id"], _plain(effort["watts"]))
    return "|".join(map(str, (*filled, clock(seconds)))), words


def _carry(meters: list[str]) -> html.Div:
    options = [("", "no other meter"), *((meter, meter) for meter in meters)]
    return _list("rider-carry", "Also show these watts as another meter would", options)


def _list(name: str, label: str, options: parts.Options, chosen: str | None = None) -> html.Div:
    return parts.field(name, label, parts.select(name, options, chosen), checked=True)


def _text(name: str, label: str, value: str) -> html.Div:
    control = dcc.Input(id=name, type="text", inputMode="numeric", value=value)
    return parts.field(name, label, control, checked=True)


def clock(seconds: float | None) -> str:
    """Return a duration as min:s, 20:00; empty where there is none."""
    if seconds is None:
        return ""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
