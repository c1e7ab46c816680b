"""What happened to a meter since it was last on the bench comes first among its reasons."""

from datetime import UTC, date, datetime
from types import SimpleNamespace
from typing import Any

import polars as pl

from models.status.device_findings import happened

AS_OF = date(2026, 5, 20)


def found(*events: tuple[str, str, date, str]) -> Any:
    """Records of two meters, both benched on 1 May 2026."""
    columns = ("meter_id", "event", "on", "state")
    frame = pl.DataFrame(events, schema=columns, orient="row").with_columns(
        side=pl.lit("left"), note=pl.lit("kerb")
    )
    sessions = pl.DataFrame(
        {
            "meter_id": ["A", "B"],
            "measured_at": datetime(2026, 5, 1, tzinfo=UTC),
            "gain_error_ln": 0.1,
        }
    )
    return SimpleNamespace(as_of=AS_OF, sessions=sessions, data=SimpleNamespace(events=frame))


def test_only_what_came_after_the_last_session_is_told() -> None:
    told = happened(
        found(
            ("A", "crash", date(2026, 5, 3), "confirmed"),
            ("A", "remount", date(2026, 5, 9), "confirmed"),
            ("A", "crash", date(2026, 4, 3), "confirmed"),
            ("A", "crash", date(2026, 5, 25), "confirmed"),
            ("B", "crash", date(2026, 5, 3), "proposed"),
            ("B", "battery_swap", date(2026, 5, 3), "confirmed"),
        )
    )
    assert [(one.device_id, str(one.reason)) for one in told] == [
        ("A", "It had a remount on its left side on 2026-05-09 (kerb), and has not been on the "
         "bench since: it may read otherwise than before."),
        ("A", "It had a crash on its left side on 2026-05-03 (kerb), and has not been on the "
         "bench since: it may read otherwise than before."),
    ]  # fmt: skip
