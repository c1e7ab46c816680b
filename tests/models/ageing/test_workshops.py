"""Degrees of equivalence and variance parts of workshops."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.ageing import workshops_document
from models.fleet import FleetData, condition, effect_information, fit, fit_sds
from models.metrology import from_information
from tests.models.fleet.fleet_brute import covariance, readings, small_fleet
from tests.models.fleet.test_fleet_exact import SETTINGS, TODAY, known_hyper


def test_three_participants_by_hand():
    """Weights 100, 25, 100: mean (100 + 30 + 90) / 225 = 0.97778, u² = 1/225; the first differs by
    0.02222 with u² = 0.01 − 1/225 = 0.0055556, so E_n = 0.02222 / (2 · 0.074536) = 0.14907;
    χ² = 100 · 0.02222² + 25 · 0.22222² + 100 · 0.07778² = 1.8889, p = exp(−χ²/2)."""
    M = np.diag([100.0, 25.0, 100.0])
    found = from_information(M, M @ np.array([1.0, 1.2, 0.9]))
    assert found.reference == pytest.approx(0.977778, abs=1e-6)
    assert found.u_reference == pytest.approx(1 / 15)
    assert found.e_n == pytest.approx([0.149071, 0.589256, -0.521749], abs=1e-5)
    assert found.chi2 == pytest.approx(1.888889, abs=1e-5)
    assert found.p == pytest.approx(np.exp(-1.888889 / 2), abs=1e-5)


def test_effects_beside_the_model_against_brute_force():
    """Z'PZ and Z'Py with P the inverse of the dense joint covariance."""
    fitted = condition(small_fleet(), known_hyper(), today=TODAY, settings=SETTINGS)
    what, y, noise = readings(small_fleet())
    P = np.linalg.inv(covariance(small_fleet(), what, what, {}) + np.diag(noise))
    data = small_fleet()
    ids = [*data.bench["session_id"], *data.comparisons["comparison_id"]]
    rng = np.random.default_rng(1)
    dense = (rng.random((len(ids), 3)) < 0.4).astype(float)
    obs = fitted.prepared.obs
    M, b = effect_information(fitted.posterior.state, dense[[ids.index(name) for name in obs.name]])
    assert pytest.approx(dense.T @ P @ dense, abs=1e-4) == M
    assert b == pytest.approx(dense.T @ P @ y, abs=1e-4)


def test_spread_of_effects_is_found():
    """Forty effects of sd 0.5 seen with u = 0.2, and forty of none: 90 % ends hold the truth."""
    rng = np.random.default_rng(4)
    true = np.concatenate([rng.normal(0, 0.5, 40), np.zeros(40)])
    x = true + rng.normal(0, 0.2, 80)
    sds, ends = fit_sds(np.eye(80) / 0.04, x / 0.04, np.repeat([0, 1], 40))
    assert ends[0, 0] < 0.5 < ends[0, 1] < 0.7
    assert ends[1, 0] == 0
    assert sds[1] < 0.15


def _round_trip(off: float, seed: int) -> tuple[FleetData, pl.DataFrame]:
    """Thirty meters drifting, benched at three workshops with sets of their own; the third reads
    `off` % beyond what it states."""
    rng = np.random.default_rng(seed)
    start = datetime(2023, 1, 1, 9, tzinfo=UTC)
    names, stated = ("north", "south", "truck"), (0.05, 0.08, 0.1)
    shared = [rng.normal(0, u) + off * (k == 2) for k, u in enumerate(stated)]
    rows = []
    for i in range(30):
        level, drift = rng.normal(0, 0.8), rng.normal(0.3, 0.3)
        for k in range(6):
            day, w = 180 * k + int(rng.integers(0, 60)), int(rng.integers(0, 3))
            found = level + drift * day / 365 + shared[w] + rng.normal(0, 0.2)
            rows.append((f"s{i}-{k}", f"M{i}", start + timedelta(days=day), names[w], found, 0.2,
                         stated[w]))  # fmt: skip
    columns = ["session_id", "meter_id", "at", "bench_id", "found", "u_session", "u_bench"]
    bench = pl.DataFrame(rows, schema=columns, orient="row")
    ids = [f"M{i}" for i in range(30)]
    meters = pl.DataFrame({"meter_id": ids, "group": "g", "in_service_on": date(2022, 12, 1)})
    sessions = bench.select(
        *("session_id", "meter_id", "bench_id"), workshop="bench_id", technician=pl.lit("Maud")
    )
    return FleetData(meters=meters, bench=bench), sessions


@pytest.mark.parametrize("off", [0.0, 1.0])
def test_a_workshop_that_is_off_is_named(off: float):
    data, sessions = _round_trip(off, 8)
    document = workshops_document(fit(data, today=date(2026, 1, 1)), sessions)
    truck = next(row for row in document["workshops"] if row["workshop"] == "truck")
    others = [row for row in document["workshops"] if row["workshop"] != "truck"]
    assert truck["agrees"] is (off == 0)
    if off:
        assert "truck by" in document["text"]
        gap = truck["difference_pct"] - np.mean([row["difference_pct"] for row in others])
        assert abs(gap - off) < truck["expanded_uncertainty_pct"] + 0.2
        assert document["p"] < 0.001
    else:
        assert "agree" in document["text"]
    assert {row["part"] for row in document["parts"]} == {
        "workshop",
        "technician",
        "mass set",
        "repeat",
    }
    assert len(document["travellers"]) > 20


def test_agreement_is_calibrated():
    """Workshops that are what they state: |E_n| > 1 (k = 2) in about 1 of 20."""
    beyond = [
        abs(row["e_n"]) > 1
        for seed in range(12)
        for data, sessions in [_round_trip(0.0, 100 + seed)]
        for row in workshops_document(fit(data, today=date(2026, 1, 1)), sessions)["workshops"]
    ]
    assert sum(beyond) <= 5


def test_one_workshop_has_nobody_to_agree_with():
    data, sessions = _round_trip(0.0, 8)
    alone = sessions.with_columns(workshop=pl.lit("north"))
    document = workshops_document(fit(data, today=date(2026, 1, 1)), alone)
    assert document["workshops"] == []
    assert "nobody to compare" in document["notes"][0]
