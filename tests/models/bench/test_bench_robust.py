"""No typed table makes the evaluation raise, print what is not a number, or lose a session."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from ingest.schema import TABLES, Column
from models.bench import evaluate_bench, session_document, session_frame
from models.wording import Reason

SIDE_TABLES = {"meters": 6, "mass_sets": 4, "places": 4, "installations": 8}

BROKEN = ("not_computed", "inputs_unreadable")


def value(column: Column, rng: np.random.Generator) -> Any:
    """Anything the schema lets through, and now and then nothing, infinity or not a number."""
    empty = 0.03 if column.required else 0.4
    if column.name not in ("session_id", "meter_id") and rng.random() < empty:
        return None
    if column.choices:
        choices = [*column.choices, *(["34", "50"] if column.or_teeth else [])]
        return choices[rng.integers(len(choices))]
    if column.kind is str:
        return f"{column.name[0]}{rng.integers(4)}"
    if column.kind is bool:
        return bool(rng.random() < 0.8)
    if column.kind is date:
        return date(2025, 1, 1) + timedelta(days=int(rng.integers(700)))
    if column.kind is datetime:
        return datetime(2025, 1, 1, tzinfo=UTC) + timedelta(minutes=int(rng.integers(1_000_000)))
    return _number(column, rng)


def _number(column: Column, rng: np.random.Generator) -> Any:
    low = column.low if column.low is not None else (0.0 if column.positive else -100.0)
    high = min(column.high if column.high is not None else 100.0, 1000.0)
    if column.kind is int:
        return int(rng.integers(low, high + 1))
    drawn = rng.random()
    for share, special in ((0.05, low), (0.1, high), (0.12, np.nan), (0.13, np.inf)):
        if drawn < share:
            return float(special)
    return round(float(rng.uniform(low, high)), int(rng.integers(0, 8)))


def frame(name: str, n: int, rng: np.random.Generator) -> pl.DataFrame:
    table = TABLES[name]
    rows = [{c.name: value(c, rng) for c in table.columns} for _ in range(n)]
    return table.conform(pl.DataFrame(rows, schema=table.polars_schema, orient="row"))


@pytest.mark.parametrize("seed", range(4))
def test_whatever_comes_every_session_keeps_its_row(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(3):
        bench = frame("bench", 200, rng).with_columns(
            session_id=pl.Series([f"S{rng.integers(40)}" for _ in range(200)])
        )
        tables = {"bench": bench}
        for name, n in SIDE_TABLES.items():
            if rng.random() < 0.7:
                tables[name] = frame(name, n, rng)
        results = evaluate_bench(tables)
        earlier = session_frame(results).with_columns("x" + pl.col("session_id"))
        for result in [*results, *evaluate_bench(tables, earlier=earlier)]:
            json.dumps(session_document(result), allow_nan=False)
            assert (result.found is None) == (result.reason is not None)
            assert result.reason is None or result.reason.kind not in BROKEN
            assert result.advice is not None
        sessions = bench.select("session_id", "meter_id").unique().height
        assert len(results) == sessions


def test_a_frame_with_the_bare_columns() -> None:
    bare = pl.DataFrame({"session_id": ["S"], "meter_id": ["M"], "torque_nm": [33.0]})
    (result,) = evaluate_bench({"bench": bare})
    assert result.reason is not None
    assert session_frame([result]).height == 1


def test_an_input_that_breaks_becomes_the_sessions_reason(monkeypatch: Any) -> None:
    """The guard around each session: a failure inside is that session's alone."""
    import models.bench.evaluation as module

    def broken(*_: Any) -> None:
        raise ZeroDivisionError("nothing to divide by")

    monkeypatch.setattr(module, "_differences", broken)
    rows = {
        "session_id": ["S"],
        "meter_id": ["M"],
        "torque_nm": [33.0],
        "mass_kg": [20.0],
        "crank_length_mm": [170.0],
    }
    (result,) = evaluate_bench({"bench": pl.DataFrame(rows)})
    assert result.found is None
    problem = "ZeroDivisionError: nothing to divide by"
    assert result.reason == Reason("not_computed", problem=problem)
