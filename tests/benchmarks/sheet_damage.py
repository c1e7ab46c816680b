"""What match makes of hundreds of damaged sheets: nothing stops it, what is wrong is counted.

python -m tests.benchmarks.sheet_damage [sheets] [seed]

Wrong are readings that would load and are not in the sheet as it was: after a row twice, exchanged
headings or changed bytes they are what the damaged sheet says.
"""

import random
import sys
from collections import Counter
from dataclasses import replace

from ingest.matching import match_document
from tests.ingest.matching.reading import loadable, matched
from tests.simulate.sheet_mutations import mutated
from tests.simulate.workshop_sheets import ambiguous, sheets


def main(count: int = 500, seed: int = 1) -> None:
    """Print by kind of damage: sheets, those with a wrong reading, readings lost."""
    dice = random.Random(seed)
    pool = [*sheets(3, seed), *ambiguous(seed)]
    done: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    for _ in range(count):
        sheet = dice.choice(pool)
        what, data = mutated(sheet, dice)
        found = matched(replace(sheet, data=data))
        match_document([found], zone="UTC")
        done[what] += 1
        wrong[what] += bool(loadable(found) - sheet.truth())
    for what in sorted(done):
        print(f"{what:24} {done[what]:4} sheets, {wrong[what]:3} with a reading that was not there")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
