"""Due dates: JCGM 106 conformity, closed forms, day-by-day search, and calibration."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from models.status import p_within
from models.status.due import DUE_SCHEMA, HORIZON_DAYS, NEVER, Forecast, due_table, first_day_below
from models.status.reasons import how_long
from models.wording.formats import day

AS_OF = date(2026, 11, 25)
WEEKS = np.append(np.arange(0, HORIZON_DAYS, 7), HORIZON_DAYS)


def test_conformity_of_the_worked_viscosity_example():
    """JCGM 106:2012, clause 7: 13.6, u 1.8, limits 12.5 … 16.3: prints 0.66."""
    centre, half = (16.3 + 12.5) / 2, (16.3 - 12.5) / 2
    found = p_within(np.array([13.6 - centre]), np.array([1.8]), np.array([half]))
    assert found.item() == pytest.approx(0.6626298, abs=1e-6)


def test_one_sided_examples_are_the_limit_of_a_wide_interval():
    """JCGM 106:2012, clause 7: Φ(1.4) = 0.9192433 and Φ(2.2907) = 0.9890095."""
    far = 1e4
    upper = p_within(np.array([far - 5.47 + 5.40]), np.array([0.05]), np.array([far]))
    lower = p_within(np.array([-far + 509.7 - 490]), np.array([8.6]), np.array([far]))
    assert upper.item() == pytest.approx(0.9192433, abs=1e-6)
    assert lower.item() == pytest.approx(0.9890095, abs=1e-6)


def test_certain_and_unknown_errors():
    p = p_within(np.array([1.5, 1.6, np.nan, 0.0]), np.array([0, 0, 1, np.inf]), np.array(1.5))
    assert p[:2].tolist() == [1.0, 0.0]
    assert np.isnan(p[2:]).all()


def drifting(rate, sd, *, start=0.0, days=WEEKS, walk=0.0):
    """One meter: mean start + rate·years, variance sd² + walk²·years."""
    years = days / 365.25
    return Forecast(days, (start + rate * years)[None, :], np.sqrt(sd**2 + walk**2 * years)[None])


def test_due_day_of_a_plain_drift_is_where_the_closed_form_puts_it():
    """One-sided far from the other limit: (1.5 − rate·t)/sd = z(0.9), t = (1.5 − z·sd)/rate."""
    years = (1.5 - norm.ppf(0.9) * 0.3) / 0.8
    day = first_day_below(drifting(0.8, 0.3), np.array([1.5]), 0.9).item()
    assert day == int(np.ceil(years * 365.25))


def test_due_day_of_a_random_walk_is_where_the_closed_form_puts_it():
    """Mean zero: 2Φ(1.5/sd) − 1 = 0.9 at sd = 1.5/z(0.95); sd² = 0.2² + 0.5²·t."""
    years = ((1.5 / norm.ppf(0.95)) ** 2 - 0.2**2) / 0.5**2
    day = first_day_below(drifting(0.0, 0.2, walk=0.5), np.array([1.5]), 0.9).item()
    assert day == int(np.ceil(years * 365.25))


@pytest.mark.parametrize("grid", [WEEKS, np.array([0, 1, 5, 40, 400, HORIZON_DAYS])])
def test_coarse_grids_agree_with_looking_at_every_day(grid):
    rng = np.random.default_rng(5)
    n = 300
    start, rate = rng.normal(0, 1.0, n)[:, None], rng.normal(0, 1.0, n)[:, None]
    sd, walk = rng.uniform(0.05, 0.6, n)[:, None], rng.uniform(0, 0.6, n)[:, None]
    years = grid / 365.25
    coarse = Forecast(grid, start + rate * years, np.sqrt(sd**2 + walk**2 * years))
    every = np.arange(HORIZON_DAYS + 1)
    daily_sd = np.sqrt(sd**2 + walk**2 * every / 365.25)
    daily = p_within(start + rate * every / 365.25, daily_sd, np.full((n, 1), 1.5)) < 0.9
    expected = np.where(daily.any(axis=1), daily.argmax(axis=1), NEVER)
    assert len(set(expected.tolist())) > 100
    assert (expected == NEVER).sum() > 5
    assert first_day_below(coarse, np.full(n, 1.5), 0.9).tolist() == expected.tolist()


def test_a_dip_between_two_good_days_is_found():
    """Straight lines of mean and variance dip below 0.9 although both ends are above."""
    days = np.array([0, 200])
    forecast = Forecast(days, np.array([[1.35, 0.0]]), np.array([[0.05, 0.85]]))
    assert (p_within(forecast.mean_pct, forecast.sd_pct, np.array(1.5)) > 0.9).all()
    day = first_day_below(forecast, np.array([1.5]), 0.9).item()
    assert 0 < day < 200


def test_drifting_out_on_the_other_side():
    day = first_day_below(drifting(1.0, 0.1, start=-1.3), np.array([1.5]), 0.9).item()
    assert day == int(np.ceil((1.5 + 1.3 - norm.ppf(0.9) * 0.1) * 365.25))


def meters(*rows):
    base = {
        "tolerance_pct": 1.5,
        "last_bench": AS_OF - timedelta(days=425),
        "slope_convention": "divisor",
        "drift_pct_per_year": 0.1,
        "drift_sd_pct_per_year": 0.2,
        "has_alarm": False,
    }
    data = [base | {"meter_id": f"M{n}"} | row for n, row in enumerate(rows)]
    return pl.DataFrame(
        data,
        schema_overrides={"last_bench": pl.Date},
    )


def table(means, sds, rows, *, walk=0.05, target=0.9):
    years = WEEKS / 365.25
    mean = np.array(means, dtype=float)[:, None] + 0.0 * years
    sd = np.sqrt(np.array(sds, dtype=float)[:, None] ** 2 + walk * years)
    return due_table(meters(*rows), Forecast(WEEKS, mean, sd), as_of=AS_OF, target=target)


def test_status_is_the_first_that_holds():
    found = table(
        [0.0, 1.9, 1.0, 0.9, 0.1, np.nan, 2.5],
        [0.1, 0.3, 0.6, 0.465, 0.1, np.nan, 0.2],
        [{"last_bench": None}, {}, {}, {}, {}, {}, {"last_bench": None}],
    )
    assert found.schema == pl.Schema(DUE_SCHEMA)
    statuses = ["unknown", "out", "due", "soon", "ok", "unknown", "unknown"]
    assert found["status"].to_list() == statuses
    assert found["due_date"][1] == AS_OF
    assert AS_OF < found["due_date"][3] <= AS_OF + timedelta(days=28)
    assert found["p_within_tolerance"][5] is None
    assert found["gain_error_pct"][5] is None
    assert found["lo90_pct"][1] == pytest.approx(1.9 - 1.6449 * 0.3, abs=1e-4)


def test_due_date_is_null_beyond_five_years():
    found = table([0.0], [0.1], [{}], walk=0.001)
    assert found["due_date"].to_list() == [None]
    assert found["next_action"].to_list() == ["Nothing to do."]


def test_reasons_are_sentences_with_the_numbers():
    found = table(
        [1.9, 0.3, -1.0, 0.9, 0.0, 1.9],
        [0.3, 3.0, 0.6, 0.465, 0.9, 0.3],
        [
            {},
            {},
            {"last_comparison": AS_OF - timedelta(days=30)},
            {"drift_pct_per_year": 0.8, "drift_sd_pct_per_year": 0.1},
            {"last_bench": None},
            {"slope_convention": "fixed", "has_alarm": True},
        ],
    )
    high, lost, low, soon, unknown, _ = found["reasons"].to_list()
    assert high[0] == "Reads 1.9 % high ± 0.5; the limit is 1.5."
    assert "Not benched for 14 months." in high
    assert lost[0].startswith(
        "Nobody can tell any more what it reads: between \u22124.6 and +5.2 %"
    )
    assert low[0] == "Reads 1.0 % low ± 1.0; the limit is 1.5."
    assert "Last compared 4 weeks ago." in low
    assert f"that falls below 90 % on {day(found['due_date'][3])}." in soon[1]
    assert "Drifts +0.8 % a year." in soon
    assert unknown[0].startswith("Never benched")
    kinds = found["reason_kinds"].to_list()
    assert kinds[2] == ["reads", "chance_below_target", "benched", "compared"]
    assert [len(k) for k in kinds] == [len(r) for r in found["reasons"].to_list()]
    actions = found["next_action"].to_list()
    assert actions[0] == "Bench it; if the bench shows the same, reset its slope."
    assert actions[1] == "Bench it as found before anyone relies on it."
    assert actions[2] == "Bench it now."
    assert actions[3] == f"Bench it before {day(found['due_date'][3])}."
    assert actions[5].startswith(
        "Read first what its page says of the alarm. Bench it; if the bench shows the same, correct"
    )


def test_words_for_sizes_and_ages():
    said = table([-0.44, 0.04], [0.1, 0.1], [{}, {}])["reasons"].to_list()
    assert said[0][0].startswith("Reads 0.4 % low")
    assert said[1][0].startswith("Reads neither high nor low")
    ages = [how_long(AS_OF - timedelta(days=n), AS_OF) for n in (-3, 0, 1, 20, 30, 425)]
    assert ages[:2] == [None, None]
    assert [str(age) for age in ages[2:]] == ["1 day", "20 days", "4 weeks", "14 months"]


def test_wrong_inputs_say_what_was_expected():
    forecast = drifting(0.1, 0.3)
    with pytest.raises(ValueError, match=r"found 90, expected .* divide by 100"):
        due_table(meters({}), forecast, as_of=AS_OF, target=90)
    with pytest.raises(ValueError, match=r"mean_pct: found shape \(1, 262\), expected \(2, 262\)"):
        due_table(meters({}, {}), forecast, as_of=AS_OF, target=0.9)
    shifted = forecast._replace(days=forecast.days + 1)
    with pytest.raises(ValueError, match="days: expected whole days from as_of"):
        due_table(meters({}), shifted, as_of=AS_OF, target=0.9)


def test_probabilities_of_simulated_meters_are_honest():
    """Of meters said to be within tolerance with 80–90 %, 80–90 % are (4 standard errors).

    Truth: gain error N(0, 1.2²) per cent, seen once with its own noise, forecast a year on with
    a random walk; the forecast is the exact posterior.
    """
    rng = np.random.default_rng(6)
    n = 40_000
    truth = rng.normal(0, 1.2, n)
    noise = rng.uniform(0.2, 0.8, n)
    seen = truth + noise * rng.standard_normal(n)
    gain = 1.2**2 / (1.2**2 + noise**2)
    later = truth + rng.normal(0, 0.5, n)
    p = p_within(gain * seen, np.sqrt(gain * noise**2 + 0.5**2), np.full(n, 1.5))
    within = np.abs(later) <= 1.5
    for low in np.arange(0.1, 0.9, 0.1):
        bin_ = (p >= low) & (p < low + 0.1)
        assert bin_.sum() > 600
        error = within[bin_].mean() - p[bin_].mean()
        assert abs(error) < 4 * np.sqrt(0.25 / bin_.sum())
