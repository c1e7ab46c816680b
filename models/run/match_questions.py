"""A team's own sheets: what their columns mean, and their rows into the store."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from ingest.matching import Choices, MatchDocument, accept, match_document, match_paths
from models.run.known import Fleet


def match_files(
    fleet: Fleet, paths: Sequence[Path], *, answers: Mapping[str, str], load: bool
) -> MatchDocument:
    """Return what is proposed for a team's own sheets; with `load`, load what is certain.

    answers  to what was asked before, by the question's key
    """
    matches = match_paths(fleet.store, paths, Choices(answers=dict(answers)))
    report = accept(fleet.store, matches) if load else None
    return match_document(matches, zone=_zone(fleet), report=report)


def _zone(fleet: Fleet) -> str:
    return fleet.store.time_zone()
