"""The coach's question: two efforts filled in, what an errorless meter would have shown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

SHOWN_EFFORTS = 60  # in the list to fill a row from
ALIKE = 1.1  # lengths within a tenth of one another are held alike
LOUD_W = ((10, 2000.0), (60, 1200.0), (300, 700.0), (86_400, 550.0))  # beyond: a slip, likely
ZEROED = (("", "not known"), ("yes", "yes"), ("no", "no"))


def effort_form(document: Document) -> html.Section:
    """Two rows to fill in, the rider's own efforts in them to begin with."""
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
        note="Two efforts that should be alike: what the meters made of the difference, and what "
        "the rider did. The interval is the meters' alone: form, air and road come on top.",
    )


def to_begin_with(efforts: list[Document]) -> tuple[Document, Document]:
    """The latest two efforts that can be compared: alike in length, then in kind too."""
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
    n: int, title: str, effort: Document, meters: list[str], efforts: list[Document]
) -> html.Fieldset:
    listed = [_recorded(one) for one in efforts[:SHOWN_EFFORTS] if one.get("meter_id")]
    listed.insert(0, html.Option("filled in by hand", value=""))
    if effort:  # the list shows what the row holds
        listed.insert(0, _recorded(effort))
    chosen = effort.get("meter_id")
    names = list(dict.fromkeys([*meters, *([chosen] if chosen else [])]))
    return html.Fieldset(
        [
            html.Legend(title),
            html.Div(
                [
                    _labelled(
                        "From the records",
                        html.Select(
                            listed,
                            id=f"rider-record-{n}",
                            className="field-list effort-record",
                            **parts.facts_of(row=str(n)),
                        ),
                    ),
                    _date(n, effort),
                    _labelled("Meter", _meters(n, names, chosen)),
                    _labelled("Watts shown", _number(f"rider-watts-{n}", effort.get("watts"))),
                    _labelled(
                        "Length, min:s or s",
                        _text(f"rider-seconds-{n}", clock(effort.get("duration_s"))),
                    ),
                    _labelled("Zeroed before it?", _choices(f"rider-zeroed-{n}", ZEROED)),
                    _labelled("Cadence, rpm", _text(f"rider-cadence-{n}", "")),
                ],
                className="effort-row",
            ),
        ]
    )


def _labelled(label: str, control: Any) -> html.Div:
    wrong = html.Span(id=f"{control.id}-wrong", className="field-wrong", role="status")
    return html.Div([html.Label(label, htmlFor=control.id), control, wrong], className="field")


def _choices(name: str, choices: Sequence[tuple[str, str]]) -> html.Select:
    options = [html.Option(shown, value=value) for value, shown in choices]
    return html.Select(options, id=name, className="field-list")


def _carry(meters: list[str]) -> html.Div:
    choices = [("", "no other meter"), *((meter, meter) for meter in meters)]
    return _labelled("Also say what the watts are on", _choices("rider-carry", choices))


def _date(n: int, effort: Document) -> html.Div:
    name = f"rider-date-{n}"
    facts = parts.facts_of(name=name, day=theme.iso(effort.get("date")) or "")
    return html.Div(
        [
            html.Label("Day", htmlFor=name),
            html.Div(className="date-field", **facts),
            html.Span(id=f"{name}-wrong", className="field-wrong", role="status"),
        ],
        className="field",
    )


def _meters(n: int, names: list[str], chosen: str | None) -> html.Select:
    first = [name for name in names if name == chosen]
    rest = [name for name in names if name != chosen]
    options = [html.Option(name, value=name) for name in [*first, *rest]]
    return html.Select(options, id=f"rider-meter-{n}", className="field-list")


def _number(name: str, value: float | None) -> dcc.Input:
    return _text(name, _plain(value))


def _text(name: str, value: str) -> dcc.Input:
    return dcc.Input(id=name, type="text", inputMode="numeric", value=value)


def clock(seconds: float | None) -> str:
    """A duration as min:s, 20:00; empty where there is none."""
    if seconds is None:
        return ""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _recorded(effort: Document) -> html.Option:
    seconds = effort.get("duration_s")
    words = [theme.day(effort["date"]), effort["meter_id"], f"{effort['watts']:.0f} W"]
    if seconds:
        words.append(length(seconds))
    if effort.get("kind"):
        words.append(str(effort["kind"]))
    filled = (theme.iso(effort["date"]), effort["meter_id"], _plain(effort["watts"]))
    return html.Option(", ".join(words), value="|".join(map(str, (*filled, clock(seconds)))))


def length(seconds: float) -> str:
    """A duration in words: 20 min, 45 s."""
    if seconds >= 120:
        return f"{theme.number(seconds / 60, 0 if seconds % 60 == 0 else 1)}{theme.NBSP}min"
    return f"{seconds:.0f}{theme.NBSP}s"


def effort_answer(told: Document) -> Any:
    """The answer in words, numbers and bars."""
    if told["state"] == "failed":
        return parts.empty(theme.sentence(told["said"]), "Put it right above and ask again.")
    efforts, differences = told["document"]["efforts"], told["document"]["differences"]
    if not differences:
        return None
    change = differences[-1]
    return html.Div(
        [
            *(html.P(text, className="warn") for text in cautions(efforts)),
            html.P(verdict(change), className="headline", role="status"),
            _split(change),
            parts.plain_table(
                ("", "Meter", "Shown", "Errorless, 90 %"),
                [
                    _effort_line(title, row)
                    for title, row in zip(("Before", "After"), efforts, strict=False)
                ],
                name="Efforts corrected",
            ),
            *(html.P(theme.prose(row["text"])) for row in told["document"].get("carried") or []),
            *(
                html.P(theme.sentence(note), className="remark")
                for note in told["document"]["notes"]
            ),
        ],
        className="effort-answer",
    )


def cautions(efforts: list[Document]) -> list[str]:
    """What is odd about the efforts themselves, before any meter is asked."""
    said = []
    for row in efforts:
        seconds = row.get("seconds") or 0
        limit = next((watts for most, watts in LOUD_W if seconds <= most), LOUD_W[-1][1])
        if row["watts"] > limit:
            watts = f"{theme.number(row['watts'], 0)}{theme.NBSP}W"
            held = f" over {length(seconds)}" if seconds else ""
            said.append(f"{watts}{held} is more than a rider holds: a slip of the pen?")
    lengths = [float(row["seconds"]) for row in efforts if row.get("seconds")]
    if len(lengths) > 1 and max(lengths) > 1.2 * min(lengths):
        told = " and ".join(length(seconds) for seconds in lengths)
        said.append(
            f"The efforts lasted {told}: a rider holds less for longer, so that the difference is "
            "not the form's alone."
        )
    return said


def verdict(change: Document) -> str:
    """Whether the change is real, in one sentence."""
    p, real = change["p_increase"], change["corrected_w"]
    half = f"±{theme.NBSP}{theme.number(theme.half(change['interval90_w']) or 0.0, 0)}"
    watts = f"{theme.number(real, 0, signed=True)} {half}{theme.NBSP}W"
    if p >= 0.95:
        return f"A real gain of {watts}: {theme.probability(p)} sure that the rider rose."
    if p <= 0.05:
        less = f"{theme.number(abs(real), 0)} {half}{theme.NBSP}W less"
        return f"A real loss, {less}: {theme.probability(1 - p)} sure that the rider fell."
    side = "rose" if p >= 0.5 else "fell"
    sure = theme.probability(max(p, 1 - p))
    return f"The meters cannot tell: {watts}, and {sure} that the rider {side}."


def _split(change: Document) -> html.Div:
    """So much the meter, so much the rider, as words and bars on one scale."""
    lines = (
        ("Shown", change["watts"], None),
        ("The meter's part", change["meter_part_w"], None),
        ("The rider's part", change["corrected_w"], change["interval90_w"]),
    )
    ends = [abs(v) for _, v, _ in lines] + [abs(e) for e in change["interval90_w"]] + [1.0]
    scale = max(ends)
    return html.Div([_bar(*line, scale=scale) for line in lines], className="split")


def _bar(name: str, value: float, interval: list[float] | None, *, scale: float) -> html.Div:
    def across(x: float) -> float:
        return round(50 + 50 * x / scale, 1)

    start, end = sorted((across(0), across(value)))
    marks: list[Any] = [
        html.Span(className="split-zero"),
        html.Span(className="split-bar", style={"left": f"{start}%", "width": f"{end - start}%"}),
    ]
    words = f"{theme.number(value, 1, signed=True)}{theme.NBSP}W"
    if interval:
        low, high = (across(x) for x in interval)
        marks.append(
            html.Span(className="split-span", style={"left": f"{low}%", "width": f"{high - low}%"})
        )
        words += f" (90 %: {theme.span(interval, 1, 'W')})"
    return html.Div(
        [
            html.Span(name, className="split-name"),
            html.Span(marks, className="split-scale", **parts.aria(hidden="true")),
            html.Span(words, className="split-words"),
        ],
        className="split-line",
    )


def _effort_line(title: str, row: Document) -> html.Tr:
    low, high = row["interval90_w"]
    corrected = f"{theme.number(row['corrected_w'], 0)}{theme.NBSP}W"
    return html.Tr(
        [
            html.Th(f"{title}, {theme.day(row['date'])}", scope="row"),
            html.Td(row.get("meter_id") or row.get("reference_id")),
            html.Td(f"{theme.number(row['watts'], 0)}{theme.NBSP}W"),
            html.Td(f"{corrected} ({theme.number(low, 0)} to {theme.number(high, 0)})"),
        ]
    )
