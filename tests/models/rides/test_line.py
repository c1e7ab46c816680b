"""Whether compare notices that its line does not hold: bends, warm-ups, steps that only rise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm, t

from models.rides import compare_recordings
from models.rides.alignment import Windows
from models.rides.gain_fit import RARE, _evidence, _probability, _u_sceptical, fit_windows
from models.rides.line_test import misfit_p
from tests.simulate.wrong_rides import wrong_pair


def found(seed: int, kind: str, **wrong: float):
    pair = wrong_pair(np.random.default_rng([91, seed]), kind, **wrong)
    return compare_recordings(pair.meter, pair.reference), pair.truth


def kinds(result) -> set[str]:
    return {warning.kind for warning in result.warnings}


def test_a_reference_that_bends_is_noticed_and_the_gain_holds_at_the_mean_power() -> None:
    """0.6 % over 100 W, which a straight line would turn into 1.2 % of gain."""
    for seed in range(3):
        result, truth = found(seed, "outdoor", bend_pct=0.6)
        assert "ratio_bends" in kinds(result)
        bend, u = result.bend_pct_per_100w, result.u_bend_pct_per_100w
        assert abs(bend + 0.6) < 3 * u
        assert abs(result.gain_ratio_pct - truth.gain_pct) < 0.6


def test_a_warm_up_is_told_from_the_gain_where_power_and_time_differ() -> None:
    for seed in range(2):
        result, truth = found(seed, "steps", warming_pct=1.5)
        assert "ratio_drifts" in kinds(result)
        assert result.change_pct == pytest.approx(-1.3, abs=0.5)  # of 1.5 %, most within the ride
        assert abs(result.gain_ratio_pct - truth.gain_pct) < 0.5


def test_steps_that_only_rise_are_said_to_prove_less() -> None:
    rising, _ = found(0, "rising")
    mixed, _ = found(0, "steps")
    assert "one_way" in kinds(rising)
    assert not kinds(mixed) & {"one_way", "ratio_bends", "ratio_drifts", "line_misfit"}
    assert rising.u_gain_ratio_pct > mixed.u_gain_ratio_pct


def seen_where_true(sd: float, value: float, u: float, dof: float) -> float:
    """The density of a value found with u of dof, the true one being N(0, sd²)."""

    def together(true: float) -> float:
        return float(t.pdf((value - true) / u, dof) / u * norm.pdf(true, scale=sd))

    return float(quad(together, -0.06, 0.06, points=[0.0, value])[0])


def test_the_evidence_is_bayes_rule_for_a_value_with_few_degrees_of_freedom() -> None:
    """Against scipy's Student and normal densities, integrated over what the value may truly be;
    many degrees of freedom: the ratio of two normals."""
    for value, u, dof in ((0.001, 0.002, 8.0), (0.006, 0.0025, 9.0), (0.009, 0.002, 5.0)):
        likely = [seen_where_true(sd, value, u, dof) for sd in (0.006, 0.0004)]
        factor = _evidence(value, u, dof, usual=0.0004, large=0.006)
        assert factor == pytest.approx(likely[0] / likely[1], rel=0.12)
        share = RARE * factor / (RARE * factor + (1 - RARE))
        assert _probability(factor, RARE) == pytest.approx(share)
    wide, narrow = (norm.pdf(0.006, scale=np.hypot(0.0015, sd)) for sd in (0.006, 0.0004))
    many = _evidence(0.006, 0.0015, 1e6, usual=0.0004, large=0.006)
    assert many == pytest.approx(wide / narrow, rel=1e-3)


def test_a_short_ride_holds_whatever_bend_it_cannot_tell() -> None:
    """Twenty minutes: six levels of power do not show 0.6 % over 100 W for sure."""
    for seed in range(4):
        bent, truth = found(seed, "steps", bend_pct=0.6, minutes=20.0)
        low, high = bent.interval90_pct()
        assert low <= truth.gain_pct <= high or "ratio_bends" in kinds(bent)
        straight, truth = found(seed, "steps", minutes=20.0)
        low, high = straight.interval90_pct()
        assert low <= truth.gain_pct <= high


def test_the_interval_holds_nine_tenths_of_the_mixture() -> None:
    """Against draws from two Student distributions, 0.3 of the one and 0.7 of the other."""
    one = fit_windows(windows_of(np.random.default_rng(3)))
    fits = [
        (0.3, replace(one, gain=1.004, u_gain=0.003, dof=9.0)),
        (0.7, replace(one, gain=1.0, u_gain=0.001, dof=12.0)),
    ]
    u = _u_sceptical(1.0012, 12.0, fits)
    rng, n = np.random.default_rng(8), 100_000
    drawn = np.where(
        rng.random(n) < 0.3,
        1.004 + 0.003 * rng.standard_t(9, n),
        1.0 + 0.001 * rng.standard_t(12, n),
    )
    half = float(t.ppf(0.95, 12)) * u
    assert np.mean(np.abs(drawn - 1.0012) <= half) == pytest.approx(0.9, abs=0.004)


def windows_of(rng: np.random.Generator, n: int = 300) -> Windows:
    """Windows of 8 s in steps of five minutes, 1 W of noise on each device."""
    power = np.repeat(rng.uniform(110, 340, n // 30), 30) + rng.normal(0, 4, n)
    turning = np.repeat(rng.uniform(8, 10.5, n // 30), 30)
    nothing = np.zeros(n)
    return Windows(
        at_s=8.0 * np.arange(n),
        seconds=np.full(n, 8.0),
        meter_w=power + rng.normal(0, 1, n),
        reference_w=power + rng.normal(0, 1, n),
        omega=turning,
        slope=nothing,
        change_w=nothing,
        unrest=nothing,
    )


def test_lack_of_fit_is_found_in_a_kink_and_seldom_without() -> None:
    """False alarms of 30 straight rides at p < 0.05, two sd allowed; then 2 % from 250 W on."""
    straight, kinked = [], []
    for seed in range(30):
        windows = windows_of(np.random.default_rng([17, seed]))
        straight.append(misfit_p(windows, fit_windows(windows)))
        if seed < 6:
            above = 1 + 0.02 * (windows.reference_w > 250)
            kink = replace(windows, meter_w=windows.meter_w * above)
            kinked.append(misfit_p(kink, fit_windows(kink)))
    assert np.mean(np.array(straight) < 0.05) <= 0.13
    assert np.mean(np.array(kinked) < 0.01) > 0.7
