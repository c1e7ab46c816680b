"""The documents of `status` and `history`, from frames.

Errors come in as 100·ln and leave as plain percent.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from models.ageing import Limits
from models.metrology import Z90, interval90, percent_from_ln, percent_sd
from models.status.due import due_table
from models.status.kept_fit import Snapshot, forecast
from models.status.trainers import trainer_states

TURNING_ONLY = (
    "It shows torque only when turning, so the bench cannot tell: ride it against a device that "
    "you trust."
)
AS_A_METER: Mapping[str, Any] = {
    **{"status": None, "p_within_tolerance": None, "due_date": None},
    "reasons": ["A meter of the fleet: see its own row."],
}
STATUSES = ("out", "due", "soon", "ok", "unknown")
BENCH_C, USE_C = 20.0, (2.0, 38.0)
"""Gain errors are stated at the one; meters are used between the others (°C)."""


def device_rows(
    frame: pl.DataFrame, key: str, alarms: Mapping[str, list[dict[str, Any]]]
) -> list[dict[str, Any]]:
    """References or mass sets of `status`: gain error, its sd, alarms.

    In  one row a device: the key column, mean_ln, sd_ln, and whatever else is to be shown
    """
    rows = []
    for row in frame.sort(key).to_dicts():
        mean, sd = row.pop("mean_ln"), row.pop("sd_ln")
        known = mean is not None and sd is not None
        rows.append(
            row
            | {
                "gain_error_pct": percent_from_ln(mean) if known else None,
                "gain_error_sd_pct": percent_sd(mean, sd) if known else None,
                "interval90_pct": interval90(mean, sd) if known else None,
                "alarms": alarms.get(row[key], []),
            }
        )
    return rows


def alarms_by_device(alarms: pl.DataFrame, device_kind: str) -> dict[str, list[dict[str, Any]]]:
    """The alarms of one kind of device, newest first, keyed by its id."""
    out: dict[str, list[dict[str, Any]]] = {}
    for row in (
        alarms.filter(pl.col("device_kind") == device_kind).sort("date", descending=True).to_dicts()
    ):
        del row["device_kind"]
        out.setdefault(row.pop("device_id"), []).append(row)
    return out


def points(dates: Iterable[Any], mean_ln: np.ndarray, sd_ln: np.ndarray) -> list[dict[str, Any]]:
    """A curve of `history`: date, gain error, sd and 90 % ends in plain percent."""
    rows = []
    for day, mean, sd in zip(dates, mean_ln.tolist(), sd_ln.tolist(), strict=True):
        low, high = interval90(mean, sd)
        rows.append(
            {
                "date": day,
                "gain_error_pct": percent_from_ln(mean),
                "sd_pct": percent_sd(mean, sd),
                "lo90_pct": low,
                "hi90_pct": high,
            }
        )
    return rows


def status_document(
    snapshot: Snapshot, *, as_of: date, target: float, stale: bool
) -> dict[str, Any]:
    """The `status` document of a fit on a day."""
    here = snapshot.meters.filter(~pl.col("gone"))
    ids = here["meter_id"].to_list()
    alarms = alarms_by_device(snapshot.alarms, "meter")
    told = here.with_columns(
        drift_pct_per_year=pl.col("drift_ln"),
        drift_sd_pct_per_year=pl.col("drift_sd_ln"),
        alarm_texts=pl.Series(
            [[alarm["text"] for alarm in alarms.get(meter, [])] for meter in ids],
            dtype=pl.List(pl.String),
        ),
    )
    table = due_table(told, forecast(snapshot, ids, as_of=as_of), as_of=as_of, target=target)
    about = snapshot.about()

    def told_of(kind: str) -> dict[str, list[dict[str, Any]]]:
        return _by_device(snapshot.findings, kind)

    [truth] = told_of("fleet")["fleet"]
    return {
        "as_of": as_of,
        "fit": {
            "fitted_at": about["fitted_at"],
            "stale": stale,
            "converged": about["converged"],
            "message": about["message"],
        },
        "reliability_target": target,
        "meters": _with_findings(_meter_rows(table, here, alarms), told_of("meter"), "meter_id"),
        "references": _reference_rows(snapshot, as_of=as_of, target=target),
        "benches": _with_findings(
            device_rows(
                _of_kind(snapshot.devices, "bench", "bench_id"),
                "bench_id",
                alarms_by_device(snapshot.alarms, "bench"),
            ),
            told_of("bench"),
            "bench_id",
        ),
        "fleet": {
            "counts": _counts(table),
            "truth": {"basis": truth["kind"], "text": truth["text"], "action": truth["action"]},
            "hyperparameters": about["hyper"],
        },
        "notes": [truth["text"]],
    }


def _by_device(findings: pl.DataFrame, device_kind: str) -> dict[str, list[dict[str, Any]]]:
    """Findings of one kind of device, by its id."""
    out: dict[str, list[dict[str, Any]]] = {}
    for row in findings.filter(pl.col("device_kind") == device_kind).iter_rows(named=True):
        out.setdefault(row["device_id"], []).append(row)
    return out


def _with_findings(
    rows: list[dict[str, Any]], told: Mapping[str, list[dict[str, Any]]], key: str
) -> list[dict[str, Any]]:
    """Rows with what is known beyond the number: after the alarms' sentences, before the rest."""
    for row in rows:
        found = told.get(row[key], [])
        n = len(row["alarms"])
        reasons = row.setdefault("reasons", [])
        reasons[n:n] = [one["text"] for one in found]
        actions = [one["action"] for one in found if one["action"]]
        if actions:
            first = "Look into the alarm first. " if n else ""
            row["next_action"] = first + " ".join(actions)
    return rows


def _reference_rows(snapshot: Snapshot, *, as_of: date, target: float) -> list[dict[str, Any]]:
    """References of `status`; one that is a meter of the fleet is judged there, not here."""
    rows = device_rows(
        _of_kind(snapshot.devices, "reference", "reference_id"),
        "reference_id",
        alarms_by_device(snapshot.alarms, "reference"),
    )
    states = trainer_states(snapshot.trainers, as_of=as_of, target=target)
    by_id = dict(zip(snapshot.trainers["reference_id"].to_list(), states, strict=True))
    return [row | by_id.get(row["reference_id"], AS_A_METER) for row in rows]


def _of_kind(devices: pl.DataFrame, kind: str, key: str) -> pl.DataFrame:
    return (
        devices.filter(pl.col("device_kind") == kind).drop("device_kind").rename({"device_id": key})
    )


def _counts(table: pl.DataFrame) -> dict[str, int]:
    found = dict(table["status"].value_counts().iter_rows())
    return {status: int(found.get(status, 0)) for status in STATUSES}


def _meter_rows(
    table: pl.DataFrame, here: pl.DataFrame, alarms: Mapping[str, list[dict[str, Any]]]
) -> list[dict[str, Any]]:
    about = (
        *("group", "kind", "serial_number", "state", "location", "listed", "crank_length_mm"),
        *("rider_id", "bike_id", "role", "static_check"),
    )
    extra = here.select(
        "last_bench",
        "last_comparison",
        *("warmth_ln", "warmth_sd_ln", "warmth_known"),
        *about,
        drift_pct_per_year=pl.col("drift_ln"),
        drift_sd_pct_per_year=pl.col("drift_sd_ln"),
    )
    rows = []
    for row in pl.concat([table, extra], how="horizontal").to_dicts():
        interval = [row.pop("lo90_pct"), row.pop("hi90_pct")]
        meter = row["meter_id"]
        if row.pop("static_check") is False:
            row["next_action"] = TURNING_ONLY
        if not row["listed"]:
            row["reasons"].append("Not in the meters table: its kind and age are guesses.")
        row |= {"interval90_pct": interval, "alarms": alarms.get(meter, [])}
        row["temperature"] = _temperature(row)
        row["reasons"] += _away_from_the_bench(row)
        rows.append(row)
    return rows


def _temperature(row: dict[str, Any]) -> dict[str, Any] | None:
    """The gain's temperature coefficient, and what the meter may read in the cold and the heat.

    In   row: gain_error_pct and its sd; warmth_ln, warmth_sd_ln, warmth_known are taken out of it
    """
    slope, u, known = (row.pop(f"warmth_{name}") for name in ("ln", "sd_ln", "known"))
    if slope is None or row["gain_error_pct"] is None:
        return None
    mean, sd = row["gain_error_pct"], row["gain_error_sd_pct"]
    ends = [
        mean + slope * (t - BENCH_C) + sign * Z90 * math.hypot(sd, u * (t - BENCH_C))
        for t in (*USE_C, BENCH_C)
        for sign in (-1, 1)
    ]
    return {
        "coefficient_pct_per_c": slope if known else None,
        "coefficient_sd_pct_per_c": u,
        "known": known,
        "use_c": list(USE_C),
        "interval90_in_use_pct": [min(ends), max(ends)],
    }


def _away_from_the_bench(row: dict[str, Any]) -> list[str]:
    """Said where a meter that is within tolerance at the bench may leave it in the heat or cold."""
    told, limit = row["temperature"], row["tolerance_pct"]
    if told is None or max(map(abs, row["interval90_pct"])) > limit:
        return []
    low, high = told["interval90_in_use_pct"]
    if max(-low, high) <= limit:
        return []
    slope = told["coefficient_pct_per_c"]
    known = "is not known" if slope is None else f"is {slope:+.3f} % a degree"
    return [
        f"Between {USE_C[0]:g} and {USE_C[1]:g} °C it may read {low:+.1f} to {high:+.1f} %: its "
        f"temperature coefficient {known}."
    ]


def history_document(
    meter_id: str,
    curve: list[dict[str, Any]],
    *,
    observations: list[dict[str, Any]],
    events: pl.DataFrame,
    resets: pl.DataFrame,
) -> dict[str, Any]:
    """The `history` document of a meter."""
    return {
        "meter_id": meter_id,
        "points": curve,
        "observations": observations,
        "events": events.filter(pl.col("meter_id") == meter_id)
        .select("date", "event", "side", "size_pct", "note", "state")
        .sort("date")
        .to_dicts(),
        "resets": resets.filter(pl.col("meter_id") == meter_id)
        .select(
            pl.col("at").alias("date"),
            "slope_before",
            "slope_after",
            "step_pct",
            "recorded",
            "earliest",
            "latest",
        )
        .to_dicts(),
    }


def observations(known: pl.DataFrame) -> list[dict[str, Any]]:
    """The observations of `history`. In: rows of `FleetFit.observed` of one meter."""
    return [
        {
            "date": row["at"],
            "kind": row["kind"],
            "id": row["id"],
            "gain_error_pct": percent_from_ln(row["gain_error"]),
            "sd_pct": percent_sd(row["gain_error"], row["sd"]),
            "standardized_residual": row["standardized"],
            "used": row["used"],
            "weight": row["weight"],
        }
        for row in known.sort("at").to_dicts()
    ]


def control(charts: pl.DataFrame, limits: Limits) -> dict[str, Any]:
    """The control charts of one meter. In: rows of `assess.charts_of`."""
    series: dict[str, list[dict[str, Any]]] = {
        name: [] for name in ("individuals", "ewma", "cusum")
    }
    for row in charts.sort("at").to_dicts():
        high, low = row["cusum_high"], row["cusum_low"]
        values = {
            "individuals": row["z"],
            "ewma": row["ewma"],
            "cusum": high if high > low else -low,
        }
        for name, value in values.items():
            series[name].append(
                {
                    "date": row["at"],
                    "kind": row["kind"],
                    "id": row["id"],
                    "value": value,
                    "limit": row[f"{name}_limit"],
                    "signal": row[f"{name}_signal"] != 0,
                }
            )
    shown = {"individuals": limits.individuals, "ewma": limits.ewma_limit_z, "cusum": limits.cusum}
    return {**series, "limits": shown | {"weight": limits.ewma_weight}}
