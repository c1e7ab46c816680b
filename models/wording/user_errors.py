"""The one exception of the models whose text is written for a user, and words it often needs."""

import re
from collections.abc import Sequence

from ingest.schema import UserError


class NoAnswerError(UserError):
    """The question has no answer in these data; the text says why and what to do."""


def unknown_name(name: str, known: Sequence[str], *, what: str = "meter") -> str:
    """Return the sentence about a name that nobody knows, with the nearest known ones."""
    from difflib import get_close_matches

    same = [other for other in known if _plain(other) == _plain(name)]
    close = same or get_close_matches(name, known, n=3)
    hint = f"; did you mean {' or '.join(close)}?" if close else f" ({len(known)} are known)"
    return f'found {what} "{name}", expected one that the store knows{hint}'


def _plain(name: str) -> str:
    """Return a name without case, punctuation and leading zeros: K-07 and k7 are the same."""
    return re.sub(r"0+(?=\d)", "", re.sub(r"[\W_]", "", name.casefold()))
