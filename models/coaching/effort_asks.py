"""Efforts as they are asked about, from a command line or a form, become typed ones."""

from datetime import UTC, datetime
from typing import TypedDict
from zoneinfo import ZoneInfo

from models.coaching.effort_days import Effort
from models.wording import NoAnswerError

NAMED = ("zeroed", "cadence", "temperature")
FORM = "DATE[Ttime],METER,WATTS[,SECONDS][,zeroed=yes or no][,cadence=RPM][,temperature=C]"


class EffortAsk(TypedDict, total=False):
    """An effort as it is asked about; all but date, device and watts may be missing or empty.

    date      ISO 8601; a time may follow after a T
    meter_id  or reference_id: what showed the watts
    zeroed    yes, no, or nothing
    """

    date: str | None
    meter_id: str | None
    reference_id: str | None
    watts: str | float | None
    seconds: str | float | None
    zeroed: str | None
    cadence_rpm: str | float | None
    temperature_c: str | float | None


def effort_ask(text: str) -> EffortAsk:
    """Return an effort from its text, see FORM.

    Raise NoAnswerError where the text is no effort.
    """
    when, device, watts, *rest = (*(part.strip() for part in text.split(",")), "", "", "")
    more = dict(part.split("=", 1) for part in rest if "=" in part)
    seconds = [part for part in rest if part and "=" not in part]
    if len(seconds) > 1 or not set(more) <= set(NAMED):
        raise _no_effort(text)
    return EffortAsk(
        date=when,
        meter_id=device,
        watts=watts,
        seconds=seconds[0] if seconds else None,
        zeroed=more.get("zeroed"),
        cadence_rpm=more.get("cadence"),
        temperature_c=more.get("temperature"),
    )


def effort_of(ask: EffortAsk, zone: str) -> Effort:
    """Return the effort asked about. zone: of a time without one.

    Raise NoAnswerError where it is none.
    """
    device = _device(ask)
    if "," in f"{ask.get('date')}{device}":
        raise NoAnswerError(f'found "{device}" as a meter, expected one without a comma')
    when, zeroed = ask.get("date") or "", ask.get("zeroed")
    try:
        at = datetime.fromisoformat(when if "T" in when else f"{when}T12:00")
        effort = Effort(
            (at if at.tzinfo else at.replace(tzinfo=ZoneInfo(zone))).astimezone(UTC),
            device,
            float(ask.get("watts") or ""),
            _number(ask.get("seconds")),
            dated_only="T" not in when,
            cadence_rpm=_number(ask.get("cadence_rpm")),
            zeroed={"yes": True, "no": False}[zeroed] if zeroed else None,
            celsius=_number(ask.get("temperature_c")),
        )
        if not device or not 0 < effort.watts < 5000 or not -30 <= (effort.celsius or 0) <= 60:
            raise ValueError
    except (ValueError, KeyError):
        raise _no_effort(_as_text(ask)) from None
    return effort


def _device(ask: EffortAsk) -> str:
    return ask.get("meter_id") or ask.get("reference_id") or ""


def _number(value: str | float | None) -> float | None:
    return float(value) if value not in (None, "") else None


def _as_text(ask: EffortAsk) -> str:
    values = (ask.get("zeroed"), ask.get("cadence_rpm"), ask.get("temperature_c"))
    more = [f"{key}={value}" for key, value in zip(NAMED, values, strict=True) if value]
    parts = [ask.get("date") or "", _device(ask), ask.get("watts"), ask.get("seconds"), *more]
    return ",".join(str(part) for part in parts if part not in (None, "") or part is parts[1])


def _no_effort(text: str) -> NoAnswerError:
    return NoAnswerError(
        f'found "{text}" as an effort, expected {FORM}, for instance 2026-03-14,K07,312,1200'
    )
