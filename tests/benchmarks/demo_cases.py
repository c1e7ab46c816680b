"""The demo's awkward cases: what a naive mean would say, what we say, and the truth.

python -m tests.benchmarks.demo_cases

The naive numbers and the truth are seeds/truth/cases.csv (see seeds.known.cases): two power
columns of the last 120 days averaged, and the last found error as entered.
"""

from __future__ import annotations

import tempfile
import textwrap
from pathlib import Path
from typing import Any

import polars as pl

from ingest.load import load_paths
from ingest.store import Store
from models.run import Fleet, refit, status
from seeds.scenario import LAST

SEEDS = Path(__file__).parents[2] / "seeds"
SECTIONS = (("meters", "meter_id"), ("references", "reference_id"), ("benches", "bench_id"))


def demo_status(folder: Path) -> dict[str, Any]:
    """The `status` document of the demo on its last day."""
    store = Store(folder / "demo.duckdb")
    with store.writing() as db:
        db.set_setting("today", LAST.isoformat())
    load_paths(store, [SEEDS / "tables"])
    refit(Fleet(store))
    return status(Fleet(store))


def by_device(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Every device's row by its id."""
    return {row[key]: row for section, key in SECTIONS for row in document[section]}


def ours(row: dict[str, Any]) -> tuple[str, str]:
    """Number with its 90 % interval, and the sentences that are not about the number alone."""
    low, high = row["interval90_pct"]
    number = f"{row['gain_error_pct']:+.2f} ({low:+.2f} … {high:+.2f})"
    alarms = [f"ALARM {a['kind']} {a['date']}: {a['text']}" for a in row["alarms"]]
    said = [text for text in row.get("reasons", []) if not any(text in a for a in alarms)]
    kept = said[:2] if row["alarms"] else said[:1]
    action = row.get("next_action")
    return number, " ".join([*alarms, *kept, f"→ {action}" if action else ""])


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        devices = by_device(demo_status(Path(folder)))
    print(
        f"{'case':28s} {'device':7s} {'naive rides':>11s} {'bench':>6s} {'truth':>6s}  ours (90 %)"
    )
    for case in pl.read_csv(SEEDS / "truth" / "cases.csv").iter_rows(named=True):
        row = devices[case["device"]]
        number, said = ours(row)
        naive = [
            "" if v is None else f"{v:+.2f}"
            for v in (case["naive_rides_pct"], case["naive_bench_pct"])
        ]
        low, high = row["interval90_pct"]
        held = "" if low <= case["true_pct"] <= high else " MISSED"
        print(
            f"{case['case']:28s} {case['device']:7s} {naive[0]:>11s} {naive[1]:>6s} "
            f"{case['true_pct']:+6.2f}  {number}{held}"
        )
        print(textwrap.indent(textwrap.fill(said, 96), " " * 4))
        print(f"    truth: {case['what_to_do']}")


if __name__ == "__main__":
    main()
