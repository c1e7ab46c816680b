"""Adjust the odds where a step or a wrong entry is likelier: events nearby, plausible slips."""

from itertools import product
from math import log

import numpy as np

from models.bench import EVENT_STEP_SD
from models.fleet.alarms.prior_odds import Odds
from models.fleet.alarms.scan_meters import OddsAdjustments
from models.fleet.design import Prepared, event_instants
from models.metrology import DAYS_A_YEAR, Array, ln_from_ratio

_CRANKS_MM = (165.0, 167.5, 170.0, 172.5, 175.0)
_NEIGHBOURS_MM = 5.0
_CRASH_ODDS = 0.25
_NEAR_YEARS = 10 / DAYS_A_YEAR
_SLIP_BONUS = 2.0
_SLIP_SHARE = 0.35


def odds_adjustments_of(prepared: Prepared) -> OddsAdjustments:
    """Return what is added to the test statistics of every observation of a fleet.

    A recorded event that may have moved the sensor raises the z² of a step at the first
    observation after it by 2·ln of the odds it adds (a crash 1 in 4, others by their usual
    size); a session's error near that of a confused crank length raises its entry test.
    """
    return OddsAdjustments(_step_bonus(prepared), slip_sizes(), _SLIP_BONUS, _SLIP_SHARE)


def slip_sizes() -> Array:
    """Return the errors (100·ln) of crank lengths confused with a neighbour's."""
    slips = {
        round(abs(ln_from_ratio(a / b)), 2)
        for a, b in product(_CRANKS_MM, _CRANKS_MM)
        if 0 < abs(a - b) <= _NEIGHBOURS_MM
    }
    return np.array(sorted(slips))


def _step_bonus(prepared: Prepared) -> Array:
    obs = prepared.obs
    bonus = np.zeros(len(obs))
    index = prepared.devices.meter_index
    starts = np.searchsorted(obs.owner, np.arange(len(index) + 1))
    usual = Odds().steps_per_year / 12
    frame = prepared.data.events
    for meter_id, on, event in zip(
        frame["meter_id"].to_list(), event_instants(frame), frame["event"].to_list(), strict=True
    ):
        if event not in EVENT_STEP_SD or meter_id not in index:
            continue
        first, end = starts[index[meter_id] : index[meter_id] + 2]
        row = first + np.searchsorted(obs.t[first:end], on - _NEAR_YEARS)
        if row < end:
            odds = _CRASH_ODDS * min(EVENT_STEP_SD[event], 1.0)
            bonus[row] = max(bonus[row], 2 * log(odds / usual))
    return bonus
