"""A team's own sheets: what their columns mean, their rows into the store, mappings kept."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ingest import matching
from ingest.matching import Asked, FileMatch, MappingDocument, MatchDocument, Proposal
from ingest.recordings import staged_folder
from ingest.store import record
from models.run.documents import FitReport, Loaded
from models.run.fitting import refit
from models.run.known import MANAGER, MECHANIC, Fleet, change, question
from models.run.recordings import take_in_uploads
from models.wording import NoAnswerError


class Matched(MatchDocument):
    """The document of `match`, with the fit that followed a load."""

    fit: FitReport | None


@dataclass(frozen=True)
class MatchOptions:
    """How sheets are matched.

    answers  to what was asked before, by the question's key
    mapping  a file with an exported mapping
    save_as  keep what the columns mean under this name
    load     load what is certain; fit: and refit
    """

    answers: Mapping[str, str] = field(default_factory=dict)
    mapping: Path | None = None
    save_as: str | None = None
    load: bool = False
    fit: bool = False


def match_files(fleet: Fleet, paths: Sequence[Path], options: MatchOptions) -> Matched:
    """Return what is proposed for a team's own sheets, and load what is certain if asked to."""
    given = matching.mappings_in(options.mapping) if options.mapping else []
    asked = Asked(dict(options.answers), tuple(given))
    matches = matching.match_paths(fleet.store, paths, asked)
    if given and not any(p.mapping in {m.name for m in given} for p in _proposals(matches)):
        raise NoAnswerError(
            f"{options.mapping}: no sheet has the headings of this mapping. Nothing was done."
        )
    if options.save_as:
        _save(fleet, options.save_as, matches, options.answers)
    report = matching.accept(fleet.store, matches) if options.load else None
    if report is not None:
        report.notices += _rides_in(fleet, matches)
    document = matching.match_document(matches, zone=fleet.store.time_zone(), report=report)
    loaded = report is not None and report.rows_loaded > 0
    return {**document, "fit": refit(fleet) if loaded and options.fit else None}


@question(MECHANIC, MANAGER, kept=False)
def match_sheets(fleet: Fleet, drop: str, answers: Mapping[str, str]) -> MatchDocument:
    """Return what is proposed for sheets that were dropped; nothing goes into the store."""
    matches = _dropped(fleet, drop, answers)
    return matching.match_document(matches, zone=fleet.store.time_zone())


@change("sheets loaded", MECHANIC, MANAGER, place="records", then="fit")
def accept_sheets(fleet: Fleet, drop: str, answers: Mapping[str, str], save_as: str) -> Loaded:
    """Load what is certain of sheets that were dropped; return the `load` document without `fit`.

    save_as  keep what their columns mean under this name; empty: keep nothing
    """
    matches = _dropped(fleet, drop, answers)
    if save_as:
        _save(fleet, save_as, matches, answers)
    report = matching.accept(fleet.store, matches, only=fleet.person.tables)
    report.notices += _rides_in(fleet, matches)
    held = sorted(
        file.name for file in staged_folder(fleet.store, drop).iterdir() if file.is_file()
    )
    with fleet.store.writing() as db:
        record(db, "sheets loaded", ", ".join(held), after={"rows": report.rows_loaded})
    return {**report.to_document(), "recordings": []}


def _dropped(fleet: Fleet, drop: str, answers: Mapping[str, str]) -> list[FileMatch]:
    folder = staged_folder(fleet.store, drop)
    files = matching.staged_files(folder)
    return matching.match_uploads(fleet.store, files, Asked(dict(answers)))


def _rides_in(fleet: Fleet, matches: Sequence[FileMatch]) -> list[str]:
    """Take in the rides among matched sheets; return what is to be said about them."""
    rides = [ride for match in matches for ride in match.recordings()]
    if not rides:
        return []
    with fleet.store.writing():  # makes a store where there is none
        pass
    return take_in_uploads(fleet.store, rides, say=fleet.say)


def _proposals(matches: Sequence[FileMatch]) -> list[Proposal]:
    return [proposal for match in matches for proposal in match.proposals]


def _save(
    fleet: Fleet, name: str, matches: Sequence[FileMatch], answers: Mapping[str, str]
) -> None:
    """Keep the mapping of each set of headings that is understood, the first under the name."""
    kept: list[frozenset[str]] = []
    for proposal in _proposals(matches):
        own = name if not kept else f"{name} {len(kept) + 1}"
        mapping = matching.mapping_of(own, proposal, answers)
        if proposal.certain and mapping.headings not in kept:
            matching.save_mapping(fleet.store, mapping)
            kept.append(mapping.headings)
    if not kept:
        raise NoAnswerError("nothing to keep: something has to be decided first.")


@question(MECHANIC, watts=False)
def mappings(fleet: Fleet) -> list[MappingDocument]:
    """Return the mappings that the store keeps."""
    return [mapping.document() for mapping in matching.saved_mappings(fleet.store)]


@change("mapping removed", MECHANIC)
def remove_mapping(fleet: Fleet, name: str) -> None:
    """Remove a mapping from the store; UserError if there is none of that name."""
    matching.remove_mapping(fleet.store, name)
