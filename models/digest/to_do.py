"""What is to be done in the week that begins on a day."""

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from models.coaching import RaceEve
from models.digest.documents import DigestLine, line
from models.digest.what_changed import URGENT, reading
from models.season import Visit
from models.status import MeterStatus, StatusDocument
from models.wording import Reason

WEEK = timedelta(days=7)


def tasks(
    now: StatusDocument,
    eves: Sequence[RaceEve],
    visits: Sequence[Visit],
    alarmed: Iterable[str],
) -> list[DigestLine]:
    """Return what to do: before races, at the bench, about new alarms, about trainers.

    visits   of the plan, the earliest first
    alarmed  meters with a new alarm
    """
    rows = {row["meter_id"]: row for row in now["meters"]}
    coming = [visit["meter_id"] for visit in visits if _is_near(visit, now["as_of"])]
    before_race = [eve["meter_id"] for eve in eves]
    told = [meter for meter in dict.fromkeys([*coming, *alarmed]) if meter not in before_race]
    return [
        *(_before_race(eve, now["as_of"], rows.get(eve["meter_id"])) for eve in eves),
        *map(_attend_to, sorted((rows[meter] for meter in told if meter in rows), key=_urgency)),
        *(
            line(Reason("recalibrate", device=row["reference_id"], action=row["next_action"]))
            for row in now["references"]
            if row["status"] in URGENT and row.get("next_action")
        ),
    ]


def _is_near(visit: Visit, today: date) -> bool:
    """Return whether a visit's week has begun, or begins within seven days."""
    return today - WEEK < visit["week"] < today + WEEK


def _urgency(row: MeterStatus) -> int:
    return URGENT.index(row["status"]) if row["status"] in URGENT else len(URGENT)


def _attend_to(row: MeterStatus) -> DigestLine:
    meter, rider = row["meter_id"], row["rider_id"]
    planned = row["status"] == "ok" and not row["alarms"]  # nothing else asks for it
    action = Reason("on_the_plan") if planned else row["next_action"]
    reason = Reason(
        "attend_to",
        meter=meter,
        rider=rider,
        action=action,
        why=_why(row),
        reading=reading(row),
    )
    return line(reason, meter=meter, rider=rider)


def _why(row: MeterStatus) -> str | None:
    """Return why a meter is asked for, in one line, where its reading alone does not say it."""
    return row["short_reason"] if {"reads", "reads_right"} & set(row["reason_kinds"]) else None


def _before_race(eve: RaceEve, today: date, row: MeterStatus | None) -> DigestLine:
    meter, rider = eve["meter_id"], eve["rider_id"]
    reason = Reason(
        "before_race",
        meter=meter,
        rider=rider,
        days=(eve["race_on"] - today).days,
        race_on=eve["race_on"],
        first=eve["first"],
        why=_why(row) if row else None,
        reading=reading(row) if row else None,
    )
    return line(reason, meter=meter, rider=rider)
