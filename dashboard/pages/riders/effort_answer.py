"""The answer to the effort question: so much the meters, so much the rider."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

SURE = 0.95
LEAST_ROAD_W = 0.05  # what is shown as 0.0 W is left out
LOUD_W = ((10, 2000.0), (60, 1200.0), (300, 700.0), (86_400, 550.0))  # most seconds, most watts
TITLES = ("", "Meter", "Shown", "An errorless meter would show, 90 %", "The rider put out, 90 %")


def effort_answer(told: Document) -> Any:
    """Return the answer in words, numbers and bars."""
    if told["state"] == "failed":
        return parts.empty(theme.sentence(told["said"]), "Put it right above and ask again.")
    efforts, differences = told["document"]["efforts"], told["document"]["differences"]
    if not differences:
        return None
    change = differences[-1]
    named = zip(("Before", "After"), efforts, strict=False)
    rows = [_effort_row(title, row) for title, row in named]
    return html.Div(
        [
            *(parts.warning(text) for text in cautions(efforts)),
            html.P(verdict(change), className="headline", role="status"),
            _split(change),
            parts.plain_table(TITLES, rows, name="Efforts corrected", headed=True),
            *(html.P(theme.prose(row["text"])) for row in told["document"].get("carried") or []),
            *(parts.remark(theme.sentence(note)) for note in told["document"]["notes"]),
        ],
        className="effort-answer",
    )


def cautions(efforts: Sequence[Document]) -> list[str]:
    """Return what is odd about the efforts themselves, before any meter is asked."""
    said = [_too_loud(row) for row in efforts]
    lengths = [float(row["seconds"]) for row in efforts if row.get("seconds")]
    if len(lengths) > 1 and max(lengths) > 1.2 * min(lengths):
        told = " and ".join(theme.duration(seconds) for seconds in lengths)
        said.append(
            f"The efforts lasted {told}: a rider holds less for longer, so part of the difference "
            "comes from the length alone."
        )
    return [text for text in said if text]


def _too_loud(row: Document) -> str:
    seconds = row.get("seconds") or 0
    limit = next((watts for most, watts in LOUD_W if seconds <= most), LOUD_W[-1][1])
    if row["watts"] <= limit:
        return ""
    held = f" over {theme.duration(seconds)}" if seconds else ""
    return f"{_watts(row['watts'])}{held} is more than a rider holds: mistyped?"


def _watts(value: float, digits: int = 0, *, signed: bool = False) -> str:
    return theme.quantity(value, "W", digits, signed=signed)


def verdict(change: Document) -> str:
    """Return whether the rider's change is real, in one sentence."""
    p, real = change["rider_p_increase"], change["rider_w"]
    half = theme.within(theme.half(change["rider_interval90_w"]) or 0.0, 0, "W")
    watts = f"{theme.number(real, 0, signed=True)} {half}"
    if abs(real) < change["resolution_w"]:
        return f"No change that watts shown to {change['resolution_w']:g} W can tell: {watts}."
    if p >= SURE:
        return f"A real gain of {watts}: {theme.probability(p)} sure that the rider rose."
    if p <= 1 - SURE:
        less = f"{theme.number(abs(real), 0)} {half} less"
        return f"A real loss, {less}: {theme.probability(1 - p)} sure that the rider fell."
    side = "rose" if p >= 0.5 else "fell"
    sure = theme.probability(max(p, 1 - p))
    return f"The meters cannot tell: {watts}, and only {sure} sure that the rider {side}."


def _split(change: Document) -> html.Div:
    """Return the meters' part, the road's and the rider's, as words and bars on one scale."""
    road = change["road_part_w"]
    lines = [
        ("Shown", change["watts"], None),
        ("The meters' part", change["meter_part_w"], None),
        *([("Legs, ring and chain", road, None)] if abs(road) >= LEAST_ROAD_W else []),
        ("The rider's part", change["rider_w"], change["rider_interval90_w"]),
    ]
    ends = [abs(v) for _, v, _ in lines] + [abs(e) for e in change["rider_interval90_w"]] + [1.0]
    return html.Div([_bar(*line, scale=max(ends)) for line in lines], className="split")


def _bar(name: str, value: float, interval: list[float] | None, *, scale: float) -> html.Div:
    def across(x: float) -> float:
        return round(50 + 50 * x / scale, 1)

    def mark(look: str, low: float, high: float) -> html.Span:
        return html.Span(className=look, style={"left": f"{low}%", "width": f"{high - low}%"})

    words = _watts(value, 1, signed=True)
    marks: list[Any] = [html.Span(className="split-zero")]
    marks.append(mark("split-bar", *sorted((across(0), across(value)))))
    if interval:
        marks.append(mark("split-span", *(across(end) for end in interval)))
        words = f"{words} (90 %: {theme.span(interval, 1, 'W')})"
    return html.Div(
        [
            html.Span(name, className="split-name"),
            html.Span(marks, className="split-scale", **parts.aria(hidden="true")),
            html.Span(words, className="split-words"),
        ],
        className="split-line",
    )


def _effort_row(title: str, row: Document) -> tuple[Any, ...]:
    return (
        f"{title}, {theme.day(row['date'])}",
        row.get("meter_id") or row.get("reference_id"),
        _watts(row["watts"]),
        _estimate(row["corrected_w"], row["interval90_w"]),
        _estimate(row["rider_w"], row["rider_interval90_w"]),
    )


def _estimate(watts: float, interval: list[float]) -> Any:
    return theme.estimate(_watts(watts), theme.span(interval, 0, "W", signed=False))
