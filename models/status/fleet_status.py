"""Make the `status` document of a fit on a day."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TypedDict

import polars as pl

from models.metrology import interval90, percent_from_ln, percent_sd
from models.records import typed_rows
from models.status.device_findings import HAPPENED, OF_RIDES
from models.status.documents import (
    Alarm,
    BenchStatus,
    DeviceStatus,
    MeterStatus,
    ReferenceStatus,
    Status,
    StatusDocument,
    TrainerState,
)
from models.status.due import due_table
from models.status.kept_fit import Snapshot, forecast
from models.status.meter_rows import meter_rows
from models.status.sides import side_forecast
from models.status.trainers import trainer_states
from models.wording import Reason

STATUSES: tuple[Status, ...] = ("out", "due", "soon", "ok", "unknown")


class _Finding(TypedDict):
    device_id: str
    kind: str
    text: str
    short: str | None
    action: str | None
    short_action: str | None


Findings = Mapping[str, Sequence[_Finding]]


def status_document(
    snapshot: Snapshot, *, as_of: date, target: float, stale: bool
) -> StatusDocument:
    """Return the `status` document of a fit on a day.

    target: the least probability of being within tolerance; stale: rows came in after the fit
    """
    here = snapshot.meters.filter(~pl.col("gone"))
    ids = here["meter_id"].to_list()
    alarms = alarms_by_device(snapshot.alarms, "meter")
    told = here.with_columns(
        drift_pct_per_year=pl.col("drift_ln"),
        drift_sd_pct_per_year=pl.col("drift_sd_ln"),
        has_alarm=pl.col("meter_id").is_in(list(alarms)),
    )
    ahead = forecast(snapshot, ids, as_of=as_of)
    sides = side_forecast(told, ahead.mean_pct, ahead.sd_pct, ahead.days, as_of=as_of)
    table = due_table(told, ahead, as_of=as_of, target=target, sides=sides)
    meters = meter_rows(table, told, alarms)
    known = _findings_by_device(snapshot.findings, "meter")
    for row in meters:
        _tell(row, known.get(row["meter_id"], ()))
    about = snapshot.about()
    [truth] = _findings_by_device(snapshot.findings, "fleet")["fleet"]
    return {
        "as_of": as_of,
        "fit": {
            "fitted_at": about["fitted_at"],
            "stale": stale,
            "converged": about["converged"],
            "message": about["message"],
        },
        "reliability_target": target,
        "meters": meters,
        "references": _references(snapshot, as_of=as_of, target=target),
        "benches": _benches(snapshot),
        "fleet": {
            "counts": _counts(table),
            "truth": {"basis": truth["kind"], "text": truth["text"], "action": truth["action"]},
            "hyperparameters": about["hyper"],
        },
        "notes": [truth["text"], *_of_groups(snapshot.alarms)],
    }


def _tell(row: MeterStatus, found: Sequence[_Finding]) -> None:
    """Put alarms and findings before a meter's own reasons, and what they ask for (in place).

    What is true of its rides alone explains no status, and comes last.
    """
    said = [("alarm", alarm["text"], alarm["short"]) for alarm in row["alarms"]]
    said += [(one["kind"], one["text"], one["short"]) for one in found]
    said.sort(key=lambda one: one[0] != HAPPENED)
    rides = [one for one in said if one[0] in OF_RIDES]
    said = [one for one in said if one[0] not in OF_RIDES]
    row["reasons"] = [*(one[1] for one in said), *row["reasons"], *(one[1] for one in rides)]
    kinds = row["reason_kinds"]
    row["reason_kinds"] = [*(one[0] for one in said), *kinds, *(one[0] for one in rides)]
    row["short_reason"] = next((short for *_, short in said if short), row["short_reason"])
    action = _action(row["alarms"], found)
    if action:
        row["next_action"] = action
        asked = next(one["short_action"] for one in found if one["action"])
        row["short_action"] = Reason("alarm_first", action=action).short if row["alarms"] else asked


def _of_groups(alarms: pl.DataFrame) -> list[str]:
    """Return what alarms say of whole groups: changes of drift, and what follows the season."""
    return [a["text"] for told in alarms_by_device(alarms, "group").values() for a in told]


def alarms_by_device(alarms: pl.DataFrame, device_kind: str) -> dict[str, list[Alarm]]:
    """Return the alarms of one kind of device, newest first, keyed by its id."""
    chosen = alarms.filter(pl.col("device_kind") == device_kind).sort("date", descending=True)
    out: dict[str, list[Alarm]] = {}
    for device, alarm in zip(chosen["device_id"], typed_rows(chosen, Alarm), strict=True):
        out.setdefault(device, []).append(alarm)
    return out


def _findings_by_device(findings: pl.DataFrame, device_kind: str) -> Findings:
    out: dict[str, list[_Finding]] = {}
    for row in typed_rows(findings.filter(pl.col("device_kind") == device_kind), _Finding):
        out.setdefault(row["device_id"], []).append(row)
    return out


def _action(alarms: Sequence[Alarm], found: Sequence[_Finding]) -> str | None:
    """Return what to do about findings; None where there is nothing."""
    actions = tuple(one["action"] for one in found if one["action"])
    if not actions:
        return None
    action = Reason("actions", each=actions)
    return str(Reason("alarm_first", action=action) if alarms else action)


def _device_rows(snapshot: Snapshot, device_kind: str) -> dict[str, DeviceStatus]:
    """Return references or mass sets by their id: gain error, its sd and interval, alarms."""
    alarms = alarms_by_device(snapshot.alarms, device_kind)
    devices = snapshot.devices.filter(pl.col("device_kind") == device_kind).sort("device_id")
    out: dict[str, DeviceStatus] = {}
    for name, kind, mean, sd in devices.select("device_id", "kind", "mean_ln", "sd_ln").iter_rows():
        known = mean is not None and sd is not None
        out[name] = {
            "kind": kind,
            "gain_error_pct": percent_from_ln(mean) if known else None,
            "gain_error_sd_pct": percent_sd(mean, sd) if known else None,
            "interval90_pct": interval90(mean, sd) if known else None,
            "alarms": alarms.get(name, []),
        }
    return out


def _references(snapshot: Snapshot, *, as_of: date, target: float) -> list[ReferenceStatus]:
    """Return references; one that is a meter of the fleet is judged there, not here."""
    elsewhere: TrainerState = {
        "status": None,
        "p_within_tolerance": None,
        "due_date": None,
        "reasons": [str(Reason("a_meter_itself"))],
    }
    states = trainer_states(snapshot.trainers, as_of=as_of, target=target)
    by_id = dict(zip(snapshot.trainers["reference_id"], states, strict=True))
    rows: list[ReferenceStatus] = []
    for name, device in _device_rows(snapshot, "reference").items():
        state: TrainerState = by_id.get(name, elsewhere)
        rows.append({"reference_id": name, **device, **state})
    return rows


def _benches(snapshot: Snapshot) -> list[BenchStatus]:
    found = _findings_by_device(snapshot.findings, "bench")
    rows: list[BenchStatus] = []
    for name, device in _device_rows(snapshot, "bench").items():
        known = found.get(name, ())
        reasons = [one["text"] for one in known]
        row: BenchStatus = {"bench_id": name, **device, "reasons": reasons}
        action = _action(row["alarms"], known)
        if action:
            row["next_action"] = action
        rows.append(row)
    return rows


def _counts(table: pl.DataFrame) -> dict[Status, int]:
    found = dict(table["status"].value_counts().iter_rows())
    return {status: int(found.get(status, 0)) for status in STATUSES}
