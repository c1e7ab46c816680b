"""The state of a device: its badge, its alarms, the reasons for it."""

from typing import Any

from dash import html

from dashboard import theme
from dashboard.components.browser import aria
from dashboard.components.sections import meter_link
from dashboard.navigation import Document, View


def glyph(name: str) -> html.Span:
    """Return the drawn sign of a status or of an alarm; a word always stands beside it."""
    return html.Span(className=f"glyph glyph-{name}", **aria(hidden="true"))


def badge(status: object, word: str | None = None, meaning: str | None = None) -> html.Span:
    """Return a status as glyph and word, in its colour; never the colour alone.

    word, meaning: what the page calls it and says of it, else what the fleet page does
    """
    known = theme.known_status(status)
    shown = theme.STATUSES[known]
    return html.Span(
        [glyph(known), word or shown.word],
        className=f"badge badge-{known}",
        title=meaning or shown.meaning,
    )


def reasons(row: Document) -> list[str]:
    """Return why a meter has its status, without what its alarms already say beside it."""
    told = zip(row.get("reasons") or (), row.get("reason_kinds") or (), strict=True)
    return [reason for reason, kind in told if kind != "alarm"]


def alarm_line(view: View, device: str, alarm: Document, *, is_meter: bool) -> html.Li:
    """Return one alarm: which device, when, what."""
    return _alarm(meter_link(view, device) if is_meter else html.B(device), alarm)


def own_alarm_line(alarm: Document) -> html.Li:
    """Return one alarm on its own device's page."""
    return _alarm(html.B(theme.title(alarm.get("kind"))), alarm)


def _alarm(named: Any, alarm: Document) -> html.Li:
    said = theme.sentence(alarm.get("text") or theme.words(alarm.get("kind")))
    head = html.Div([named, " ", html.Time(alarm_days(alarm))])
    return html.Li(
        [glyph("alarm"), html.Div([head, html.Div(said, className="alarm-text")])],
        className="alarm",
    )


def alarm_days(alarm: Document) -> str:
    """Return when it happened: a day, or the days between which it lies."""
    if alarm.get("earliest") and alarm["earliest"] != alarm["latest"]:
        return f"{theme.day(alarm['earliest'])} to {theme.day(alarm['latest'])}"
    return theme.day(alarm.get("date"))


def alarm_words(alarm: Document) -> str:
    """Return an alarm in as few words as a table cell has room for."""
    size = theme.percent(alarm.get("size_pct"), 1)
    when = alarm_days(alarm)
    words = theme.title(alarm.get("kind"))
    return f"{words}, {when}" if size == theme.MISSING else f"{words} {size}, {when}"
