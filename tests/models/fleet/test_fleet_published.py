"""Published mixed-model and local-level fits as special cases of the fleet model.

A subject is a meter, its days or years its age, what was measured its bench finds; parts that a
case lacks are switched off and no prior is used, so that the estimates are plain REML.
"""

from datetime import UTC, date, datetime, timedelta
from math import inf, log, pi, sqrt

import numpy as np
import polars as pl
import pytest

from models.fleet import FleetData, FleetFit, FleetSettings, fit
from tests.models.truth import rows

START = date(2001, 1, 1)
ORIGIN = datetime(2001, 1, 1, tzinfo=UTC)
OFF = {"walk": 0.0, "swap": 0.0}


def years_after(years: float) -> datetime:
    return ORIGIN + timedelta(days=365.25 * years)


def fleet_of(name: str, *, subject: str | None, years: dict[str, float], y: str) -> FleetData:
    table = rows(name)
    ids = [row[subject] if subject else "one" for row in table]
    [(column, scale)] = years.items()
    return FleetData(
        meters=pl.DataFrame({"meter_id": sorted(set(ids)), "group": "all", "in_service_on": START}),
        bench=pl.DataFrame(
            {
                "session_id": [str(i) for i in range(len(table))],
                "meter_id": ids,
                "at": [years_after(float(row[column]) * scale) for row in table],
                "found": [float(row[y]) for row in table],
                "u_session": 0.0,
            }
        ),
    )


def reml(data: FleetData, **fixed: float) -> FleetFit:
    settings = FleetSettings(
        priors=None,
        fixed=OFF | fixed,
        mean_start_sd=inf,
        mean_drift_sd=inf,
        robust=False,
        alarms=False,
        tolerance=1e-9,
    )
    fitted = fit(data, today=date(2040, 1, 1), settings=settings)
    assert fitted.converged, fitted.message
    return fitted


def fixed_effects(fitted: FleetFit) -> tuple[np.ndarray, np.ndarray]:
    """Mean start and mean drift with their standard errors (hyperparameters held)."""
    state = fitted.posterior.state
    p = state.design.layout.population
    k = np.array([p.start[0], p.drift])
    return state.mean[k], np.sqrt(np.diag(state.C)[k])


def line_sds(fitted: FleetFit) -> list[float]:
    """Sds of start and drift, and their correlation."""
    cov = fitted.hyper.line_covariance()[0]
    sd = np.sqrt(np.diag(cov))
    return [float(sd[0]), float(sd[1]), float(cov[0, 1] / sd.prod())]


@pytest.fixture(scope="module")
def sleep() -> FleetData:
    return fleet_of(
        "sleepstudy.csv", subject="subject", years={"days": 1 / 365.25}, y="reaction_ms"
    )


@pytest.fixture(scope="module")
def orthodont() -> FleetData:
    return fleet_of("orthodont.csv", subject="subject", years={"age": 1.0}, y="distance_mm")


def test_sleepstudy(sleep):
    """Bates, Maechler, Bolker & Walker (2015), J Stat Softw 67(1), REML."""
    fitted = reml(sleep)
    beta, se = fixed_effects(fitted)
    assert beta * [1, 1 / 365.25] == pytest.approx([251.40510, 10.46729], abs=1e-5)
    assert se * [1, 1 / 365.25] == pytest.approx([6.8246, 1.5458], abs=1e-3)
    sd0, sd1, rho = line_sds(fitted)
    assert [sd0, sd1 / 365.25] == pytest.approx([24.741, 5.922], abs=2e-3)
    assert rho == pytest.approx(0.066, abs=5e-4)
    assert fitted.hyper.sd("bench")[0] == pytest.approx(25.592, abs=2e-3)
    scale = 2 * log(365.25)  # of the flat drift: per year here, per day there
    criterion = -2 * fitted.posterior.state.log_likelihood + scale
    assert criterion == pytest.approx(1743.6283, abs=1e-3)


def test_sleepstudy_conditional_modes(sleep):
    """lme4's conditional modes of subjects 308 and 309 at the REML fit."""
    fitted = reml(sleep)
    beta, _ = fixed_effects(fitted)
    drift = {r["meter_id"]: r["drift_ln"] for r in fitted.drift().iter_rows(named=True)}
    start, _ = fitted.gain_error(["308", "309"], ORIGIN)
    assert start - beta[0] == pytest.approx([2.2586, -40.3986], abs=2e-3)
    modes = (np.array([drift["308"], drift["309"]]) - beta[1]) / 365.25
    assert modes == pytest.approx([9.1990, -8.6197], abs=2e-3)


def test_sleepstudy_random_intercept_only(sleep):
    """The same data with a common drift: variances and criterion."""
    fitted = reml(sleep, drift=0.0, tie=0.0)
    assert fitted.hyper.sd("start")[0] ** 2 == pytest.approx(1378.176, abs=0.05)
    assert fitted.hyper.sd("bench")[0] ** 2 == pytest.approx(960.457, abs=0.02)
    criterion = -2 * fitted.posterior.state.log_likelihood + 2 * log(365.25)
    assert criterion == pytest.approx(1786.4651, abs=1e-3)


def test_orthodont(orthodont):
    """Pinheiro & Bates (2000), R nlme, REML: fixed effects, sds, correlation, log-likelihood."""
    fitted = reml(orthodont)
    beta, se = fixed_effects(fitted)
    assert beta == pytest.approx([16.761111, 0.660185], abs=1e-5)
    assert se == pytest.approx([0.7752460, 0.0712533], abs=2e-5)
    assert line_sds(fitted) == pytest.approx([2.3270341, 0.2264278, -0.609], abs=5e-4)
    assert fitted.hyper.sd("bench")[0] == pytest.approx(1.3100397, abs=1e-4)
    assert fitted.posterior.state.log_likelihood == pytest.approx(-221.3183, abs=1e-4)


def test_orthodont_random_intercept_only(orthodont):
    """The same with a common drift."""
    fitted = reml(orthodont, drift=0.0, tie=0.0)
    assert fitted.hyper.sd("start")[0] == pytest.approx(2.114724, abs=1e-4)
    assert fitted.hyper.sd("bench")[0] == pytest.approx(1.431592, abs=1e-4)
    assert fitted.posterior.state.log_likelihood == pytest.approx(-223.5013, abs=1e-4)


def by_mixedlm(drift: bool) -> float:
    """Return the same model's restricted log-likelihood by statsmodels' MixedLM."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    table = rows("orthodont.csv")
    x = np.array([[1.0, float(row["age"]) - 11.0] for row in table])
    y = np.array([float(row["distance_mm"]) for row in table])
    subject = np.array([row["subject"] for row in table])
    return float(MixedLM(y, x, subject, exog_re=x[:, : 1 + drift]).fit(reml=True).llf)


def test_likelihood_ratio_of_nested_models(orthodont, sleep):
    """Drift that differs between meters against a common one.

    Orthodont: 2 (−221.3183 + 223.5013) of R nlme's lme (Pinheiro & Bates 2000) and statsmodels;
    sleepstudy: 1786.4651 − 1743.6283 of lme4's REML criteria (Bates et al. 2015).
    """

    def ratio(data: FleetData) -> float:
        common, own = reml(data, drift=0.0, tie=0.0), reml(data)
        gain = own.posterior.state.log_likelihood - common.posterior.state.log_likelihood
        return 2 * gain

    assert ratio(orthodont) == pytest.approx(4.366, abs=5e-4)
    assert ratio(orthodont) == pytest.approx(2 * (by_mixedlm(True) - by_mixedlm(False)), abs=1e-4)
    assert ratio(sleep) == pytest.approx(42.8368, abs=1e-3)


@pytest.fixture(scope="module")
def nile() -> FleetFit:
    """One meter whose sensor only walks, its first value unknown."""
    data = fleet_of("nile.csv", subject=None, years={"year": 1.0}, y="volume")
    first = years_after(1871).date()
    data = FleetData(data.meters.with_columns(in_service_on=pl.lit(first)), data.bench)
    settings = FleetSettings(
        priors=None,
        fixed={"start": 0.0, "tie": 0.0, "drift": 0.0, "swap": 0.0},
        mean_start_sd=inf,
        mean_drift_sd=1e-5,
        robust=False,
        alarms=False,
        tolerance=1e-10,
    )
    return fit(data, today=date(4000, 1, 1), settings=settings)


def test_nile_variances(nile):
    """Durbin & Koopman: exact diffuse maximum likelihood of the local level model."""
    assert nile.converged
    assert nile.hyper.sd("bench")[0] ** 2 == pytest.approx(15098.5, abs=1)
    assert nile.hyper.sd("walk")[0] ** 2 == pytest.approx(1469.2, abs=0.2)


def test_nile_likelihood(nile):
    """statsmodels 0.15, exact diffuse: −633.4646; R's KFAS leaves out ½ log 2π: −632.5456."""
    log_likelihood = nile.posterior.state.log_likelihood
    assert log_likelihood == pytest.approx(-632.5456, abs=1e-3)
    assert log_likelihood - 0.5 * log(2 * pi) == pytest.approx(-633.4646, abs=1e-3)


def test_nile_level(nile):
    """Durbin & Koopman: filtered level of 1970, smoothed level of 1871."""
    mean, sd = nile.gain_error("one", [years_after(1871), years_after(1970)])
    assert mean == pytest.approx([1111.668, 798.370], abs=0.02)
    # the steady state's filtered variance is P − K P with the published P and K
    nile.posterior.hyper_covariance[:] = 0.0
    _, sd = nile.gain_error("one", [years_after(1970)])
    assert sd[0] == pytest.approx(sqrt(5501.2579 * (1 - 0.26704801)), rel=2e-4)
