"""What match makes of a made-up sheet, in the form in which the sheet's truth is told."""

from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from ingest.matching import Asked, FileMatch, match_uploads
from ingest.store import Store
from ingest.validate import check_entry, complete
from tests.simulate.workshop_sheets import Sheet

NO_STORE = Store(Path("there-is-none.duckdb"))


def matched(sheet: Sheet, answers: Mapping[str, str] | None = None) -> FileMatch:
    """What is proposed for a sheet without a store."""
    [found] = match_uploads(NO_STORE, [(sheet.name, sheet.data)], Asked(dict(answers or {})))
    return found


def questions(match: FileMatch) -> set[str]:
    """The keys of what is asked."""
    return {question.key for proposal in match.proposals for question in proposal.questions}


def loadable(match: FileMatch) -> Counter[tuple[object, ...]]:
    """The readings that would load, as `Sheet.truth` has them."""
    found: Counter[tuple[object, ...]] = Counter()
    for entry in match.content().entries:
        if entry.table.name != "bench":
            continue
        checked = check_entry(entry, zone="UTC")
        complete(checked, entry.table.empty())
        for row in checked.frame.to_dicts():
            hung = row["load"] == "mass"
            if row["crank_length_mm"] is None:
                continue  # set aside once the store is there to look it up
            found[
                (
                    *(row["meter_id"], row["measured_at"].date().isoformat()),
                    *(row["stage"] or "as_found", row["load"], row["chainring"], row["arm"]),
                    round(row["torque_nm"], 2),
                    round(row["mass_kg"] or 0.0, 2) if hung else 0.0,
                    round(row["crank_length_mm"], 1),
                )
            ] += 1
    return found
