"""The fleet at a glance: one sentence, how many of each status, the alarms."""

from collections import Counter
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document, View

ALARMS_SHOWN = 4
DEVICES = (("meters", "meter_id"), ("references", "reference_id"), ("benches", "bench_id"))


def headline_part(status: Document) -> html.P:
    """Return the fleet in one sentence."""
    return html.P(headline(_counts(status)), className="headline")


def counts_part(status: Document) -> html.Div:
    """Return a button a status, with how many there are, that shows only its meters."""
    counts = _counts(status)
    return html.Div(
        [_count_button(name, counts[name]) for name in theme.STATUSES],
        className="counts",
        role="group",
        **parts.aria(label="Show only meters of a status"),
    )


def _counts(status: Document) -> Counter[str]:
    return Counter(theme.known_status(row["status"]) for row in status["meters"])


def headline(counts: Counter[str]) -> str:
    """Return the fleet in one sentence or two."""
    now = counts["out"] + counts["due"]
    if not sum(counts.values()):
        return "No meters are loaded yet."
    first = "No meter needs the bench now."
    if now:
        verb = "needs" if now == 1 else "need"
        first = f"{theme.plural(now, 'meter')} {verb} the bench now."
    rest = []
    if counts["soon"]:
        rest.append(f"{counts['soon']} more within 28 days")
    if counts["unknown"]:
        rest.append(f"{counts['unknown']} cannot be judged yet")
    return " ".join([first, "; ".join(rest) + "." if rest else ""]).strip()


def _count_button(name: str, count: int) -> html.Button:
    shown = theme.STATUSES[name]
    return html.Button(
        [
            parts.glyph(name),
            html.Span(str(count), className="count"),
            html.Span(shown.word, className="count-word"),
        ],
        id={"type": "fleet-status", "status": name},
        className=f"count-button ink-{name}",
        n_clicks=0,
        title=shown.meaning,
        **parts.aria(pressed="false"),
    )


def alarms_part(view: View, status: Document) -> html.Section:
    """Return the newest alarms, the older ones folded away."""
    lines = [
        parts.alarm_line(view, device, alarm, is_meter=is_meter)
        for device, is_meter, alarm in all_alarms(status)
    ]
    body: list[Any] = [html.Ul(lines[:ALARMS_SHOWN])]
    if len(lines) > ALARMS_SHOWN:
        rest = lines[ALARMS_SHOWN:]
        body.append(html.Details([html.Summary(f"{len(rest)} older"), html.Ul(rest)]))
    if not lines:
        body = [html.P("No device shows a jump, a blow or a wrong entry.")]
    return html.Section(
        [html.H2(f"Alarms ({len(lines)})", id="fleet-alarms-title"), *body],
        className="alarms",
        **parts.aria(labelledby="fleet-alarms-title"),
    )


def all_alarms(status: Document) -> list[tuple[str, bool, Document]]:
    """Return every alarm with its device and whether that is a meter, the newest first."""
    found = [
        (row[key], key == "meter_id", alarm)
        for devices, key in DEVICES
        for row in status.get(devices) or []
        for alarm in row.get("alarms") or []
    ]
    return sorted(found, key=lambda item: str(item[2].get("date") or ""), reverse=True)
