"""Each meter's rides have a noise of their own, in the model and not only in the alarms."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from models.fleet import condition, fit
from models.fleet.inference.noise_scales import own_scales
from models.fleet.inference.robust_weights import LeftOut, Mixture
from models.metrology import Z90, variance_prior
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import FleetOptions, simulate_fleet

MIXTURE = Mixture((0.9, 0.08, 0.02))
SHARES, WIDER = np.array(MIXTURE.shares), np.array([1.0, 2.5, 10.0])


def residuals(spread: float, seed: int, meters: int = 60) -> tuple[LeftOut, np.ndarray, np.ndarray]:
    """Residuals of 12 to 40 rides a meter, whose noise sds differ by exp(spread · normal)."""
    rng = np.random.default_rng(seed)
    owner = np.repeat(np.arange(meters), rng.integers(12, 40, meters))
    scale = np.exp(spread * rng.normal(size=meters))
    others, noise = rng.uniform(0.02, 0.1, len(owner)), rng.uniform(0.1, 0.3, len(owner))
    wider = rng.choice(WIDER, len(owner), p=SHARES)
    sd = np.sqrt(others + noise * (wider * scale[owner]) ** 2)
    return LeftOut(sd * rng.normal(size=len(owner)), others, noise), owner, scale


def test_shrunk_as_smyth_shrinks_the_most_likely_variances():
    """The likelihood of each meter maximised by scipy, then Smyth's (2004) formula by hand."""
    out, owner, _ = residuals(0.6, 4)
    likely, dof = np.ones(60), np.ones(60)
    for m in range(60):
        r, o, n = (x[owner == m][:, None] for x in (out.residual, out.others, out.noise))

        def surprise(log_v: float, r=r, o=o, n=n) -> float:
            sd = np.sqrt(o + n * np.exp(log_v) * WIDER**2)
            return -float(np.sum(np.log(norm.pdf(r, scale=sd) @ SHARES)))

        at = minimize_scalar(surprise, bounds=(-5, 5), method="bounded").x
        bent = (surprise(at + 0.1) - 2 * surprise(at) + surprise(at - 0.1)) / 0.01
        likely[m], dof[m] = np.exp(at), max(2 * bent, 1.0)
    usual, worth = variance_prior(likely, dof)
    expected = np.sqrt((worth + dof * likely / usual) / (worth + dof))
    found = own_scales(out, owner, MIXTURE)[np.searchsorted(owner, np.arange(60))]
    assert np.corrcoef(np.log(found), np.log(expected))[0, 1] > 0.99
    off = np.abs(np.log(found / expected))
    assert np.median(off) < 0.05
    assert np.mean(off < 0.12) > 0.95


def test_unlike_meters_are_told_apart_and_alike_ones_are_not():
    out, owner, scale = residuals(0.6, 5)
    found = own_scales(out, owner, MIXTURE)
    off = np.log(found / scale[owner])
    assert np.std(off) < 0.5 * np.std(np.log(scale[owner]))
    alike = [own_scales(*residuals(0.0, seed)[:2], MIXTURE) for seed in range(8)]
    assert np.mean([np.std(np.log(s)) for s in alike]) < 0.06


@pytest.fixture(scope="module")
def unlike():
    """A fleet whose meters differ in noise by a factor of 1.8 up or down, and its fit."""
    options = replace(FleetOptions(), n_meters=40, years=2.5, noise_spread=0.6, early_exit=0.0)
    fleet = simulate_fleet(options, 31)
    return fleet, fit(fleet_data(fleet), today=fleet.today)


def scales_of(fitted) -> dict[str, float]:
    """Return the scale of each meter's rides."""
    rides = fitted.adjusted_observations().filter(pl.col("kind") == "comparison")
    return dict(rides.join(fitted.weights, on=["kind", "id"]).select("meter_id", "scale").rows())


def test_the_fit_knows_which_meters_are_noisy(unlike):
    """Noise as it was drawn; intervals hold the truth for quiet and noisy ones; no false steps."""
    fleet, fitted = unlike
    scale = scales_of(fitted)
    true = np.array([fleet.truth.meters[m].noise for m in scale])
    assert np.corrcoef(np.log(list(scale.values())), np.log(true))[0, 1] > 0.85
    assert not [e for e in fitted.effects if e.kind in ("step", "noise")]
    truth = fleet.gain_errors_ln(fleet.today)
    mean, sd = fitted.gain_error(list(truth), fleet.today)
    inside = np.abs(mean - list(truth.values())) < Z90 * sd
    assert 0.8 <= np.mean(inside) <= 1.0


def test_a_kept_fit_keeps_them_for_rides_to_come(unlike):
    """The posterior is rebuilt exactly; a new ride of a meter has the noise of that meter."""
    fleet, fitted = unlike
    data = fleet_data(fleet)
    kept = {"today": fleet.today, "effects": fitted.effects, "weights": fitted.weights}
    meters = data.meters["meter_id"].to_list()
    again = condition(data, fitted.hyper, **kept)
    for old, new in zip(
        fitted.gain_error(meters, fleet.today), again.gain_error(meters, fleet.today), strict=True
    ):
        assert new == pytest.approx(old, abs=1e-9)
    scale = scales_of(fitted)
    noisy = max(scale, key=scale.__getitem__)
    last = data.comparisons.filter(meter_id=noisy).sort("at").tail(1)
    ride = last.with_columns(comparison_id=pl.lit("new"), at=pl.col("at") + timedelta(hours=5))
    more = condition(
        replace(data, comparisons=pl.concat([data.comparisons, ride])), fitted.hyper, **kept
    )
    assert more.weights.filter(id="new")["scale"].item() == pytest.approx(scale[noisy])
