"""The Method page's diagnostics, from the documents that the models make."""

from __future__ import annotations

import numpy as np

from dashboard.pages.method.model_check import diagnostic_parts
from models.ageing import limits_from_budget
from models.fleet import fit
from models.honesty import checks, detection
from tests.benchmarks.fleet_accuracy import fleet_data
from tests.simulate.fleets import SCENARIOS, simulate_fleet


def test_every_number_of_a_fit_reaches_the_page() -> None:
    fleet = simulate_fleet(SCENARIOS["usual"], 5)
    fitted = fit(fleet_data(fleet), today=fleet.today)
    innovations = fitted.innovations()
    limits = limits_from_budget(1.0, 1500).limits
    shares = fitted.variance_components(rng=np.random.default_rng(1))
    document = {
        "checks": checks(innovations).to_dicts(),
        "shares": shares.to_dicts(),
        "detection": detection(innovations, limits).to_dicts(),
    }
    shown = str(diagnostic_parts(document))
    assert "Bench sessions" in shown
    assert "Ride comparisons" in shown
    assert "Wandering" in shown
    assert "alder" in shown
    assert "Spread of what was not expected" in shown
    for row in document["checks"]:
        assert row["text"][1:] in shown
    assert "1.5 %" in shown
    assert "stated" in shown
    assert "Nothing is fitted" not in shown


def test_without_enough_records_it_says_what_it_would_take() -> None:
    shown = str(diagnostic_parts({}))
    assert "Too few records to check the model by" in shown
    assert "It takes twenty of a kind" in shown
