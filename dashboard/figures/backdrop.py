"""The lines, tints and words that stand behind a meter's curve."""

from collections.abc import Sequence

from dashboard import theme
from dashboard.figures.frame import C, words_in
from dashboard.navigation import Document, Fields

RULED = ("battery_swap", "crash", "factory_service")  # events that run through the chart
LANE = (0.0, 0.07)  # where the events stand, as a part of the figure's height


def tolerance_shapes(tolerance: float | None) -> list[Fields]:
    """Return the tolerance as two lines, what lies beyond it tinted."""
    if not tolerance:
        return []
    shapes = []
    for sign in (1, -1):
        beyond = {"type": "rect", "y0": sign * tolerance, "y1": sign * 1000}
        edge = {"type": "line", "y0": sign * tolerance, "y1": sign * tolerance}
        shapes += [
            beyond | _across() | {"fillcolor": C["beyond"], "line": {"width": 0}},
            edge | _across() | {"line": {"color": C["out"], "width": 1.6, "dash": "dash"}},
        ]
    return shapes


def _across() -> Fields:
    return {"xref": "paper", "x0": 0, "x1": 1, "yref": "y", "layer": "below"}


def _upright(day: object, colour: str, dash: str, width: float = 1.4) -> Fields:
    line = {"color": colour, "width": width, "dash": dash}
    ends = {"yref": "paper", "y0": LANE[0], "y1": 1, "x0": theme.iso(day), "x1": theme.iso(day)}
    return {"type": "line", "layer": "below", "line": line} | ends


def event_rules(events: Sequence[Document]) -> list[Fields]:
    """Return an upright line at each event that can shift a meter."""
    ruled = [e for e in events if e["event"] in RULED and e.get("state") != "rejected"]
    return [_upright(e["date"], C["event"], "dot") for e in ruled]


def reset_shapes(resets: Sequence[Document]) -> list[Fields]:
    """Return an upright line at each change of the slope, a strip where its day is not known."""
    shapes = []
    for reset in resets:
        shapes.append(_upright(reset["date"], C["ink"], "solid", 1.2))
        if reset.get("recorded") is False and reset.get("earliest") and reset.get("latest"):
            ends = {"x0": theme.iso(reset["earliest"]), "x1": theme.iso(reset["latest"])}
            shapes.append(
                {"type": "rect", "yref": "paper", "y0": LANE[1], "y1": 1, "layer": "below"}
                | ends
                | {"fillcolor": C["band_ahead"], "line": {"width": 0}}
            )
    return shapes


def day_rules(today: object, due: object) -> list[Fields]:
    """Return upright lines at today and at the due date ahead."""
    rules = [_upright(today, C["rule_strong"], "solid", 1)]
    if _is_ahead(today, due):
        rules.append(_upright(due, C["due"], "dash", 1.6))
    return rules


def _is_ahead(today: object, due: object) -> bool:
    now, then = theme.as_date(today), theme.as_date(due)
    return now is not None and then is not None and then > now


def day_words(today: object, due: object) -> list[Fields]:
    """Return what stands beside those lines."""
    words = [_word("today", x=theme.iso(today), y=1, anchor="right", role="muted")]
    if _is_ahead(today, due):
        words.append(
            _word(f"due {theme.day(due)}", x=theme.iso(due), y=0.94, anchor="right", role="due")
        )
    return words


def tolerance_words(
    tolerance: float | None, points: Sequence[Document], *, first: bool = False
) -> list[Fields]:
    """Return the tolerance in words, at the line that the curve ends further from.

    first: at the line's beginning, where its end is taken
    """
    if not tolerance:
        return []
    text = f"tolerance {theme.within(tolerance, 1, '%')}"
    high = bool(points) and points[-1]["gain_error_pct"] > 0
    line = {"y": -tolerance, "yanchor": "top"} if high else {"y": tolerance, "yanchor": "bottom"}
    at = {"xref": "paper", "x": 0 if first else 1, "yref": "y"} | line
    return [_word(text, x=None, y=0, anchor="left" if first else "right", role="out") | at]


def reset_words(history: Document) -> list[Fields]:
    """Return the last few changes of the slope in words, at their lines."""
    return [
        _word(reset_text(r), x=theme.iso(r["date"]), y=0.16, anchor="left", role="ink")
        for r in history["resets"][-4:]
    ]


def reset_text(reset: Document) -> str:
    """Return a change of the slope as the chart names it: slope 5.69 → 5.61, unrecorded."""
    changed = f"slope {slopes_text(reset)}"
    return f"{changed}, unrecorded" if reset.get("recorded") is False else changed


def slopes_text(reset: Document) -> str:
    """Return the slopes before and after a change: 5.69 → 5.61."""
    before, after = (theme.significant(reset.get(k)) for k in ("slope_before", "slope_after"))
    return f"{before} → {after}"


def _word(text: str, *, x: str | None, y: float, anchor: str, role: str) -> Fields:
    return {
        "text": text,
        "x": x,
        "xref": "x",
        "y": y,
        "yref": "paper",
        "xanchor": anchor,
        "yanchor": "top",
        "xshift": 4 if anchor == "left" else -4,
        **words_in(role),
    }
