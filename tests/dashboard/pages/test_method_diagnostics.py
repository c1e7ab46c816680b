"""The Method page's diagnostics, from the documents that the models make."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from dashboard import theme
from dashboard.figures import power
from dashboard.pages.method.model_check import diagnostic_parts
from models.ageing import limits_from_budget
from models.fleet import fit
from models.honesty import checks, detection
from tests.dashboard.reading import number_in, numbers_in, rows_of, text
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, simulate_fleet

RECORDS = {"bench": "Bench records", "comparison": "Ride comparisons"}
TERMS = {
    "spread": "sd of standardized residuals",
    "tails": "kurtosis",
    "neighbours": "lag-1 autocorrelation",
    "dependence": "Ljung–Box",
}


@pytest.fixture(scope="module")
def document() -> dict[str, list[dict[str, Any]]]:
    fleet = simulate_fleet(SCENARIOS["usual"], 5)
    fitted = fit(fleet_data(fleet), today=fleet.today)
    innovations = fitted.innovations()
    limits = limits_from_budget(1.0, 1500).limits
    return {
        "checks": checks(innovations).to_dicts(),
        "shares": fitted.variance_components(rng=np.random.default_rng(1)).to_dicts(),
        "detection": detection(innovations, limits).to_dicts(),
        "power": fitted.step_power().to_dicts(),
    }


@pytest.fixture(scope="module")
def page(document: dict[str, Any]) -> list[Any]:
    return list(diagnostic_parts(document))


def near(value: float, digits: int) -> Any:
    """Equal as far as it is shown."""
    return pytest.approx(value, abs=0.5000001 * 10**-digits)


def test_every_check_is_shown_with_its_numbers(page: list[Any], document: dict[str, Any]) -> None:
    rows = rows_of(page, "Checks")
    assert len(rows) == len(document["checks"]) == 8
    for shown, found in zip(rows, document["checks"], strict=True):
        records, check, n, value, interval, p, words = shown
        assert records == RECORDS[found["records"]]
        assert TERMS[found["check"]] in check
        assert n == theme.number(found["n"], 0)
        assert number_in(value) == near(found["value"], 2)
        if found["lo90"] is None:
            assert interval == "—"
        else:
            assert numbers_in(interval) == [near(found["lo90"], 2), near(found["hi90"], 2)]
        assert number_in(p) == near(found["p"], 3)
        assert words.casefold().rstrip(".") == found["text"].casefold().replace(" %", "\u00a0%")


def test_every_share_is_shown_with_its_numbers(page: list[Any], document: dict[str, Any]) -> None:
    rows = rows_of(page, "Shares")
    listed = [row for row in document["shares"] if row["share"] >= 0.005]
    assert len(rows) == len(listed) > 5
    for shown, found in zip(rows, listed, strict=True):
        group, of, part, sd, sd_interval, share, interval = shown
        assert group == found["group"]
        assert of.casefold() == found["of"].casefold()
        assert part.casefold() == found["part"].casefold()
        assert number_in(sd) == near(found["sd"], 2)
        if found["sd_lo90"] is None:
            assert sd_interval == "stated"
        else:
            assert numbers_in(sd_interval) == [near(found["sd_lo90"], 2), near(found["sd_hi90"], 2)]
        assert number_in(share) == near(100 * found["share"], 0)
        ends = [near(100 * found[f"share_{end}90"], 0) for end in ("lo", "hi")]
        assert numbers_in(interval) == ends
    assert {row[4] == "stated" for row in rows} == {True, False}


def test_the_best_chart_for_each_step_is_shown(page: list[Any], document: dict[str, Any]) -> None:
    rows = rows_of(page, "Detection")
    steps = {(row["records"], row["step_pct"]) for row in document["detection"]}
    assert len(rows) == len(steps) == 10
    for records, step, _, *shown in rows:
        mine = [
            row
            for row in document["detection"]
            if RECORDS[row["records"]] == records and row["step_pct"] == number_in(step)
        ]
        best = max(mine, key=lambda row: float(row["found_within_6"]))
        for cell, within in zip(shown, (1, 3, 6), strict=True):
            p = best[f"found_within_{within}"]
            if p < 0.01:
                assert cell == "<\u00a01\u00a0%"
            elif p > 0.99:
                assert cell == ">\u00a099\u00a0%"
            else:
                assert number_in(cell) == near(100 * p, 0)


def test_the_power_curve_is_shown_as_computed(page: list[Any], document: dict[str, Any]) -> None:
    rows = rows_of(page, "Power")
    found = {(row["step_pct"], row["months"]): row["found"] for row in document["power"]}
    assert len(rows) == 6
    for step, *cells in rows:
        for cell, months in zip(cells, (3, 6, 12), strict=True):
            p = found[number_in(step), months]
            if 0.01 <= p <= 0.99:
                assert number_in(cell) == near(100 * p, 0)
    chart = power(document["power"])["data"]
    assert [trace["name"] for trace in chart] == [f"within {m} months" for m in (3, 6, 12)]
    assert chart[1]["y"] == [100 * found[x, 6] for x in chart[1]["x"]]


def test_without_enough_records_it_says_what_it_would_take() -> None:
    shown = text(diagnostic_parts({}))
    assert "Too few records to check the model." in shown
    assert shown.count("It takes twenty of a kind") == 2
    assert "Nothing is fitted yet." in shown
