"""The budget: its sums, counts by hand, and who should be replaced."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from models.budget import BudgetDocument, budget_document, group_claim
from models.budget.cost_items import replacement_rate
from models.budget.own_rates import Rate
from models.budget.replacement import _new_left_alone, keep_or_replace
from models.budget.seasons_past import year_before
from models.fleet import FleetFit
from models.policies import ProcessParameters
from models.run.known.pipeline import drift_by_group
from models.season import SeasonAsk
from models.wording import NoAnswerError
from tests.models.fleet.small_team import SETTINGS, asked_for, empty_tables, small_team, table


@pytest.fixture(scope="module")
def team() -> tuple[Any, FleetFit]:
    return small_team(3)


def priced() -> dict[str, pl.DataFrame]:
    costs = table(
        "costs",
        {"item": "bench_session", "unit_cost": 40.0, "currency": "EUR"},
        {"item": "battery", "unit_cost": 3.0},
        {"item": "replacement", "unit_cost": 600.0},
        {"item": "out_of_tolerance_day", "unit_cost": 10.0},
    )
    return empty_tables() | {"costs": costs}


def budget_of(
    found: Any, fitted: FleetFit, tables: dict[str, pl.DataFrame], asked: SeasonAsk
) -> BudgetDocument:
    ages = drift_by_group(found)
    rng = np.random.default_rng(1)
    return budget_document(found, fitted, tables, SETTINGS, asked, population=ages, rng=rng)


def test_items_groups_and_meters_sum_to_the_total(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    budget = budget_of(found, fitted, priced(), asked_for(found))
    for part in ("by_item", "by_group", "meters"):
        assert sum(row["cost"] for row in budget[part]) == pytest.approx(budget["total"])
        for row in budget[part]:
            low, high = row["interval90"]
            assert low - 1e-9 <= row["cost"] <= high + 1e-9
    low, high = budget["interval90"]
    assert low <= budget["total"] <= high
    items = {row["item"]: row["cost"] for row in budget["by_item"]}
    assert items["bench_session"] == 40.0 * budget["visits_planned"]
    assert budget["risk"]["money"] <= budget["risk"]["money_without_visits"]
    own = next(row for row in budget["choices"] if row["name"] == "this plan")
    assert own["risk"] == pytest.approx(budget["risk"]["money"])
    assert own["cash"] == budget["bench"]["planned_cost"]
    assert own["days_out"] == pytest.approx(budget["risk"]["days_out_of_tolerance"])
    beside = {row["what"]: row for row in budget["beside"]}
    assert beside["bench_session"]["n"] == budget["bench"]["done"] + budget["bench"]["planned"]
    struck = budget["risk"]["with_mishaps"]
    assert struck["days"] == budget["risk"]["days_out_of_tolerance"] + struck["by_mishaps"]
    assert beside["days_out_of_tolerance"]["n"] == struck["days"]
    assert beside["days_out_of_tolerance"]["interval90"] == struck["interval90"]
    for item, cost in items.items():
        assert beside[item]["money"] == pytest.approx(cost)


def test_a_season_past_is_counted(team: tuple[Any, FleetFit]) -> None:
    """By hand: sessions × 40 + battery swaps × 3 of the year before the day."""
    found, fitted = team
    first = found.as_of - timedelta(days=364)
    asked = SeasonAsk(first, found.as_of)
    budget = budget_of(found, fitted, priced(), asked)
    sessions = sum(first <= at.date() <= found.as_of for at in found.data.bench["at"])
    swaps = sum(first <= day <= found.as_of for day in found.data.events["on"])
    assert budget["total"] == pytest.approx(40.0 * sessions + 3.0 * swaps)
    assert budget["interval90"] == pytest.approx([budget["total"]] * 2)


def test_a_season_past_stands_beside_as_it_was_budgeted(team: tuple[Any, FleetFit]) -> None:
    """The row of a year ago holds what the budget of that year counts."""
    found, fitted = team
    ask = SeasonAsk(found.as_of + timedelta(days=1), found.as_of + timedelta(days=365))
    beside = {r["what"]: r for r in budget_of(found, fitted, priced(), ask)["beside"]}
    past = budget_of(found, fitted, priced(), year_before(ask, 1))
    items = {row["item"]: row["cost"] for row in past["by_item"]}
    assert set(items) == set(beside) - {"days_out_of_tolerance"}
    for item, cost in items.items():
        assert beside[item]["before"][-1]["money"] == pytest.approx(cost), item
        assert beside[item]["why"].endswith(".")
    low, high = beside["battery"]["interval90"]
    assert low <= items["battery"] <= high
    days = beside["days_out_of_tolerance"]["before"][-1]["n"]
    assert 0 < days < 365 * found.meters.height


def test_own_rates_hold_nine_of_ten_seasons_to_come() -> None:
    """30 meters of one group whose batteries last between half a year and a year, 2 years of
    records: the 90 % interval of the next year's swaps holds what then happens."""
    rng = np.random.default_rng(7)
    inside = []
    for _ in range(60):
        at = np.cumsum(rng.uniform(0.5, 1.0, (30, 8)), axis=1) - rng.uniform(0, 0.5, (30, 1))
        rate = Rate(int(((at > 0) & (at < 2)).sum()), 60.0)
        draws = rng.poisson(rate.draws(0.4, rng) * 30.0)
        low, high = np.quantile(draws, [0.05, 0.95])
        inside.append(low <= ((at > 2) & (at < 3)).sum() <= high)
    assert np.mean(inside) >= 0.85


def test_batteries_to_come_follow_each_meters_interval(team: tuple[Any, FleetFit]) -> None:
    """A year holds about as many swaps as the meters' own years have held."""
    found, fitted = team
    asked = SeasonAsk(found.as_of + timedelta(days=1), found.as_of + timedelta(days=365))
    budget = budget_of(found, fitted, priced(), asked)
    items = {row["item"]: row["cost"] for row in budget["by_item"]}
    expected = 3.0 * float((1 / fitted.posterior.outlook.interval).sum())
    assert items["battery"] == pytest.approx(expected, rel=0.35)


def test_replacements_so_far_set_the_rate(team: tuple[Any, FleetFit]) -> None:
    found, _ = team
    shape, years = replacement_rate(found)
    assert shape == 0.5
    days = (
        pl.Series([found.as_of] * found.meters.height) - found.meters["in_service_on"]
    ).dt.total_days()
    assert years == pytest.approx(10 + float(days.sum()) / 365.25)


def test_a_slope_that_cannot_be_set_is_replaced_when_it_is_out(team: tuple[Any, FleetFit]) -> None:
    """The meter furthest out, fixed: out every day, 3,650 a year, against 600 for a new one."""
    found, fitted = team
    mean, _ = fitted.forecast(found.as_of, np.array([365.0]))
    worst = found.meters["meter_id"][int(np.argmax(np.abs(mean[:, 0])))]
    convention = (
        pl.when(pl.col("meter_id") == worst).then(pl.lit("fixed")).otherwise("slope_convention")
    )
    tight = pl.when(pl.col("meter_id") == worst).then(0.2).otherwise("tolerance_pct")
    meters = found.meters.with_columns(slope_convention=convention, tolerance_pct=tight)
    verdicts = keep_or_replace(found, fitted, priced(), meters)
    assert verdicts[worst]["keep_or_replace"] == "replace"
    assert "cannot be reset" in verdicts[worst]["reason"]
    assert sum(v["keep_or_replace"] == "keep" for v in verdicts.values()) >= 10


def test_what_is_not_known_is_found_out_before_it_is_replaced(team: tuple[Any, FleetFit]) -> None:
    """A fixed slope, the furthest out, at the edge of its tolerance: it pays on the average (a new
    one begins nearer to nothing, and cannot be reset either), but that is not sure."""
    found, fitted = team
    mean, sd = fitted.forecast(found.as_of, np.array([400.0]))
    furthest = int(np.argmax(np.abs(mean[:, 0])))
    name = found.meters["meter_id"][furthest]
    wide = np.abs(mean[furthest, 0]) + 1.3 * sd[furthest, 0]
    this = pl.col("meter_id") == name
    meters = found.meters.with_columns(
        slope_convention=pl.when(this).then(pl.lit("fixed")).otherwise("slope_convention"),
        tolerance_pct=pl.when(this).then(float(wide)).otherwise("tolerance_pct"),
        static_check=pl.when(this).then(False).otherwise(pl.col("static_check")),
    )
    told = keep_or_replace(found, fitted, priced(), meters)[name]
    assert told["gain_if_replaced"] > 0
    assert 0.05 < told["chance_pays"] < 0.8
    assert told["keep_or_replace"] == "keep"
    assert (told["find_out_first"], told["verdict"]) == ("compare", "compare first")
    assert told["reason"].startswith("Compare it on rides first.")
    low, high = told["gain_interval90"]
    assert low < 0 < high


def test_a_meter_is_judged_by_what_it_is_ridden_as_the_season_weighs_it(
    team: tuple[Any, FleetFit],
) -> None:
    found, fitted = team
    first, second = found.meters["meter_id"][:2]
    ridden = {"from_date": [found.as_of] * 2, "to_date": [None, None], "role": ["home", None]}
    ridden |= {"meter_id": [first, second], "rider_id": ["A", None], "bike_id": [None, None]}
    tables = priced() | {"assignments": pl.DataFrame(ridden)}
    told = keep_or_replace(found, fitted, tables, found.meters)
    assert told[second]["holding_cost_per_year"] == 0
    assert "Nobody is assigned to ride it" in told[second]["reason"]
    assert told[first]["holding_cost_per_year"] > 0


def test_without_costs_it_says_what_it_lacks(team: tuple[Any, FleetFit]) -> None:
    found, fitted = team
    asked = replace(asked_for(found), last=date(found.as_of.year + 1, 12, 31))
    budget = budget_of(found, fitted, empty_tables(), asked)
    assert budget["currency"] is None
    assert any("battery" in text for text in budget["lacks"])
    assert any("replacement" in text for text in budget["lacks"])


def test_a_groups_difference_from_the_rest_is_that_of_the_means(team: tuple[Any, FleetFit]) -> None:
    """Source: the errors of the fit and their covariance, weighed by hand; serials make a batch."""
    found, fitted = team
    ids = found.meters["meter_id"].to_list()
    serials = ["70" if name in ids[:4] else "71" for name in ids]
    meters = found.meters.with_columns(serial_number=pl.Series(serials))
    none = found.course.clear()
    claim = group_claim(fitted, meters, _sessions(found), none, name="70", today=found.as_of)
    assert [row["meter_id"] for row in claim["meters"]] == ids[:4]
    mean, covariance = fitted.joint([(("meter", name), found.as_of) for name in ids])
    weight = np.r_[np.full(4, 0.25), np.full(len(ids) - 4, -1 / (len(ids) - 4))]
    told = claim["difference"]
    assert told["difference_pct"] == pytest.approx(100 * np.expm1(weight @ mean / 100))
    half = 1.6449 * np.sqrt(weight @ covariance @ weight)
    low, high = told["interval90_pct"]
    assert (high - low) / 2 == pytest.approx(half, rel=0.02)
    bare = found.meters.with_columns(serial_number=pl.lit(None, pl.String))
    group = bare["group"][0]
    claim = group_claim(fitted, bare, _sessions(found), none, name=group, today=found.as_of)
    assert set(bare.filter(pl.col("group") == group)["meter_id"]) == {
        row["meter_id"] for row in claim["meters"]
    }
    assert any("serial_number" in text for text in claim["lacks"])
    with pytest.raises(NoAnswerError, match="a group: alder"):
        group_claim(fitted, meters, _sessions(found), none, name="99", today=found.as_of)


def _sessions(found: Any) -> pl.DataFrame:
    """The team's sessions with what a claim tells of them."""
    more = {"expanded_uncertainty_pct": 0.4, "coverage_factor": 2.0, "slope_after": 20.0}
    none = ("temperature_c", "bench_id", "technician", "slope_before", "zero_offset_nm")
    frame: pl.DataFrame = found.sessions
    return frame.with_columns(
        **{k: pl.lit(v) for k, v in more.items()}, **{k: pl.lit(None) for k in none}
    )


def test_a_new_meters_share_out_is_counted_in_one_unit() -> None:
    """By hand: 9.5 ± 0.5 against 10, all in 100·ln, is one sd within: Φ(1) = 0.8413."""
    one, none = np.ones(1), np.zeros(1)
    usual = ProcessParameters(
        **{"start": 9.5 * one, "drift": none, "line": np.array([[[0.25, 0.0], [0.0, 0.0]]])},
        **dict.fromkeys(("walk2", "swap2", "swap_step", "pair2", "pair_walk2"), none),
        **dict.fromkeys(("knock_rate", "knock2"), none),
        **dict.fromkeys(("ride2", "bench2", "shared2", "rides", "swap_every"), one),
        **{"tolerance": 10.0 * one, "group": np.zeros(1, dtype=np.int64)},
    )
    (out,) = _new_left_alone(usual)
    assert 1 - out == pytest.approx(0.8413, abs=2e-3)
