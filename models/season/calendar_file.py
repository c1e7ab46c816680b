"""Write a plan as a calendar file: iCalendar (RFC 5545), an all-day event a bench week."""

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256

from icalendar import Calendar, Event

from models.season.documents import PlanDocument, Visit


def calendar_text(plan: PlanDocument, *, stamp: datetime) -> str:
    """Return the plan's visits as an iCalendar object; stamp: when the plan was made (DTSTAMP).

    Each visit lasts from its week's Monday to its Friday. Its UID, made of the meter and the
    visit's turn in the plan's season, stays the same from plan to plan, so that a calendar
    replaces it.
    """
    calendar = Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", "-//Slopewatch//bench plan//EN")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    turns: Counter[str] = Counter()
    for visit in plan["visits"]:
        turns[visit["meter_id"]] += 1
        event = _event(visit, today=plan.get("as_of", plan["from"]))
        event.add("uid", _uid(visit["meter_id"], plan["from"].year, turns[visit["meter_id"]]))
        event.add("dtstamp", stamp.astimezone(UTC))
        calendar.add_component(event)
    return str(calendar.to_ical().decode())


def _uid(meter: str, year: int, turn: int) -> str:
    digest = sha256(f"{meter}|{year}|{turn}".encode()).hexdigest()[:24]
    return f"{digest}@slopewatch.invalid"


def _event(visit: Visit, *, today: date) -> Event:
    rider = f" ({visit['rider_id']})" if visit["rider_id"] else ""
    text, deadline = visit["reason"], visit["deadline"]
    if deadline:
        late = "Overdue: below the target already"
        text += f"\n{f'Before: {deadline.isoformat()}' if deadline >= today else late}"
    event = Event()
    event.add("dtstart", visit["week"])
    event.add("dtend", visit["week"] + timedelta(days=5))
    event.add("summary", f"Bench: {visit['meter_id']}{rider}")
    event.add("description", text)
    event.add("transp", "TRANSPARENT")
    return event
