"""What the fleet's truth hangs on."""

from datetime import UTC, date, datetime

import polars as pl
import pytest

from ingest.schema import TABLES
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
