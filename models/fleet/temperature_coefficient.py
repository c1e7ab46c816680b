"""Estimate each meter's temperature coefficient of the gain, where its group's data carry one.

A group with `temperature_needs` observations of known temperature gets a coefficient fitted, its
meters' own around it. In any other the coefficient is unknown: 0 ± `unknown_temperature_sd`. It is
fitted apart from the zero's (`models.records.zeros`): comparisons and sessions are freed of the
zero first.
"""

import numpy as np
import polars as pl

from models.fleet.inference import Posterior

_SCHEMA = {
    "meter_id": pl.String,
    "warmth_ln": pl.Float64,
    "warmth_sd_ln": pl.Float64,
    "warmth_known": pl.Boolean,
}


def temperature_coefficient_frame(posterior: Posterior) -> pl.DataFrame:
    """Return the temperature coefficient of every meter's gain.

    Out  meter_id, warmth_ln and warmth_sd_ln (100·ln per °C), warmth_known (False: the group's
         observations do not carry one; the sd is what may be)
    """
    layout, state, hyper = posterior.layout, posterior.state, posterior.hyper
    devices, p = layout.devices, layout.population
    n = len(devices.meters)
    known = p.temperature_of[devices.group] >= 0
    G = np.zeros((n, state.design.n_shared))
    if known.any():
        G[known, p.temperature] = 1.0
        G[np.flatnonzero(known), p.temperature_of[devices.group[known]]] = 1.0
    own = np.where(known, hyper.sd("warmth_own")[devices.group] ** 2, 0.0)
    observed, explained, through_shared = posterior.block_products(
        lambda batch, block: block.scales.temperature2[:, None] * batch.offset_c
    )
    mean, own, G = G @ state.mean + observed, own - explained, G - through_shared
    variance = own + np.einsum("mi,mi->m", G @ state.C, G)
    unknown = state.design.layout.settings.unknown_temperature_sd
    return pl.DataFrame(
        {
            "meter_id": devices.meters,
            "warmth_ln": np.where(known, mean, 0.0),
            "warmth_sd_ln": np.where(known, np.sqrt(np.maximum(variance, 0.0)), unknown),
            "warmth_known": known,
        },
        schema=_SCHEMA,
    )
