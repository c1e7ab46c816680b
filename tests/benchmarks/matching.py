"""How long a workbook of 5,000 sessions on 60 sheets takes to match. Run by hand:

python -m tests.benchmarks.matching [sheets] [sessions]
"""

import random
import sys
import time
from datetime import date, timedelta
from pathlib import Path

from ingest.matching import Asked, match_document, match_uploads
from ingest.store import Store
from tests.simulate.workshop_sheets import Cell, Grid, session, xlsx_bytes

HEAD: list[Cell] = [
    *("Date", "Crank (mm)", "Mass (kg)", "Temp °C", "Zero", "Large L", "Large R", "Small L"),
    *("Small R", "Mean", "By"),
]


def workbook(sheets: int, sessions: int) -> bytes:
    """A workbook with a sheet for each meter, as a team keeps it for years."""
    dice = random.Random(1)
    grids: dict[str, Grid] = {}
    for number in range(sheets):
        grid: Grid = [[f"Meter M{number:02d}, calibrations"], [], HEAD]
        day = date(2018, 1, 3)
        for _ in range(sessions // sheets):
            day += timedelta(days=dice.randint(10, 50))
            one = session(dice, f"M{number:02d}", day)
            shown = [r.torque_nm for r in one.readings]
            mean = round(sum(shown[1:]) / 4, 3)
            own: list[Cell] = [day, one.crank_mm, one.mass_kg, one.temperature_c]
            grid.append([*own, *shown, mean, "MK"])
        grids[f"M{number:02d}"] = grid
    return xlsx_bytes(grids)


def main(sheets: int = 60, sessions: int = 5000) -> None:
    """Print seconds and what was proposed."""
    data = workbook(sheets, sessions)
    begun = time.perf_counter()
    matches = match_uploads(Store(Path("there-is-none.duckdb")), [("log.xlsx", data)], Asked())
    proposed = time.perf_counter() - begun
    document = match_document(matches, zone="UTC")
    shown = time.perf_counter() - begun
    rows = sum(sheet["proposed"].get("bench", 0) for sheet in document["sheets"])
    asked = sum(bool(sheet["undecided"]) for sheet in document["sheets"])
    print(f"{len(data) / 1e6:.1f} MB, {rows} readings, {asked} sheets with questions")
    print(f"proposed in {proposed:.2f} s, with checks and document {shown:.2f} s")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
