"""Evidence for a claim: a meter under warranty that exceeds the accuracy its maker states.

What counts is the sensor as delivered: resets of the slope are undone, since a user's reset hides
what the meter does. The factory slope has no error by agreement, so drift since the first session
is shown beside the error itself.
"""

from datetime import date, timedelta

import numpy as np
import polars as pl

from models.budget.documents import (
    ClosingClaim,
    EvidenceEvent,
    EvidenceSession,
    MeterRecord,
    SensorExcess,
    WarrantyReport,
)
from models.fleet import FleetFit
from models.metrology import Array, interval90, percent_from_ln, percent_sd
from models.records import programmed, typed_rows
from models.status import p_within
from models.wording import chance

LIKELY = 0.8  # chance of exceeding the stated accuracy from which a claim is worth its effort
CLOSING_DAYS = 120


def sensor_excess(
    fleet: FleetFit, meters: pl.DataFrame, resets: pl.DataFrame, *, today: date
) -> list[SensorExcess]:
    """Return each meter's error at the slope it was delivered with, against its stated accuracy.

    In   meters: the roster's rows of meters of the fit
    """
    ids = meters["meter_id"].to_list()
    if not ids:
        return []
    mean, sd = fleet.gain_error([("meter", name) for name in ids], today)
    raw = mean + added_back(resets, ids, today)
    stated = meters["stated_accuracy_pct"].cast(pl.Float64).to_numpy()
    inside = p_within(percent_from_ln(raw), percent_sd(raw, sd), np.nan_to_num(stated, nan=1.0))
    rows: list[SensorExcess] = []
    for m, row in enumerate(meters.iter_rows(named=True)):
        until = row["warranty_until"]
        rows.append(
            {
                "meter_id": row["meter_id"],
                "warranty_until": until,
                "days_left": None if until is None else (until - today).days,
                "stated_accuracy_pct": row["stated_accuracy_pct"],
                "factory_slope_error_pct": percent_from_ln(float(raw[m])),
                "interval90_pct": interval90(float(raw[m]), float(sd[m])),
                "p_exceeds_stated": None
                if row["stated_accuracy_pct"] is None
                else float(1 - inside[m]),
            }
        )
    return rows


def added_back(resets: pl.DataFrame, ids: list[str], today: date) -> Array:
    """Return what undoes all changes of the slope of some meters by a day, in 100·ln [M]."""
    instant = pl.lit(today).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    at = pl.DataFrame({"meter_id": ids}).with_columns(at=instant.dt.offset_by("23h59m"))
    return programmed(resets, at)["p_before"].to_numpy()


def closing_claims(rows: list[SensorExcess]) -> list[ClosingClaim]:
    """Return warranties about to end on meters that likely exceed what is stated."""
    return [
        {**row, "text": _closing(row)}
        for row in sorted(rows, key=lambda r: r["days_left"] if r["days_left"] is not None else -1)
        if row["days_left"] is not None
        and 0 <= row["days_left"] <= CLOSING_DAYS
        and (row["p_exceeds_stated"] or 0.0) >= LIKELY
    ]


def _closing(row: SensorExcess) -> str:
    return (
        f"{row['meter_id']}: its warranty ends on {row['warranty_until']}, and the chance that it "
        f"exceeds the {row['stated_accuracy_pct']:g} % its maker states is "
        f"{chance(row['p_exceeds_stated'] or 0.0)} (report warranty {row['meter_id']})."
    )


def warranty_report(
    excess: SensorExcess,
    meter: pl.DataFrame,
    sessions: pl.DataFrame,
    *,
    events: pl.DataFrame,
    today: date,
) -> WarrantyReport:
    """Return the evidence about one meter.

    In   excess: its row of `sensor_excess`; meter: its row of the roster; sessions:
         session_results; events: the events table
    """
    own = pl.col("meter_id") == excess["meter_id"]
    found = typed_rows(
        sessions.filter(own & pl.col("gain_error_pct").is_finite()).sort("measured_at"),
        EvidenceSession,
    )
    [about] = typed_rows(meter, MeterRecord)
    return {
        **excess,
        **about,
        "sessions": found,
        "events": typed_rows(events.filter(own).sort("date"), EvidenceEvent),
        "lacks": _lacks(excess, about, found),
        "as_of": today,
        "text": _verdict(excess, len(found), today),
    }


def _lacks(excess: SensorExcess, meter: MeterRecord, found: list[EvidenceSession]) -> list[str]:
    lacks = []
    if excess["warranty_until"] is None:
        lacks.append("meters has no warranty_until for it: whether a claim is open is not known")
    if excess["stated_accuracy_pct"] is None:
        lacks.append("meters has no stated_accuracy_pct for it: nothing to hold it against")
    if meter["serial_number"] is None:
        lacks.append("meters has no serial_number for it: a maker will ask for it")
    if len(found) < 2:
        lacks.append("fewer than two bench sessions: hang it once more before a claim")
    return lacks


def _verdict(report: SensorExcess, n_sessions: int, today: date) -> str:
    low, high = report["interval90_pct"]
    text = (
        f"At the slope it was delivered with, {report['meter_id']} reads "
        f"{report['factory_slope_error_pct']:+.1f} % off ({low:+.1f} to {high:+.1f} %), by "
        f"{n_sessions} bench sessions and its rides. "
    )
    stated = report["stated_accuracy_pct"]
    if stated is not None:
        text += (
            f"Its maker states {stated:g} %; the chance that it exceeds that is "
            f"{chance(report['p_exceeds_stated'] or 0.0)}. "
        )
    until = report["warranty_until"]
    if until is not None:
        left = (until - today) / timedelta(days=1)
        text += (
            f"The warranty ended on {until}."
            if left < 0
            else f"The warranty ends on {until}, in {left:.0f} days."
        )
    return text.strip()
