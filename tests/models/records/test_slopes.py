"""The chain of programmed slopes. Expected values are worked by hand from the definition of p."""

from datetime import UTC, date, datetime
from math import log

import polars as pl
import pytest

from models.records import programmed, slope_chain
from models.records.slopes import RESET_SCHEMA

SLOPES = ["slope_before", "slope_after"]
SIDES = [f"{name}_{side}" for name in SLOPES for side in ("left", "right")]


def day(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def meter(convention="divisor", factory=20.0, meter_id="M1", step=None) -> dict:
    return {
        "meter_id": meter_id,
        "slope_convention": convention,
        "factory_slope": factory,
        "in_service_date": date(2024, 1, 1),
        "slope_step": step,
    }


def meters(*rows: dict) -> pl.DataFrame:
    schema = {"factory_slope": pl.Float64, "slope_step": pl.Float64}
    return pl.DataFrame(list(rows), schema_overrides=schema)


def sessions(*rows: tuple, meter_id="M1") -> pl.DataFrame:
    """Rows of (day, before, after[, before_left, before_right, after_left, after_right])."""
    full = [
        {
            "session_id": f"{meter_id}-{number}",
            "meter_id": meter_id,
            "measured_at": day(row[0]),
            **dict(zip([*SLOPES, *SIDES], [*row[1:], *[None] * 6], strict=False)),
        }
        for number, row in enumerate(rows, start=1)
    ]
    return pl.DataFrame(full, schema_overrides=dict.fromkeys([*SLOPES, *SIDES], pl.Float64))


def test_divisor_reset_up_lowers_the_gain_error():
    """Torque = signal / slope: 20 → 20.4 makes every reading 20/20.4 of what it was."""
    resets = slope_chain(meters(meter()), sessions(("2024-06-01", 20.0, 20.4)))
    assert resets.schema == pl.Schema(RESET_SCHEMA)
    row = resets.row(0, named=True)
    assert row["p_before"] == 0.0
    assert row["p_after"] == pytest.approx(100 * log(20.4 / 20))
    assert row["step_pct"] == pytest.approx(100 * (20 / 20.4 - 1))
    assert row["recorded"]
    assert row["at"] == row["earliest"] == row["latest"] == day("2024-06-01")


def test_multiplier_reset_up_raises_the_gain_error():
    """Torque = slope × signal: 5.69 → 5.61 makes every reading 5.61/5.69 of what it was."""
    resets = slope_chain(meters(meter("multiplier", 5.69)), sessions(("2024-06-01", 5.69, 5.61)))
    assert resets["p_after"].item() == pytest.approx(-100 * log(5.61 / 5.69))
    assert resets["step_pct"].item() == pytest.approx(100 * (5.61 / 5.69 - 1))


def test_fixed_slopes_and_unknown_meters_have_no_resets():
    bench = pl.concat(
        [sessions(("2024-06-01", 1.0, 2.0)), sessions(("2024-06-01", 1.0, 2.0), meter_id="X")]
    )
    assert slope_chain(meters(meter("fixed", None)), bench).is_empty()


def test_empty_after_is_unchanged_and_empty_before_is_the_last_known():
    bench = sessions(
        ("2024-02-01", None, None), ("2024-06-01", None, 20.4), ("2024-09-01", None, 20.2)
    )
    resets = slope_chain(meters(meter()), bench)
    assert resets["slope_before"].to_list() == [20.0, 20.4]
    assert resets["slope_after"].to_list() == [20.4, 20.2]
    assert resets["p_before"][1] == resets["p_after"][0]


def test_slope_unlike_the_last_one_is_an_unrecorded_reset():
    bench = sessions(("2024-02-01", 20.0, None), ("2024-06-01", 20.3, 20.4))
    resets = slope_chain(meters(meter()), bench)
    hidden, seen = resets.rows(named=True)
    assert not hidden["recorded"]
    assert seen["recorded"]
    assert (hidden["earliest"], hidden["latest"]) == (day("2024-02-01"), day("2024-06-01"))
    assert hidden["earliest"] < hidden["at"] < hidden["latest"]
    assert hidden["step_pct"] == pytest.approx(100 * (20 / 20.3 - 1))
    assert seen["step_pct"] == pytest.approx(100 * (20.3 / 20.4 - 1))


def test_first_slope_unlike_the_factory_s_may_date_from_in_service():
    resets = slope_chain(meters(meter()), sessions(("2024-06-01", 20.3, None)))
    assert resets["recorded"].to_list() == [False]
    assert resets["earliest"].item() == day("2024-01-01")


def test_without_a_factory_slope_the_first_slope_seen_counts_as_zero():
    resets = slope_chain(meters(meter(factory=None)), sessions(("2024-06-01", 20.3, 20.5)))
    assert resets["recorded"].to_list() == [True]
    assert resets["p_after"].item() == pytest.approx(100 * log(20.5 / 20.3))


def test_a_step_nobody_can_know_is_null_but_p_stays_usable():
    resets = slope_chain(meters(meter(factory=None)), sessions(("2024-06-01", None, 20.5)))
    row = resets.row(0, named=True)
    assert row["slope_before"] is None
    assert row["step_pct"] is None
    assert (row["p_before"], row["p_after"]) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("last", "found", "step", "unrecorded"),
    [
        (5.6123, 5.61, None, 0),  # written with fewer digits
        (20.004, 20.0, None, 0),
        (20.3, 20.0, None, 1),  # 1.5 %: no rounding
        (5.61, 5.62, None, 1),
        (20.3, 20.4, 0.1, 1),  # one step of the meter
        (20.26, 20.3, 0.1, 0),  # the meter cannot hold 20.26
    ],
)
def test_rounding_is_no_reset(last, found, step, unrecorded):
    table = meters(meter(factory=last, step=step))
    assert slope_chain(table, sessions(("2024-06-01", found, None))).height == unrecorded


def test_a_pair_s_slope_is_the_mean_of_its_sides():
    bench = sessions(("2024-06-01", None, None, 20.0, 20.0, 20.4, None))
    resets = slope_chain(meters(meter()), bench)
    assert resets["slope_after"].to_list() == [20.2]
    assert resets["recorded"].to_list() == [True]


def test_one_side_found_changed_is_an_unrecorded_reset_of_the_pair():
    bench = sessions(
        ("2024-02-01", None, None, 20.0, 20.0, None, 20.2),
        ("2024-06-01", None, None, 20.0, 20.6, None, None),
    )
    resets = slope_chain(meters(meter()), bench)
    assert resets["recorded"].to_list() == [True, False]
    assert resets["slope_after"].to_list() == pytest.approx([20.1, 20.3])


def test_a_slope_of_zero_is_no_slope():
    assert slope_chain(meters(meter()), sessions(("2024-06-01", 0.0, None))).is_empty()


def test_empty_tables_give_an_empty_frame_with_all_columns():
    resets = slope_chain(meters(meter()), sessions(("2024-06-01", 20.0, None)).clear())
    assert resets.schema == pl.Schema(RESET_SCHEMA)


def test_as_found_sees_p_before_the_reset_of_its_own_session():
    resets = slope_chain(meters(meter()), sessions(("2024-06-01", 20.0, 20.4)))
    asked = pl.DataFrame(
        {
            "meter_id": ["M1", "M1", "M1", "none"],
            "at": [day(d) for d in ("2024-07-01", "2024-06-01", "2024-05-31", "2024-07-01")],
        }
    )
    found = programmed(resets, asked)
    p = 100 * log(20.4 / 20)
    assert found["p_before"].to_list() == pytest.approx([p, 0, 0, 0])
    assert found["p_after"].to_list() == pytest.approx([p, p, 0, 0])
    assert found["u_p"].to_list() == [0, 0, 0, 0]
    assert found["at"].to_list() == asked["at"].to_list()


def test_inside_an_unrecorded_gap_p_is_uncertain_and_at_the_session_it_is_not():
    """Uniform date: after a quarter of the gap p has moved with probability ¼."""
    bench = sessions(("2024-01-01", 20.0, None), ("2024-04-10", 20.4, 20.2))
    resets = slope_chain(meters(meter()), bench)
    asked = pl.DataFrame(
        {"meter_id": ["M1"] * 3, "at": [day(d) for d in ("2024-01-26", "2024-04-10", "2024-04-11")]}
    )
    found = programmed(resets, asked)
    hidden, reset = (100 * log(x / 20) for x in (20.4, 20.2))
    assert found["p_before"].to_list() == pytest.approx([hidden / 4, hidden, reset])
    assert found["p_after"].to_list() == pytest.approx([hidden / 4, reset, reset])
    assert found["u_p"].to_list() == pytest.approx([hidden * (0.25 * 0.75) ** 0.5, 0, 0])


def test_many_meters_agree_with_one_at_a_time():
    """Vectorised over meters: the joint answer is the concatenation of the single ones."""
    tables, benches = [], []
    for number in range(30):
        name = f"M{number:02d}"
        tables.append(meter("multiplier" if number % 2 else "divisor", 10.0 + number, name))
        start = 10.0 + number
        benches.append(
            sessions(
                ("2024-03-01", start, start * 1.01),
                ("2024-09-01", start * (1.01 if number % 3 else 1.03), None),
                ("2025-03-01", None, start),
                meter_id=name,
            )
        )
    joint = slope_chain(meters(*tables), pl.concat(benches))
    single = pl.concat([slope_chain(meters(t), b) for t, b in zip(tables, benches, strict=True)])
    assert joint.equals(single)
    assert joint.filter(~pl.col("recorded"))["meter_id"].n_unique() == 10
