"""What a session advises beside its meter's past and its neighbours of the day."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import pytest

from models.bench import EVENT_STEP_SD, evaluate_bench, kit, session_document, session_frame
from models.bench.causes.mistakes import Mistake
from models.bench.causes.neighbours import STAYS, Link, forward, messages
from models.bench.causes.weighing import Densities, weigh
from models.bench.evaluation import SessionResult
from models.bench.judging import Forecast
from models.bench.set_estimates import set_estimate, set_off
from models.wording import Reason
from tests.models.bench.bench_sessions import BUOYANCY, bench, table
from tests.models.bench.test_suspicions import judged, kinds, session

SPIDER = [{"meter_id": "M1", "slope_convention": "multiplier", "crank_length_mm": 170.0}]
EXPECTED = 20.0 * 9.81 * 0.170 * BUOYANCY


def advice(result: SessionResult) -> str | None:
    return None if result.advice is None else result.advice.code


def checks(result: SessionResult) -> list[str]:
    return [check["kind"] for check in session_document(result)["checks"]]


def again(rows: list[dict[str, Any]], minutes: float, name: str) -> list[dict[str, Any]]:
    """The same readings hung afresh, some minutes later."""
    return [
        row | {"session_id": name, "measured_at": row["measured_at"] + timedelta(minutes=minutes)}
        for row in rows
    ]


def forecast_of(mean: float, sd90: float) -> dict[str, Forecast]:
    return {"M1": Forecast(mean, sd90 / 1.645, None)}


def test_a_finding_outside_its_forecast_is_hung_again_and_then_reset() -> None:
    """−3.13 % found, −1.3 ± 0.4 % forecast: no new slope before a fresh hang agrees."""
    rows = session(-3.13, slope_before=5.61)
    tables = {"meters": table("meters", SPIDER)}
    first = evaluate_bench(tables | {"bench": bench(rows)}, forecasts=forecast_of(-1.3, 0.4))[-1]
    assert advice(first) == "repeat"
    assert {"hanger_mass", "crank_length"} & set(checks(first))
    every = rows
    said = []
    for k in range(1, 4):
        every = every + again(rows, 10.0 * k, f"again-{k}")
        results = evaluate_bench(tables | {"bench": bench(every)}, forecasts=forecast_of(-1.3, 0.4))
        said.append(advice(results[-1]))
    assert said[-1] == "reset"
    assert "reset" in said[:2]  # what was looked at once need not be looked at for ever


def test_a_fresh_hang_that_differs_is_no_agreement() -> None:
    rows = session(-3.13, slope_before=5.61)
    other = again(session(-1.4, slope_before=5.61), 10, "again")
    results = evaluate_bench(
        {"meters": table("meters", SPIDER), "bench": bench(rows + other)},
        forecasts=forecast_of(-1.3, 0.4),
    )
    assert results[-1].doubt.agreed == 0
    assert results[-1].suspicions == []
    assert advice(results[-1]) == "reset"


def test_a_glance_where_a_slip_may_hide_that_a_meter_is_out() -> None:
    """+0.1 % found where −1.4 ± 0.9 % was forecast: a hanger not counted would leave −1.6 %."""
    rows = session(0.1, slope_before=5.61, hanger_mass_kg=0.0)
    sets = table("mass_sets", [{"bench_id": "green", "mass_kg": 20.0, "hanger_mass_kg": 0.35}])
    tables = {"meters": table("meters", SPIDER), "mass_sets": sets}
    rows = [row | {"bench_id": "green"} for row in rows]
    (result,) = evaluate_bench(tables | {"bench": bench(rows)}, forecasts=forecast_of(-1.4, 1.4))
    assert "hanger_mass" in checks(result)
    (calm,) = evaluate_bench(tables | {"bench": bench(rows)}, forecasts=forecast_of(0.1, 0.3))
    assert (advice(calm), checks(calm)) == ("leave", [])


def test_a_crank_that_explains_is_looked_at_first() -> None:
    """+3.03 % is what a crank of 170 mm does that was entered as 165 mm."""
    rows = session(100 * (170 / 165 - 1), crank_length_mm=165.0, slope_before=5.61)
    for row in rows[1:]:
        row["torque_nm"] = round(EXPECTED * 1.001 + 0.02, 2)
    (result,) = judged(rows, meters=[SPIDER[0] | {"crank_length_mm": None}])
    assert result.found is not None
    assert result.found.error_pct == pytest.approx(3.13, abs=0.05)
    assert advice(result) == "repeat"
    found = next(c for c in session_document(result)["checks"] if c["kind"] == "crank_length")
    assert found["would_explain"] == 170.0
    assert found["residual_pct"] == pytest.approx(0.1, abs=0.05)


def test_a_slope_that_is_not_the_one_last_left_is_named_first() -> None:
    """Left at 5.61, 5.70 entered, and the reading is as it was left: the slope is misread."""
    past = [session(0.1, k=k, slope_before=5.61) for k in range(3)]
    result = judged(*past, session(0.1, k=3, slope_before=5.70), meters=SPIDER)[-1]
    first = result.suspicions[0]
    assert (first.kind, first.entered) == ("slope", 5.70)
    assert first.would_explain == pytest.approx(5.61)
    assert advice(result) == "repeat"
    real = judged(*past, session(1.7, k=3, slope_before=5.70), meters=SPIDER)[-1]
    assert real.suspicions == []  # reset between the sessions, unrecorded


def test_a_cog_of_sixteen_for_seventeen() -> None:
    hub = {"meter_id": "M1", "kind": "hub", "slope_convention": "fixed"}
    fitted = {"meter_id": "M1", "large_ring": 52, "crank_length_mm": 170.0}
    common = {"loading_path": "crank", "cog_teeth": 16, "chainring": "52", "bench_id": "A"}
    torque = EXPECTED * 17 / 52 * 1.002
    rows = [{"load": "zero", "torque_nm": 0.0}] + [
        {"direction": way, "torque_nm": round(torque * f, 2)}
        for way, f in (("up", 0.99), ("down", 1.01)) * 2
    ]
    sets = [{"bench_id": "A", "mass_kg": 20.0, "hanger_mass_kg": 0.0, "mass_class": "M1"}]
    (result,) = judged(
        [row | common for row in rows], meters=[hub], installations=[fitted], mass_sets=sets
    )
    first = result.suspicions[0]
    assert (first.kind, first.would_explain) == ("cog_teeth", 17)
    assert first.residual_pct == pytest.approx(0.2, abs=0.1)


def test_pounds_are_called_pounds() -> None:
    rows = session(0.1, mass_kg=round(20 / 0.45359237, 1))
    (result,) = judged(rows)
    first = result.suspicions[0]
    assert (first.kind, first.would_explain) == ("unit", "lb")
    assert "pounds" in str(first.reason)
    sets = [
        {"bench_id": "green", "mass_kg": 20.0, "hanger_mass_kg": 0.0, "mass_class": "M1"},
        {"bench_id": "like it", "mass_kg": 44.05, "hanger_mass_kg": 0.0, "mass_class": "M1"},
    ]
    (known,) = judged([row | {"bench_id": None} for row in rows], mass_sets=sets)
    assert kinds(known) == ["unit"]  # 44.1 lb are the green set, which nobody else explains
    assert "mass" not in {check.kind for check in known.checks}  # 0.1 % is no other set


def test_a_slope_changed_the_wrong_way_is_named() -> None:
    """+2 % on a multiplier of 5.61 asks for 5.50; 5.72 makes it 4 %."""
    rows = session(2.0, slope_before=5.61, slope_after=5.72)
    (result,) = judged(rows, meters=SPIDER)
    (wrong,) = [s for s in result.suspicions if s.kind == "slope_changed"]
    assert (wrong.entered, wrong.fix) == (5.72, "setting")
    assert wrong.would_explain == pytest.approx(5.61 / 1.02, rel=1e-3)
    assert advice(result) == "fix_setting"
    assert result.slip_probability == 0.0  # the readings are right, and the past learns them
    (right,) = judged(session(2.0, slope_before=5.61, slope_after=5.50), meters=SPIDER)
    assert "slope_changed" not in kinds(right)


def test_one_odd_reading_names_itself_and_no_good_one() -> None:
    for odd in (-2.62, -0.262, 0.1, 10, 1.09):
        rows = session(0.2)
        rows[2]["torque_nm"] = round(rows[2]["torque_nm"] * odd, 2)
        (result,) = judged(rows)
        (named,) = result.suspicions
        assert (named.kind, named.entered) == ("reading", rows[2]["torque_nm"])
    pair = session(0.2)[:3]
    pair[1]["torque_nm"] = round(pair[1]["torque_nm"] * 1.4, 2)
    (result,) = judged(pair)
    assert [s.entered for s in result.suspicions] == [pair[1]["torque_nm"]]


SETS = [{"bench_id": "A", "mass_kg": 20.0, "hanger_mass_kg": 0.35, "mass_class": "M1"}]


def run_of(n: int, hung: float, *, technician: str | None = "Wren") -> list[dict[str, Any]]:
    """Sessions of n meters in a row, each after three good ones; the error is the hanger's."""
    rows = []
    for meter in range(n):
        common = {"meter_id": f"R{meter}", "bench_id": "A", "hanger_mass_kg": 0.35}
        scale = 20.35 / 20  # the readings are made for 20 kg
        for k in range(4):
            factor = scale * (hung if k == 3 else 1.0)
            error = 100 * ((1 + 0.1 / 100) * factor - 1)
            made = session(error, k=k, technician=technician, **common)
            for row in made:
                row["session_id"] = f"R{meter}-{k}"
                row["measured_at"] += timedelta(minutes=20 * meter)
            rows += made
    return rows


def test_the_same_slip_on_neighbours_is_one_cause() -> None:
    """A run without the hanger that was counted: each makes it likelier for all the others."""

    def probability(n: int, **who: Any) -> list[float]:
        rows = run_of(n, 20 / 20.35, **who)
        results = evaluate_bench({"bench": bench(rows), "mass_sets": table("mass_sets", SETS)})
        last = [r for r in results if r.session.session_id.endswith("-3")]
        return [
            next((s.probability or 0 for s in r.suspicions if s.kind == "hanger_mass"), 0.0)
            for r in last
        ]

    (alone,) = probability(1)
    run = probability(4)
    assert min(run) > max(alone, 0.9)


def test_messages_of_a_chain_by_hand() -> None:
    """Two sessions, one slip of the setup: Bayes' rule over the four ways it may have been."""
    slip = Mistake("mass", 1.02, 0.1, 20.0, 20.4, Reason("plate_more", plate_kg=1.25), detail="")
    clear, vague = (
        Densities((slip,), (0.9,), 0.2, 0.0, 2.0, 0.5),
        Densities((slip,), (0.5,), 0.5, 0.0, 2.0, 0.5),
    )
    chain = [Link("A", clear), Link("B", vague)]
    first = 0.1 * 0.9 / (0.1 * 0.9 + 0.9 * 0.2)
    assert forward(chain[:1])[slip.key] == pytest.approx(STAYS * first)
    carried, after = messages(chain, 1)
    again = STAYS * first + (1 - STAYS * first) * 0.1
    assert weigh(vague, carried=carried, after=after).probabilities[0] == pytest.approx(again)
    carried, after = messages(chain, 0)
    assert (carried, after[slip.key]) == ({}, pytest.approx(1.0))  # the vague one says nothing


def test_a_repeat_that_cannot_help_is_not_advised() -> None:
    """A stamped set leaves ± 2 % however often it hangs: weigh it."""
    sets = [{"bench_id": "A", "mass_kg": 20.0, "source": "stamped"}]
    (result,) = judged(session(1.8, bench_id="A"), mass_sets=sets)
    assert advice(result) == "leave"
    assert result.advice is not None
    assert result.advice.reason.kind == "no_repeat_helps"


def test_a_hung_again_wreck_is_sent_away() -> None:
    rows = session(40.0, slope_before=5.61)
    results = judged(rows, again(rows, 10, "again"), meters=SPIDER)
    assert [advice(r) for r in results] == ["repeat", "send_away"]


def test_a_day_without_times_still_judges() -> None:
    rows = [row | {"measured_at": None} for row in session(0.2)]
    (result,) = judged(rows)
    assert advice(result) == "leave"


def test_a_set_off_its_stamp_is_said_with_both_torques() -> None:
    """By hand: 20.0 kg that act like 19.86 kg (−0.7 %); of 33.60 N·m by the stamp 33.36 hang."""
    mean = 100 * math.log(19.86 / 20)
    estimate = set_estimate(mean, 0.1)
    assert estimate is not None
    assert estimate.off_pct == pytest.approx(-0.7)
    assert estimate.low_pct < -0.8
    said = str(set_off("C", estimate, 33.6))
    assert "33.60 N·m" in said
    assert "33.36 N·m" in said
    assert "Weigh the set" in said
    assert set_estimate(mean, 0.6) is None  # not surely off
    assert set_estimate(0.1, 0.01) is None  # surely, and of no account


@pytest.mark.parametrize(
    ("event", "days_before", "widens"),
    [("crash", 3, True), ("crash", 0, True), ("service", 3, True), ("service", 0, False)],
)
def test_what_was_recorded_since_widens_the_forecast(
    event: str, days_before: int, widens: bool
) -> None:
    """A crash brings a meter to the bench; work of a session's day is the session's own."""
    past = [session(0.1, k=k, slope_before=5.61) for k in range(3)]
    last = session(-1.5, k=3, slope_before=5.61)
    day = last[0]["measured_at"].date() - timedelta(days=days_before)
    recorded = [{"meter_id": "M1", "date": day, "event": event}]
    calm = judged(*past, last, meters=SPIDER)[-1]
    knocked = judged(*past, last, meters=SPIDER, events=recorded)[-1]
    if widens:
        assert knocked.slip_probability < 0.5 * calm.slip_probability
    else:
        assert knocked.slip_probability == calm.slip_probability
    rejected = [recorded[0] | {"state": "rejected"}]
    assert (
        judged(*past, last, meters=SPIDER, events=rejected)[-1].slip_probability
        == calm.slip_probability
    )


def test_the_page_gets_a_past_as_wide_as_what_was_recorded_since() -> None:
    rows = [row for k in range(3) for row in session(0.1, k=k, slope_before=5.61)]
    tables = {"meters": table("meters", SPIDER)}
    sessions = session_frame(evaluate_bench(tables | {"bench": bench(rows)}))
    day = rows[-1]["measured_at"].date() + timedelta(days=5)
    crash = table("events", [{"meter_id": "M1", "date": day, "event": "crash"}])
    still, shaken = (
        kit(tables | more, sessions, [{"meter_id": "M1"}], on=day)["meters"][0]["past"]
        for more in ({}, {"events": crash})
    )
    assert still is not None
    assert shaken is not None
    assert shaken["variance"] - still["variance"] == pytest.approx(EVENT_STEP_SD["crash"] ** 2)


def test_a_meter_that_moved_is_no_slip() -> None:
    """+2.2 %, between what any slip would add: the meter itself, and one more hang says so."""
    forecast = forecast_of(0.0, 0.3)
    tables = {"meters": table("meters", SPIDER)}
    rows = session(2.2, slope_before=5.61)
    first = evaluate_bench(tables | {"bench": bench(rows)}, forecasts=forecast)[-1]
    assert (kinds(first), advice(first), checks(first)[0]) == ([], "repeat", "moved")
    both = bench(rows + again(rows, 10.0, "again"))
    assert advice(evaluate_bench(tables | {"bench": both}, forecasts=forecast)[-1]) == "reset"
    hidden = session(2.95, slope_before=5.61)  # two lengths of 2.5 mm: a slip after all
    named = evaluate_bench(tables | {"bench": bench(hidden)}, forecasts=forecast)[-1]
    assert kinds(named) == ["crank_length"]
