"""What the fleet's truth hangs on."""

from datetime import UTC, date, datetime
from types import SimpleNamespace

import polars as pl
import pytest

from ingest.schema import TABLES
from models.metrology import Z90, percent_from_ln
from models.status.device_findings import _truth
from models.status.traceability_basis import truth_hangs_on

SETS = TABLES["mass_sets"].conform(
    pl.DataFrame(
        [
            {"bench_id": "A", "source": "certificate", "certificate_no": "7",
             "due_on": "2026-06-30"},
            {"bench_id": "B", "source": "weighed"},
            {"bench_id": "C", "source": "stamped"},
        ],
        infer_schema_length=None,
    ).with_columns(pl.col("due_on").str.to_date())
)  # fmt: skip


def sessions(*rows: tuple[str | None, datetime]) -> pl.DataFrame:
    return pl.DataFrame(
        [(b, at, 0.3) for b, at in rows],
        schema={"bench_id": pl.String, "measured_at": pl.Datetime("us", "UTC"),
                "gain_error_ln": pl.Float64},
        orient="row",
    )  # fmt: skip


EARLY, LATE = datetime(2026, 5, 1, tzinfo=UTC), datetime(2026, 8, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("rows", "basis", "says"),
    [
        (
            [("C", LATE), ("A", EARLY)],
            "certificate",
            "certificate of A (no. 7, due 2026-06-30)",
        ),
        ([("C", LATE), ("A", LATE)], "weighed", "certificate is out of date"),
        ([("B", LATE), ("C", LATE)], "weighed", "weighing of B: 1 of 2"),
        ([("C", LATE)], "stamped", "± 2 %"),
        ([(None, LATE)], "stated", "nothing says how they are known"),
        ([], "nothing", "Comparisons within the team only"),
        ([("A", datetime(2022, 1, 1, tzinfo=UTC))], "nothing", "two years"),
    ],
)
def test_the_best_that_was_used_counts(rows, basis, says):
    found = truth_hangs_on(sessions(*rows), SETS, as_of=date(2026, 9, 30))
    assert found.basis == basis
    assert says in str(found.reason)


def test_the_fleet_is_told_how_far_all_of_it_may_be_off_and_what_its_sets_share():
    shared = SETS.with_columns(weighed_on=pl.Series(["hall", "hall", None]))
    found = SimpleNamespace(
        sessions=sessions(("A", EARLY), ("B", LATE)),
        mass_sets=shared,
        as_of=date(2026, 9, 30),
        meters=pl.DataFrame({"meter_id": ["here", "left"], "gone": [False, True]}),
        data=SimpleNamespace(benches=pl.DataFrame({"bench_id": ["A", "B"]})),
    )
    asked = []

    def common_sd(meters, when):
        asked.append((meters, when))
        return 0.25

    told = _truth(found, SimpleNamespace(common_sd=common_sd))
    assert asked == [(["here"], date(2026, 9, 30))]
    assert told.reason.kind == "truth_together"
    assert told.reason.values["half_pct"] == pytest.approx(percent_from_ln(Z90 * 0.25))
    assert "hall" in str(told.reason)
    assert "A and B" in str(told.reason)
