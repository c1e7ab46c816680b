"""Reads the published tables beside the tests."""

import csv
from pathlib import Path

TRUTH = Path(__file__).parent.parent / "truth"


def rows(name: str) -> list[dict[str, str]]:
    """Rows of tests/truth/NAME, the # comment lines above them left out."""
    with (TRUTH / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def numbers(name: str, column: str) -> list[float]:
    """One column of tests/truth/NAME as numbers, empty cells left out."""
    return [float(row[column]) for row in rows(name) if row[column]]


def reference(key: str, name: str = "bench_reference_values.csv") -> list[float]:
    """The published numbers of one key of a table with the columns key and value."""
    value = next(row["value"] for row in rows(name) if row["key"] == key)
    return [float(part) for part in value.split(";")]
