"""A team's first days: next to no data, devices seen once, groups of one."""

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.fleet import FleetData, FleetFit, FleetSettings, condition, fit, hyper_from_document

TODAY = date(2026, 6, 1)


def meters(**groups: str) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "meter_id": list(groups),
            "group": list(groups.values()),
            "in_service_on": [date(2025, 1, 1)] * len(groups),
        }
    )


def sessions(*rows: tuple[str, str, float]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "session_id": f"s{i}",
                "meter_id": m,
                "at": datetime.fromisoformat(f"{day}T09:00"),
                "bench_id": "set",
                "found": found,
                "u_session": 0.2,
                "u_bench": 0.3,
                "u_crank": 0.17,
            }
            for i, (m, day, found) in enumerate(rows)
        ]
    )


def rides(*rows: tuple[str, str, str, float]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "comparison_id": f"c{i}",
                "meter_id": m,
                "reference_id": r,
                "at": datetime.fromisoformat(f"{day}T17:00"),
                "ratio": ratio,
                "u": 0.3,
            }
            for i, (m, r, day, ratio) in enumerate(rows)
        ]
    )


def monthly(meter: str, reference: str, ratio: float) -> list[tuple[str, str, str, float]]:
    return [(meter, reference, f"2025-{m:02d}-05", ratio + 0.1 * (-1) ** m) for m in range(2, 11)]


THREE = meters(a="g", b="g", c="h")
STARTS = {
    "nothing observed": FleetData(THREE),
    "one session": FleetData(meters(a="g"), sessions(("a", "2025-06-01", 1.2))),
    "no comparisons": FleetData(
        THREE, sessions(("a", "2025-06-01", 1.2), ("b", "2025-06-01", -0.2), ("c", "2025-07-01", 1))
    ),
    "a trainer seen once": FleetData(
        THREE, sessions(("a", "2025-06-01", 1.2)), rides(("a", "T", "2025-07-01", 1.5))
    ),
    "never benched": FleetData(
        THREE, comparisons=rides(*monthly("a", "T", 1), *monthly("b", "T", -1))
    ),
    "a meter lent to others": FleetData(
        THREE,
        comparisons=rides(("a", "R", "2025-07-01", 1.5), ("c", "R", "2025-08-01", 1.0)),
        references=pl.DataFrame({"reference_id": ["R"], "kind": ["meter"], "meter_id": ["b"]}),
    ),
    "a meter beside itself": FleetData(
        THREE,
        comparisons=rides(("b", "R", "2025-07-01", 1.5)),
        references=pl.DataFrame({"reference_id": ["R"], "kind": ["meter"], "meter_id": ["b"]}),
    ),
}


def today(fitted: FleetFit) -> tuple[np.ndarray, np.ndarray]:
    return fitted.gain_error(fitted.prepared.devices.meters, TODAY)


@pytest.mark.parametrize("name", STARTS)
def test_sensible_wide_intervals(name):
    """Every start gives every meter a number, an interval of about a percent, and no alarm."""
    data = STARTS[name]
    fitted = fit(data, today=TODAY)
    mean, sd = today(fitted)
    assert fitted.converged
    assert np.all(np.abs(mean) < 2.5)
    assert np.all((sd > 0.4) & (sd < 3.5))
    assert fitted.alarms.is_empty()
    later = fitted.forecast(TODAY, np.array([0.0, 30.0, 365.0, 1826.0]))[1]
    assert later[:, 0] == pytest.approx(sd, rel=1e-6)
    assert np.all(np.diff(later, axis=1) > 0)
    assert len(fitted.innovations()) == len(fitted.weights) == len(fitted.adjusted_observations())
    assert fitted.drift()["meter_id"].to_list() == data.meters["meter_id"].to_list()


def test_no_meters_at_all():
    fitted = fit(FleetData(meters().clear()), today=TODAY)
    assert fitted.gain_error([], [])[0].size == 0
    assert fitted.forecast(TODAY, np.array([0.0, 10.0]))[0].shape == (0, 2)


def test_one_session_is_drawn_towards_zero():
    """A new meter read 1.2 % high once: nearly, but not quite, believed; others stay at zero."""
    data = FleetData(THREE, sessions(("a", "2025-06-01", 1.2)))
    mean, sd = fit(data, today=date(2025, 6, 1)).gain_error(["a", "c"], date(2025, 6, 1))
    assert 0.5 < mean[0] < 1.2
    assert abs(mean[1]) < 0.4
    assert sd[0] < sd[1]


def test_unbenched_meter_takes_its_groups_numbers():
    """Eight meters drift up by 0.9 to 2.1 % a year: so does one nobody has benched, unsurely."""
    days = ("2025-01-02", "2025-07-01", "2026-01-01", "2026-05-30")
    starts = [0.9, -1.1, 0.3, -0.4, 1.2, -0.8, 0.5, -0.6]
    drifts = [0.9, 2.1, 1.2, 1.8, 1.5, 1.4, 1.6, 1.5]
    rows = [
        (f"m{i}", day, start + drift * k / 2)
        for i, (start, drift) in enumerate(zip(starts, drifts, strict=True))
        for k, day in enumerate(days)
    ]
    ids = [f"m{i}" for i in range(8)]
    data = FleetData(meters(**dict.fromkeys([*ids, "new"], "g")), sessions(*rows))
    mean, sd = today(fit(data, today=TODAY))
    assert 1.2 < mean[-1] < 2.6  # 1.5 % a year for 1.4 years
    assert sd[-1] > 2 * sd[:-1].max()


def test_reset_changes_the_number_not_the_sensor():
    """Found 2 % high, reset by 2 %: today's gain error is near zero, the sensor's near two."""
    data = FleetData(
        meters(a="g"),
        sessions(("a", "2026-05-20", 2.0)),
        resets=pl.DataFrame(
            {
                "meter_id": ["a"],
                "at": [datetime(2026, 5, 20, 9, 30)],
                "p_before": [0.0],
                "p_after": [2.0],
                "recorded": [True],
            }
        ),
    )
    fitted = fit(data, today=TODAY)
    before, _ = fitted.gain_error("a", date(2026, 5, 19))
    after, _ = fitted.gain_error("a", date(2026, 5, 20))
    assert before - after == pytest.approx(2.0, abs=0.02)


def test_unrecorded_reset_widens_its_gap_only():
    """Nobody wrote down a reset of 3 % between two sessions: unsure between, sure after."""
    gap = {"earliest": [datetime(2025, 3, 1)], "latest": [datetime(2026, 3, 1)]}
    resets = pl.DataFrame(
        {
            "meter_id": ["a"],
            "at": [datetime(2025, 9, 1)],
            "p_before": [0.0],
            "p_after": [3.0],
            "recorded": [False],
            **gap,
        }
    )
    data = FleetData(
        meters(a="g"), sessions(("a", "2025-03-01", 3.0), ("a", "2026-03-01", 0.1)), resets=resets
    )
    days = [date(2025, 2, 20), date(2025, 9, 1), date(2026, 3, 10)]
    mean, sd = fit(data, today=TODAY).gain_error("a", days)
    assert sd[1] > 2.5 * max(sd[0], sd[2])
    assert sd[1] == pytest.approx(1.5, abs=0.3)  # half of 3 %: either made or not
    assert mean[0] > mean[1] > mean[2]


def test_comparisons_place_an_unrecorded_reset():
    """Rides in the gap show when it happened: the gap closes to the days between two of them."""
    before = [("a", "T", f"2025-{m:02d}-10", 3.0) for m in (3, 4, 5)]
    after = [("a", "T", f"2025-{m:02d}-10", 0.0) for m in (6, 7, 8, 9, 10, 11)]
    resets = pl.DataFrame(
        {
            "meter_id": ["a"],
            "at": [datetime(2025, 9, 1)],
            "p_before": [0.0],
            "p_after": [3.0],
            "recorded": [False],
            "earliest": [datetime(2025, 3, 1)],
            "latest": [datetime(2026, 3, 1)],
        }
    )
    data = FleetData(
        meters(a="g"),
        sessions(("a", "2025-03-01", 3.0), ("a", "2026-03-01", 0.0)),
        rides(*before, *after),
        resets=resets,
    )
    fitted = fit(data, today=TODAY)
    mean, sd = fitted.gain_error("a", [date(2025, 4, 20), date(2025, 8, 20)])
    assert mean[0] - mean[1] == pytest.approx(3.0, abs=0.3)
    assert np.all(sd < 0.7)
    assert fitted.alarms.is_empty()


def test_expected_battery_swaps_move_the_forecast():
    """Swaps have lifted every meter by 0.8 % each half year: so will those to come."""
    ids = [f"m{i}" for i in range(12)]
    start = datetime(2024, 1, 1)
    swaps = [(m, date(2024, 1, 1) + timedelta(days=180 * k + 90)) for m in ids for k in range(4)]
    found = [
        (m, (start + timedelta(days=180 * k)).date().isoformat(), 0.8 * k)
        for m in ids
        for k in range(5)
    ]
    frame = meters(**dict.fromkeys(ids, "g")).with_columns(in_service_on=date(2024, 1, 1))
    events = pl.DataFrame(
        {"meter_id": [m for m, _ in swaps], "on": [d for _, d in swaps], "event": "battery_swap"}
    )
    data = FleetData(frame, sessions(*found), events=events)
    end = date(2025, 12, 31)
    mean, sd = fit(data, today=end).forecast(end, np.array([0.0, 365.0]))
    assert np.mean(mean[:, 1] - mean[:, 0]) == pytest.approx(1.6, abs=0.5)
    assert np.all(sd[:, 1] > sd[:, 0])
    rejected = FleetData(
        frame, sessions(*found), events=events.with_columns(state=pl.lit("rejected"))
    )
    flat = fit(rejected, today=end)
    assert len(flat.prepared.events["swap"].device) == 0


def test_rebuilt_from_what_was_stored():
    """The stored hyperparameters give the same numbers without a refit."""
    data = STARTS["never benched"]
    fitted = fit(data, today=TODAY)
    stored = hyper_from_document(fitted.hyper.document())
    again = condition(data, stored, today=TODAY, effects=fitted.effects, weights=fitted.weights)
    assert today(again)[0] == pytest.approx(today(fitted)[0], abs=1e-9)
    assert today(again)[1] == pytest.approx(today(fitted)[1], abs=1e-9)


def test_unknown_group_gets_the_others_numbers():
    """A group that came after the fit: the mean of the other groups' hyperparameters."""
    fitted = fit(STARTS["no comparisons"], today=TODAY)
    more = FleetData(meters(a="g", z="new"), sessions(("a", "2025-06-01", 1.2)))
    again = condition(more, fitted.hyper, today=TODAY)
    own = fitted.hyper.values[fitted.hyper.index("walk", 0)]
    other = fitted.hyper.values[fitted.hyper.index("walk", 1)]
    assert again.hyper.values[again.hyper.index("walk", 1)] == pytest.approx((own + other) / 2)


def test_dates_and_devices_must_match():
    fitted = fit(STARTS["one session"], today=TODAY)
    with pytest.raises(ValueError, match="2 devices but 3 dates"):
        fitted.gain_error(["a", "a"], [TODAY] * 3)
    with pytest.raises(KeyError, match="no device called 'nobody'"):
        fitted.gain_error("nobody", TODAY)


def test_a_fit_that_may_not_iterate_says_so():
    data = STARTS["never benched"]
    fitted = fit(data, today=TODAY, settings=FleetSettings(most_iterations=0, robust=False))
    assert not fitted.converged
    assert "no convergence" in fitted.message
