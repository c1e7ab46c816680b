"""What match makes of hundreds of damaged sheets: nothing stops it, what is wrong is counted.

python -m tests.benchmarks.sheet_damage [sheets] [seed] [text]

Wrong are readings that would load and are not in the sheet as it was. Workbooks are damaged byte by
byte, which mostly makes them unreadable; `text` damages CSV alone, cell by cell.
"""

import random
import sys
from collections import Counter
from dataclasses import replace

from ingest.matching import match_document
from tests.ingest.matching.reading import loadable, matched
from tests.simulate.sheet_mutations import mutated
from tests.simulate.workshop_habits import HABITS, unclear
from tests.simulate.workshop_sheets import Sheet, ambiguous, sheets


def pool_of(dice: random.Random, seed: int, *, text: bool) -> list[Sheet]:
    """Whole sheets of every style and habit."""
    found = [*sheets(3, seed), *ambiguous(seed), *unclear(seed)]
    found += [habit(dice) for habit in HABITS for _ in range(3)]
    return [sheet for sheet in found if not (text and sheet.data.startswith(b"PK"))]


def main(count: int = 500, seed: int = 1, *, text: bool = False) -> None:
    """Print by kind of damage: sheets, those with a wrong reading, readings lost."""
    dice = random.Random(seed)
    pool = pool_of(dice, seed, text=text)
    done: Counter[str] = Counter()
    wrong: Counter[str] = Counter()
    lost: Counter[str] = Counter()
    for _ in range(count):
        sheet = dice.choice(pool)
        what, data = mutated(sheet, dice)
        found = matched(replace(sheet, data=data))
        match_document([found], zone="UTC")
        done[what] += 1
        loads, truth = loadable(found), sheet.truth()
        wrong[what] += bool(loads - truth)
        lost[what] += 100 - round(100 * (loads & truth).total() / truth.total())
    for what in sorted(done):
        print(
            f"{what:24} {done[what]:4} sheets, {wrong[what]:3} with a reading that was not there, "
            f"{lost[what] / done[what]:3.0f} % of readings asked about or set aside"
        )


if __name__ == "__main__":
    given = sys.argv[1:]
    main(*(int(argument) for argument in given if argument != "text"), text="text" in given)
