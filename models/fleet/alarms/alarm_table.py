"""Write the alarms as a table: what, where, when, how large, and what to do about it."""

from datetime import date

import numpy as np
import polars as pl

from models.fleet.alarms.alarm_reasons import Alarm, alarm_reason
from models.fleet.design import Effect, Prepared, alarm_year
from models.fleet.inference import EffectEstimate
from models.metrology import DAYS_A_YEAR, date_of, percent_from_ln, percent_sd

ALARM_SCHEMA = {
    "device_kind": pl.String,
    "device_id": pl.String,
    "kind": pl.String,
    "date": pl.Date,
    "earliest": pl.Date,
    "latest": pl.Date,
    "size_pct": pl.Float64,
    "size_sd_pct": pl.Float64,
    "consequence_pct": pl.Float64,
    "observation": pl.String,
    "score": pl.Float64,
    "text": pl.String,
    "short": pl.String,
}
_RESET_WITHIN_YEARS = 3 / DAYS_A_YEAR


def alarm_frame(
    prepared: Prepared, estimates: dict[Effect, EffectEstimate], noise_p: dict[Effect, float]
) -> pl.DataFrame:
    """Return one row an alarm, columns of ALARM_SCHEMA, in order of date.

    earliest, latest of a step the days of the observations around it, else null
    size_pct         of a step the change of the device's value, of an entry the error of the
                     found value, of an offset what the mass set adds to found values beyond its
                     statement, of a bend the change of the yearly drift, of noise the factor
                     less one, in percent
    consequence_pct  of an entry: the shift of the meter's gain error since the slope was reset
                     on it, else null
    score            size over its sd (of noise: the equivalent normal deviate)
    """
    rows = []
    for effect in [*estimates, *noise_p]:
        alarm = _alarm(prepared, effect, estimates.get(effect), noise_p.get(effect))
        reason = alarm_reason(alarm, prepared)
        rows.append(
            {
                "device_kind": effect.device_kind,
                "device_id": effect.device,
                "kind": effect.kind,
                "date": date_of(alarm.date_year),
                **_between(effect),
                "size_pct": alarm.size_pct,
                "size_sd_pct": alarm.size_sd_pct,
                "consequence_pct": alarm.consequence_pct,
                "observation": effect.observation,
                "score": alarm.score,
                "text": str(reason),
                "short": reason.short,
            }
        )
    return pl.DataFrame(rows, schema=ALARM_SCHEMA).sort("date", "device_id", maintain_order=True)


def _between(effect: Effect) -> dict[str, date | None]:
    known = effect.kind == "step" and effect.since > 0
    return {
        "earliest": date_of(effect.since) if known else None,
        "latest": date_of(effect.at) if known else None,
    }


def _alarm(
    prepared: Prepared, effect: Effect, estimate: EffectEstimate | None, p: float | None
) -> Alarm:
    if estimate is None:
        from scipy.special import ndtri

        score = float(-ndtri(max(p or 1.0, 1e-300) / 2))
        return Alarm(effect, effect.at, 100 * (effect.factor - 1), 0.0, None, score)
    size = percent_from_ln(estimate.size)
    return Alarm(
        effect,
        alarm_year(effect),
        size,
        percent_sd(estimate.size, estimate.sd),
        _consequence(prepared, effect, estimate.size),
        estimate.size / estimate.sd,
    )


def _consequence(prepared: Prepared, effect: Effect, size: float) -> float | None:
    """Return the gain error's shift, in percent, since the slope was reset on a wrong entry.

    The reset took out the share (p_after − p_before) / found of what was found, so the same
    share of the error that was not there.
    """
    if effect.kind != "entry":
        return None
    meter = prepared.devices.meters.index(effect.device)
    row = prepared.session_rows[effect.observation]
    found = float(prepared.obs.value[row])
    for change in prepared.programmed.changes.get(meter, []):
        if change.certain and 0 <= change.at[0] - effect.at <= _RESET_WITHIN_YEARS:
            share = change.step / found if abs(found) > 0.05 else 1.0
            return percent_from_ln(-size * float(np.clip(share, 0.0, 1.3)))
    return None
