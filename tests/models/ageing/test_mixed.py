"""The mixed model: published REML fits, dense linear algebra, and the fallback's behaviour."""

import numpy as np
import pytest

from models.ageing.mixed import MEAN_DRIFT_SD, MEAN_SD, Panel, fit_mixed, fit_prior, gls, shared_cov
from tests.models.truth import rows


def panel_of(name, *, group, time, y, centre=0.0):
    table = sorted(rows(name), key=lambda row: row[group])
    names = sorted({row[group] for row in table})
    t = np.array([float(row[time]) for row in table]) - centre
    return Panel(
        y=np.array([float(row[y]) for row in table]),
        fixed=np.column_stack([np.ones_like(t), t]),
        time=t,
        meter=np.array([names.index(row[group]) for row in table]),
        known_variance=np.zeros(t.size),
        shared=np.zeros((t.size, 0)),
    )


def model_u(panel, line):
    """Standard errors by the model alone, as the published tables give them."""
    noise = np.full(panel.y.size, line.residual_sd**2)
    return np.sqrt(np.diag(gls(panel, line.random_cov, noise)[1]))


def sds_and_correlation(line):
    sd = np.sqrt(np.diag(line.random_cov))
    return [*sd, line.random_cov[0, 1] / sd.prod()]


def test_sleepstudy():
    """Bates, Maechler, Bolker & Walker (2015), J Stat Softw 67(1), REML."""
    panel = panel_of("sleepstudy.csv", group="subject", time="days", y="reaction_ms")
    line = fit_mixed(panel)
    assert line.trouble == ()
    assert line.beta == pytest.approx([251.40510, 10.46729], abs=1e-5)
    assert model_u(panel, line) == pytest.approx([6.8246, 1.5458], abs=1e-3)
    assert np.sqrt(np.diag(line.cov)) == pytest.approx([6.8246, 1.5458], abs=1e-3)
    assert sds_and_correlation(line) == pytest.approx([24.741, 5.922, 0.066], abs=2e-3)
    assert line.residual_sd == pytest.approx(25.592, abs=2e-3)


@pytest.mark.parametrize(
    ("centre", "intercept", "sd0", "correlation"),
    [(0.0, 16.761111, 2.3270341, -0.609), (11.0, 24.023148, 2.1343289, 0.503)],
)
def test_orthodont(centre, intercept, sd0, correlation):
    """Pinheiro & Bates (2000), REML, age as it is and centred at 11."""
    panel = panel_of("orthodont.csv", group="subject", time="age", y="distance_mm", centre=centre)
    line = fit_mixed(panel)
    assert line.trouble == ()
    assert line.beta == pytest.approx([intercept, 0.660185], abs=1e-5)
    assert model_u(panel, line)[1] == pytest.approx(0.0712533, abs=1e-5)
    assert sds_and_correlation(line)[:2] == pytest.approx([sd0, 0.2264278], abs=1e-4)
    assert sds_and_correlation(line)[2] == pytest.approx(correlation, abs=6e-4)
    assert line.residual_sd == pytest.approx(1.3100397, abs=1e-4)


def some_panel(rng, n_meters=6, each=4, *, shared=True):
    meter = np.repeat(np.arange(n_meters), each)
    time = rng.normal(0, 1, meter.size)
    return Panel(
        y=rng.normal(0, 1, meter.size),
        fixed=np.column_stack([np.ones(meter.size), time, rng.integers(0, 3, meter.size)]),
        time=time,
        meter=meter,
        known_variance=rng.uniform(0.01, 0.1, meter.size),
        shared=0.3 * np.eye(2)[rng.integers(0, 2, meter.size)]
        if shared
        else np.zeros((meter.size, 0)),
    )


def test_blocks_agree_with_dense_matrices():
    rng = np.random.default_rng(8)
    panel = some_panel(rng)
    cov_random = np.array([[1.0, 0.2], [0.2, 0.3]])
    noise = rng.uniform(0.1, 0.5, panel.y.size)
    same = panel.meter[:, None] == panel.meter[None, :]
    Z = np.column_stack([np.ones(panel.y.size), panel.time])
    V = np.diag(noise) + same * (Z @ cov_random @ Z.T)
    information = panel.fixed.T @ np.linalg.solve(V, panel.fixed)
    weights = np.linalg.solve(information, panel.fixed.T) @ np.linalg.inv(V)
    beta, cov = gls(panel, cov_random, noise)
    assert beta == pytest.approx(weights @ panel.y)
    assert cov == pytest.approx(np.linalg.inv(information))
    added = shared_cov(panel, cov_random, noise, cov=cov)
    expected = weights @ panel.shared @ panel.shared.T @ weights.T
    assert added == pytest.approx(expected)


def test_shared_error_of_a_new_mass_set_widens_the_drift():
    """All sessions of the second half on another mass set: its error looks like drift."""
    rng = np.random.default_rng(9)
    panel = some_panel(rng, n_meters=20, each=6, shared=False)
    late = (panel.time > 0).astype(float)
    fixed = panel.fixed[:, :2]
    plain = Panel(panel.y, fixed, panel.time, panel.meter, panel.known_variance, panel.shared)
    shared = 1.0 * np.column_stack([late, 1 - late])
    moved = Panel(panel.y, fixed, panel.time, panel.meter, panel.known_variance, shared)
    extra = fit_prior(moved, mean_sd=np.array([3.0, 0.7])).cov[1, 1]
    assert extra > 2 * fit_prior(plain, mean_sd=np.array([3.0, 0.7])).cov[1, 1]


def test_no_data_gives_the_prior_itself():
    empty = np.zeros(0)
    panel = Panel(empty, np.zeros((0, 2)), empty, np.zeros(0, dtype=int), empty, np.zeros((0, 0)))
    line = fit_prior(panel, mean_sd=np.array([MEAN_SD, MEAN_DRIFT_SD]))
    assert line.beta.tolist() == [0.0, 0.0]
    assert np.sqrt(np.diag(line.cov)).tolist() == [MEAN_SD, MEAN_DRIFT_SD]


def test_one_row_leaves_the_drift_at_its_prior():
    panel = Panel(
        y=np.array([1.0]),
        fixed=np.array([[1.0, 0.0]]),
        time=np.zeros(1),
        meter=np.zeros(1, dtype=int),
        known_variance=np.array([0.02]),
        shared=np.zeros((1, 0)),
    )
    line = fit_prior(panel, mean_sd=np.array([MEAN_SD, MEAN_DRIFT_SD]))
    assert 0.5 < line.beta[0] < 1.0
    assert line.beta[1] == pytest.approx(0.0, abs=1e-9)
    assert np.sqrt(line.cov[1, 1]) == pytest.approx(MEAN_DRIFT_SD)


def test_many_meters_outvote_the_priors():
    """The fallback on a panel that REML can do: same drift and spread within a tenth."""
    panel = panel_of("orthodont.csv", group="subject", time="age", y="distance_mm", centre=11.0)
    reml = fit_mixed(panel)
    line = fit_prior(panel, mean_sd=np.array([100.0, 10.0]))
    assert line.beta == pytest.approx(reml.beta, rel=2e-3)
    assert np.sqrt(np.diag(line.cov)) == pytest.approx(np.sqrt(np.diag(reml.cov)), rel=0.1)
    assert line.residual_sd == pytest.approx(reml.residual_sd, rel=0.1)
    assert sds_and_correlation(line)[:2] == pytest.approx(sds_and_correlation(reml)[:2], rel=0.15)


def test_a_spread_at_zero_is_named():
    """Meters alike in everything: REML puts a variance on the boundary and says so."""
    rng = np.random.default_rng(10)
    meter = np.repeat(np.arange(12), 5)
    time = np.tile(np.linspace(-1, 1, 5), 12)
    noise = rng.normal(0, 1, (12, 5))
    noise -= noise.mean(axis=1, keepdims=True)
    panel = Panel(
        y=(0.5 * time.reshape(12, 5) + noise).ravel(),
        fixed=np.column_stack([np.ones(60), time]),
        time=time,
        meter=meter,
        known_variance=np.zeros(60),
        shared=np.zeros((60, 0)),
    )
    trouble = fit_mixed(panel).trouble
    assert trouble
    assert all(isinstance(text, str) and text for text in trouble)
