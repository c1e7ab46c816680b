"""What differs between two days: statuses, alarms, what was loaded and decided."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, timedelta
from typing import Any

from models.coaching import NoticeRow
from models.digest.documents import DigestLine, StandingRow, line
from models.status import Alarm, MeterStatus, StatusDocument
from models.wording import Reason

SAME_ALARM = timedelta(days=60)  # how far more data may move the day of one and the same alarm
URGENT = ("out", "due")
READINGS = ("reads", "reads_right", "sides_read", "reading_unknown", "never_benched", "not_fitted")
DECIDED = {"event confirmed": "confirmed", "event rejected": "rejected"}


def status_changes(now: StatusDocument, then: StatusDocument | None) -> list[DigestLine]:
    """Return new alarms, then meters that are out, due, or neither any more, in that order.

    then: the same fleet on an earlier day; None: nothing was known then
    """
    return [*_new_alarms(now, then), *_changed_meters(now, then)]


def _changed_meters(now: StatusDocument, then: StatusDocument | None) -> list[DigestLine]:
    before = {row["meter_id"]: row["status"] for row in then["meters"]} if then else {}
    found = [
        line(reason, meter=row["meter_id"], rider=row["rider_id"])
        for row in now["meters"]
        if (reason := _change(row, before.get(row["meter_id"])))
    ]
    kinds = ("now_out", "now_due", "needs_no_bench")
    return sorted(found, key=lambda said: (kinds.index(said["kind"]), said["meter_id"]))


def _change(row: MeterStatus, before: str | None) -> Reason | None:
    """Return how a meter's status has changed, where that is news."""
    meter, rider, told, now = row["meter_id"], row["rider_id"], reading(row), row["status"]
    if now == before:
        return None
    if now == "out":
        return Reason("now_out", meter=meter, rider=rider, reading=told)
    if now == "due":
        return Reason("now_due", meter=meter, rider=rider, reading=told)
    if before in URGENT:
        return Reason("needs_no_bench", meter=meter, rider=rider, reading=told)
    return None


def reading(row: MeterStatus) -> str | None:
    """Return what a meter reads, in the words of its status."""
    told = zip(row["reason_kinds"], row["reasons"], strict=True)
    return next((text for kind, text in told if kind in READINGS), None)


def _new_alarms(now: StatusDocument, then: StatusDocument | None) -> list[DigestLine]:
    before = list(device_alarms(then)) if then else []
    found = [
        (alarm["date"], line(Reason("new_alarm", said=alarm["text"]), meter=meter, rider=rider))
        for device, meter, rider, alarm in device_alarms(now)
        if not any(old == device and _same(alarm, known) for old, _, _, known in before)
    ]
    return [said for _, said in sorted(found, key=lambda pair: pair[0], reverse=True)]


def device_alarms(
    document: StatusDocument,
) -> Iterator[tuple[str, str | None, str | None, Alarm]]:
    """Yield every alarm with its device, and the meter and its rider where the device is one."""
    for row in document["meters"]:
        for alarm in row["alarms"]:
            yield row["meter_id"], row["meter_id"], row["rider_id"], alarm
    for reference in document["references"]:
        for alarm in reference["alarms"]:
            yield reference["reference_id"], None, None, alarm
    for bench in document["benches"]:
        for alarm in bench["alarms"]:
            yield bench["bench_id"], None, None, alarm


def _same(alarm: Alarm, other: Alarm) -> bool:
    if (alarm["kind"], alarm["observation"]) != (other["kind"], other["observation"]):
        return False
    return abs(alarm["date"] - other["date"]) <= SAME_ALARM


def notice_lines(rows: Iterable[NoticeRow], *, since: date) -> list[DigestLine]:
    """Return the notices from a day on that nobody has acknowledged, the newest first."""
    return [
        {
            "kind": row["kind"],
            "meter_id": row["meter_id"],
            "rider_id": row["rider_id"],
            "text": row["text"],
        }
        for row in rows
        if row["from_date"] >= since and row["acknowledged_by"] is None
    ]


def standing_rows(now: StatusDocument) -> list[StandingRow]:
    """Return how each meter stands."""
    return [
        {"meter_id": row["meter_id"], "rider_id": row["rider_id"], "status": row["status"]}
        for row in now["meters"]
    ]


def loaded_lines(files: int, rows: int, *, aside: int) -> list[DigestLine]:
    """Return what was taken in and set aside: numbers of files and of rows."""
    lines = [line(Reason("taken_in", rows=rows, files=files))] if files else []
    return lines + ([line(Reason("newly_set_aside", rows=aside))] if aside else [])


def decided_lines(changes: Iterable[Mapping[str, Any]]) -> list[DigestLine]:
    """Return what people decided. changes: what, subject of each, in the order to be told."""
    reasons = [_decided(change["what"], change["subject"]) for change in changes]
    return [line(reason) for reason in dict.fromkeys(reasons) if reason is not None]


def _decided(what: str, subject: str) -> Reason | None:
    if what in DECIDED:
        return Reason("event_decided", subject=subject, decided=DECIDED[what])
    if what == "visits pinned":
        return Reason("visit_moved", subject=subject)
    return Reason("setting_changed", subject=subject) if what == "setting" else None
