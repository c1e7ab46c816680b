"""The plan drawn as weeks: races and camps, slots used and free, and who comes to the bench."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document

HEADS = ("Week", "Races, camps, closures", "Bench slots", "Visits")
MOST_BOXES = 12
KINDS = ("race", "camp", "test", "closed")


def board(plan: Document, query: str) -> html.Section:
    """Return every week of the plan, oldest first, a heading a month."""
    visits: dict[str, list[Document]] = {}
    for visit in plan["visits"]:
        visits.setdefault(visit["week"], []).append(visit)
    rows: list[Any] = []
    month = None
    for week in plan["slots"]:
        monday = theme.as_date(week["week"])
        if monday is None:
            continue
        if (monday.year, monday.month) != month:
            month = (monday.year, monday.month)
            rows.append(html.H3(f"{monday:%B %Y}", className="month"))
        rows.append(_week(week, visits.get(week["week"], []), plan, query))
    heads = [html.Span(title) for title in HEADS]
    return parts.section(
        "Week by week",
        html.Div(
            [html.Div(heads, className="week week-heads", **parts.aria(hidden="true")), *rows],
            className="board",
        ),
        name="season-board",
        note="Drag a visit to another week, or press it and choose a week: it then comes in that "
        "week only, and the rest is planned around it. The percentage is the probability that the "
        "meter is still within tolerance when its visit comes.",
    )


def _week(week: Document, visits: Sequence[Document], plan: Document, query: str) -> html.Div:
    shown: list[Any] = [_visit(visit, plan["target"], plan["as_of"]) for visit in visits]
    if visits:
        path = f"/season/week/{week['week']}?{query}"
        shown.append(parts.link("Bench list", path, className="to-bench-list"))
    name = f"Week of {theme.day(week['week'])}"
    return html.Div(
        [
            html.Div(_when(week), className="week-when"),
            *_events(_events_in(plan, week["week"])),
            html.Div(_slots(week), className="week-slots"),
            html.Div(shown, className="week-visits"),
        ],
        className="week closed" if week["closed"] else "week",
        role="group",
        **parts.aria(label=name),
        **parts.facts_of(
            week=week["week"],
            free=str(week["slots"] - week["used"]),
            closed="yes" if week["closed"] else "",
        ),
    )


def _events(events: Sequence[Document]) -> list[html.Div]:
    """Return the cell of a week's events; none where there are none, as in most weeks."""
    return [html.Div(list(map(_event, events)), className="week-events")] if events else []


def _when(week: Document) -> list[Any]:
    monday = theme.as_date(week["week"])
    assert monday is not None  # the board draws no week without a day
    sunday = monday + timedelta(days=6)
    text = _days(monday, sunday)
    number = html.Span(f"week {monday.isocalendar()[1]}", className="week-number")
    return [html.Time(text, dateTime=week["week"]), number]


def _days(first: date, last: date) -> str:
    """Return a range of days in as few words as it takes: 5 – 11 Oct."""
    end = f"{last.day}{theme.NBSP}{last:%b}"
    if first == last:
        return end
    begin = f"{first.day}" if first.month == last.month else f"{first.day}{theme.NBSP}{first:%b}"
    return f"{begin}{theme.NBSP}{theme.DASH} {end}"


def _events_in(plan: Document, monday: str) -> list[Document]:
    first = theme.as_date(monday)
    if first is None:
        return []
    sunday = (first + timedelta(days=6)).isoformat()
    return [e for e in plan["events"] if e["from_date"] <= sunday and e["to_date"] >= monday]


def _event(event: Document) -> html.Div:
    kind = event["kind"] if event["kind"] in KINDS else "race"
    priority = event.get("priority") if kind == "race" else None
    mark = html.B(priority or kind, className=f"event-mark event-{(priority or kind).lower()}")
    said: list[Any] = [mark, " ", event["name"]]
    if priority:
        said.insert(1, html.Span(" race", className="unseen"))
    if event.get("rider_id"):
        said.append(html.Span(f" ({event['rider_id']})", className="quiet-words"))
    first, last = theme.as_date(event["from_date"]), theme.as_date(event["to_date"])
    if first and last:
        said += [" ", html.Span(_days(first, last), className="quiet-words")]
    return html.Div(said, className="event")


def _slots(week: Document) -> list[Any]:
    used, slots = week["used"], week["slots"]
    if week["closed"] and not used:
        return [html.Span("closed", className="quiet-words")]
    if not slots and not used:
        held = week.get("held")
        words = f"no slot left, {theme.plural(held, 'session')} held" if held else "no slot"
        return [html.Span(words, className="quiet-words")]
    if used > slots:
        words = f"{used} for {theme.plural(slots, 'slot')}: too many"
        return [html.Span(words, className="slots-over"), _boxes(slots, slots)]
    return [f"{used} of {slots} used", _boxes(used, slots)]


def _boxes(used: int, slots: int) -> html.Span:
    """Return a box for each slot, drawn as one mark: a page of hundreds of marks is slow."""
    counts = {"--used": min(used, MOST_BOXES), "--slots": min(slots, MOST_BOXES)}
    return html.Span(className="slot-boxes", style=counts, **parts.aria(hidden="true"))


def _visit(visit: Document, target: float, today: str) -> html.Button:
    """Return a visit as a button: it opens its reasons, and can be dragged to another week."""
    p, rider = visit["p_within_tolerance_before"], visit.get("rider_id")
    state = "out" if p < 0.5 else "due" if p < target else "ok"
    said: list[Any] = [parts.glyph(state), html.B(visit["meter_id"])]
    if rider:
        said.append(html.Span(rider, className="visit-rider"))
    said.append(html.Span(theme.probability(p), className="visit-p"))
    if visit.get("pinned"):
        said.append(html.Span("pinned", className="pinned"))
    return html.Button(
        said,
        className=f"visit ink-{state}" + (" is-pinned" if visit.get("pinned") else ""),
        draggable="true",
        n_clicks=0,
        title=theme.sentence(visit["reason"]),
        **parts.aria(haspopup="dialog"),
        **visit_facts(visit, today),
    )


def visit_facts(visit: Document, today: str) -> Document:
    """Return what the dialog says about a visit, as data of its button."""
    deadline = visit.get("deadline")
    before = f"Better before {theme.day(deadline)}." if deadline else ""
    if deadline and str(deadline)[:10] < str(today)[:10]:
        before = "Overdue: the probability is already below the target."
    return parts.facts_of(
        meter=visit["meter_id"],
        week=visit.get("week") or "",
        rider=visit.get("rider_id") or "",
        reason=theme.sentence(visit["reason"]),
        deadline=before,
        pinned="yes" if visit.get("pinned") else "",
    )


def visit_dialog() -> html.Dialog:
    """Return the dialog where a visit is explained and moved; the browser fills it in."""
    return html.Dialog(
        [
            html.H2(id="season-visit-title"),
            html.P(id="season-visit-reason"),
            html.P(id="season-visit-deadline", className="note"),
            html.Label("Week", htmlFor="season-visit-week"),
            html.Select([], id="season-visit-week", className="list"),
            html.P(id="season-visit-warning", className="pin-warning", role="status"),
            html.Div(
                [
                    html.Button("Pin to this week", id="season-pin", n_clicks=0),
                    html.Button(
                        "Add a second visit", id="season-add", className="quiet", n_clicks=0
                    ),
                    html.Button("Unpin", id="season-unpin", className="quiet", n_clicks=0),
                    html.A("Open the meter", id="season-visit-meter", href="#", className="inner"),
                    html.Button("Cancel", id="season-close", className="quiet", n_clicks=0),
                ],
                className="dialog-end",
            ),
        ],
        id="season-visit",
        **parts.aria(labelledby="season-visit-title"),
    )
