"""Ride effects that one meter's rides alone carry count the same in its block as shared ones."""

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from models.fleet import FleetData, FleetFit, FleetSettings, condition
from models.fleet.design import RideEffects, prepare
from models.fleet.inference import starting_hyper
from models.fleet.inference.derivatives import average_information, gradient
from tests.models.fleet.fleet_brute import small_fleet

TODAY = date(2024, 6, 1)


@pytest.fixture(scope="module")
def data() -> FleetData:
    """The small fleet; all rides of m5 are one more rider's, two of them on one day."""
    fleet = small_fleet()
    rides = fleet.comparisons.filter(pl.col("meter_id") == "m5").select("comparison_id")
    assert rides.height > 2
    more = pl.concat(
        [
            rides.with_columns(effect=pl.lit("Cai"), kind=pl.lit("rider"), sign=pl.lit(1.0)),
            rides.head(2).with_columns(
                effect=pl.lit("Cai, a day"), kind=pl.lit("day"), sign=pl.lit(1.0)
            ),
        ]
    )
    every = fleet.ride_effects.select(more.columns).with_columns(pl.col("sign").cast(pl.Float64))
    return replace(fleet, ride_effects=pl.concat([every, more]))


def conditioned(data: FleetData) -> FleetFit:
    """The posterior at the hyperparameters from which a fit begins."""
    prepared = prepare(data, FleetSettings())
    relevant = prepared.relevant(prepared.layout(()))
    assert "rider" in relevant
    hyper = starting_hyper(prepared.devices.groups, FleetSettings(), relevant, None)
    return condition(data, hyper, today=TODAY)


def test_an_effect_of_one_block_is_what_it_would_be_as_a_shared_one(data, monkeypatch):
    """Likelihood, its derivatives, the effects and what meters show on the road: all the same."""
    found = conditioned(data)
    own = found.prepared.obs.ride_effects
    names = {name for name, is_own in zip(own.names, own.own, strict=True) if is_own}
    assert names >= {"Cai", "Cai, a day"}
    assert not names & {"Ada", "Bo"}  # who are on several meters
    nobodys = np.zeros(len(own.names), dtype=np.bool_)
    monkeypatch.setattr(RideEffects, "of_blocks", lambda self, owner: replace(self, own=nobodys))
    shared = conditioned(data)
    a, b = found.posterior.state, shared.posterior.state
    assert b.design.n_shared == a.design.n_shared + len(names)
    np.testing.assert_allclose(a.log_likelihood, b.log_likelihood, atol=1e-8)
    np.testing.assert_allclose(gradient(a), gradient(b), atol=1e-7)
    np.testing.assert_allclose(average_information(a), average_information(b), atol=1e-7)
    for column in ("mean", "sd"):
        one, other = (fit.ride_effects()[column].to_numpy() for fit in (found, shared))
        np.testing.assert_allclose(one, other, atol=1e-9)
    pairs = [("m5", TODAY), ("m5", date(2022, 9, 1)), ("m0", TODAY), ("m5", TODAY)]
    carried = [[("rider", "Cai"), ("day", "Cai, a day")], [("rider", "Cai")], [("ring", "m0 oval")]]
    carried.append([("rider", "Ada"), ("rider", None)])
    for one, other in zip(
        found.joint_on_road(pairs, carried), shared.joint_on_road(pairs, carried), strict=True
    ):
        np.testing.assert_allclose(one, other, atol=1e-9)
