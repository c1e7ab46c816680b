"""Hundreds of tables with bad cells of every kind, loaded and accepted: is anything wrong then?

uv run python -m tests.benchmarks.mutated_tables --tables 512
"""

import argparse
import os
import tempfile
from pathlib import Path

from ingest.schema import TABLES
from tests.ingest import team
from tests.ingest.load.test_mutated import brought_in, wrong

SEEDS_AT_ONCE = 8


def main() -> None:
    """Print what is wrong, and how many of the rows that can be told are in."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tables", type=int, default=512)
    seeds = -(-parser.parse_args().tables // len(TABLES))
    os.environ["SLOPEWATCH_DEBUG"] = "1"
    found, held, good = [], 0, 0
    for first in range(0, seeds, SEEDS_AT_ONCE):
        some = range(first, min(first + SEEDS_AT_ONCE, seeds))
        with tempfile.TemporaryDirectory() as folder:
            store, made = brought_in(Path(folder), some)
            for name, tables in made.items():
                stored = team.live(store, name)
                found += wrong(stored, TABLES[name], tables)
                held += stored.height
                good += sum(row is not None for one in tables for row in one.truth.values())
    print("\n".join(found))
    print(f"{seeds * len(TABLES)} tables: {len(found)} values wrong, {held} of {good} rows in")


if __name__ == "__main__":
    main()
