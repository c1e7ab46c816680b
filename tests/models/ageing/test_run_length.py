"""Average run lengths against the published tables in truth/arl_reference.csv.

Rows marked use=no are misprints in their source: they are held against the independent
recomputation only.
"""

import re

import numpy as np
import pytest

from models.ageing.run_length import (
    cusum_arl,
    cusum_limit,
    ewma_arl,
    ewma_limit,
    shewhart_arl,
    shewhart_limit,
    survival,
)
from tests.models.truth import rows


def _course(row, delta):
    """Means of a linear drift, long enough that nobody is left."""
    start = 0 if "(i-1)" in row["parameters"] else 1
    return delta * np.arange(start, min(4000, int(30 / delta) + 100))


def _arl(row):
    p = {k: float(v) for k, v in re.findall(r"(\w+)=([\d.]+)", row["parameters"])}
    shift = float(row["shift_or_drift"])
    match row["chart"]:
        case "shewhart":
            return shewhart_arl(p["L"], shift=shift)
        case "ewma_two_sided":
            return ewma_arl(p["lambda"], p["L"], shift=shift)
        case "cusum_one_sided":
            return cusum_arl(p["k"], p["h"], shift=shift, sides=1)
        case "cusum_two_sided":
            return cusum_arl(p["k"], p["h"], shift=shift)
        case "ewma_two_sided_linear_drift":
            return 1 + survival("ewma", p["lambda"], p["L"], _course(row, shift)).sum()
        case "cusum_one_sided_linear_drift":
            return 1 + survival("cusum", p["k"], p["h"], _course(row, shift)).sum()
        case other:
            raise AssertionError(other)


CHARTS = sorted({row["chart"] for row in rows("arl_reference.csv")})


@pytest.mark.parametrize("chart", CHARTS)
def test_published_and_recomputed_run_lengths(chart):
    table = [row for row in rows("arl_reference.csv") if row["chart"] == chart]
    assert table
    drifting = chart.endswith("drift")
    for row in table:
        found = _arl(row)
        # The recomputation of the drifting ones is a chain of 401 to 500 states.
        assert found == pytest.approx(float(row["arl_recomputed"]), rel=1e-4 if drifting else 2e-9)
        if row["use"] == "yes":
            printed = row["arl_published"]
            decimals = len(printed.partition(".")[2])
            assert abs(found - float(printed)) <= max(
                0.51 * 10.0**-decimals, 0.005 * float(printed)
            )


def test_the_misprints_are_still_misprints():
    """Three rows: Crowder 1987 (1.25), Gan 1992 (0.005), Zou 2009 (0.1)."""
    wrong = [row for row in rows("arl_reference.csv") if row["use"] == "no"]
    assert len(wrong) == 3
    for row in wrong:
        assert abs(_arl(row) / float(row["arl_published"]) - 1) > 0.01


def test_limits_give_the_run_length_they_were_asked_for():
    for arl in (2.5, 370.4, 4320.0, 1e6):
        assert shewhart_arl(shewhart_limit(arl)) == pytest.approx(arl, rel=1e-9)
        assert ewma_arl(0.2, ewma_limit(0.2, arl)) == pytest.approx(arl, rel=1e-8)
        assert ewma_arl(0.05, ewma_limit(0.05, arl)) == pytest.approx(arl, rel=1e-8)
        assert cusum_arl(0.5, cusum_limit(0.5, arl)) == pytest.approx(arl, rel=1e-6)


def test_published_designs():
    """Lucas & Saccucci 1990: L for ARL 500 by weight; NIST: 3 sd for 370.4; CUSUM h = 5: 465."""
    for weight, limit in ((0.5, 3.071), (0.25, 2.998), (0.1, 2.814), (0.05, 2.615), (0.03, 2.437)):
        assert ewma_limit(weight, 500.0) == pytest.approx(limit, abs=6e-4)
    assert shewhart_limit(370.398) == pytest.approx(3.0, abs=1e-6)
    assert cusum_limit(0.5, 465.444) == pytest.approx(5.0, abs=1e-5)


def test_constant_survival_sums_to_the_run_length():
    for chart, parameter, limit, arl in (
        ("individuals", 0.0, 3.0, shewhart_arl(3.0, shift=2.0)),
        ("ewma", 0.2, 2.962, ewma_arl(0.2, 2.962, shift=2.0)),
        ("cusum", 0.5, 4.0, cusum_arl(0.5, 4.0, shift=2.0, sides=1)),
    ):
        kept = survival(chart, parameter, limit, [2.0] * 400)
        assert 1 + kept.sum() == pytest.approx(arl, rel=1e-9)


def test_impossible_run_lengths_are_refused_in_words():
    for solve in (shewhart_limit, lambda arl: ewma_limit(0.2, arl), lambda a: cusum_limit(0.5, a)):
        for arl in (1.0, 0.0, 1e12, float("nan")):
            with pytest.raises(ValueError, match="average run length: found"):
                solve(arl)
