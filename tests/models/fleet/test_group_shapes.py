"""A group's ageing is a line, settles or speeds up, by evidence."""

from datetime import UTC, date, datetime, timedelta
from math import inf

import numpy as np
import polars as pl
import pytest

from models.fleet import FleetData, FleetSettings, fit
from models.fleet.design.ageing_shape import aged
from tests.models.truth import numbers
from tests.simulate.ageing_worlds import ageing_world


def shapes(fitted) -> dict[str, float]:
    layout = fitted.posterior.layout
    return dict(zip(layout.devices.groups, layout.shape.tolist(), strict=True))


def test_every_shape_begins_with_the_same_year():
    age = np.array([0.0, 1.0])
    for k in (-8.0, -0.5, 0.0, 0.35, 2.8):
        assert aged(age, k) == pytest.approx([0.0, 1.0])
    assert aged(np.array([50.0]), 0.7) == pytest.approx(1 / (1 - np.exp(-0.7)))
    assert aged(np.array([3.0]), -2.0) == pytest.approx((3 + 9) / 2)


def calibration(x: list[float], y: list[float], *, slope: float) -> FleetData:
    """A published calibration as one meter's course: eighteen days long."""
    years = 0.05 * np.array(x) / max(x)
    at = [datetime(2001, 1, 1, tzinfo=UTC) + timedelta(days=365.25 * t) for t in years]
    return FleetData(
        meters=pl.DataFrame(
            {"meter_id": ["one"], "group": ["all"], "in_service_on": [date(2001, 1, 1)]}
        ),
        bench=pl.DataFrame(
            {
                "session_id": [str(i) for i in range(len(at))],
                "meter_id": "one",
                "at": at,
                "found": np.array(y) * slope,
                "u_session": 0.0,
            }
        ),
    )


@pytest.mark.parametrize(
    ("name", "x", "y", "settles"),
    [
        ("nist_pontius_loadcell.csv", "load", "deflection", True),
        ("nist_norris.csv", "x", "y", False),
    ],
)
def test_published_calibrations(name, x, y, settles):
    """NIST StRD: Pontius is certified as a parabola that flattens (B2 = −3.2e−15), Norris as a
    line. With flat priors, one session a point."""
    settings = FleetSettings(
        priors=None,
        fixed={"walk": 0.0, "swap": 0.0, "start": 0.0, "tie": 0.0, "drift": 0.0},
        mean_start_sd=inf,
        mean_drift_sd=inf,
        alarms=False,
    )
    loads, shown = numbers(name, x), numbers(name, y)
    data = calibration(loads, shown, slope=100 / max(shown))
    [shape] = shapes(fit(data, today=date(2010, 1, 1), settings=settings)).values()
    assert (shape > 0) == settles
    assert settles or abs(shape) < 0.05


@pytest.mark.parametrize(("law", "sign"), [("linear", 0), ("saturating", 1), ("accelerating", -1)])
def test_laws_of_physics(law, sign):
    """Truth: tests.simulate.ageing_worlds, three laws that the model does not know."""
    world = ageing_world(law, 103, n_meters=30)
    fitted = fit(FleetData(**world.frames), today=world.today, settings=FleetSettings(alarms=False))
    for shape in shapes(fitted).values():
        assert np.sign(round(shape, 1)) == sign
    names = fitted.prepared.devices.meters
    mean, sd = fitted.forecast(world.today, np.array([365]))
    truth = np.array([world.error(name, 365) for name in names])
    inside = np.abs(mean[:, 0] - truth) < 1.645 * sd[:, 0]
    assert inside.mean() >= 0.7


def test_the_drift_is_that_of_the_year_to_come():
    """The difference of two forecasts a year apart, where nothing else moves."""
    world = ageing_world("saturating", 5, n_meters=20)
    fitted = fit(FleetData(**world.frames), today=world.today, settings=FleetSettings(alarms=False))
    mean, _ = fitted.forecast(world.today, np.array([0.0, 365.25]))
    assert fitted.drift()["drift_ln"].to_numpy() == pytest.approx(mean[:, 1] - mean[:, 0], abs=1e-6)
