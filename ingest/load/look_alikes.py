"""Names that look the same and are taken as different ones: M1, m1, M 1, М1 with a Russian М."""

import unicodedata
from collections import defaultdict
from collections.abc import Iterable

# Letters of other scripts that look like a Latin one.
_ALIKE = str.maketrans(
    "АВЕЅІЈКМНОРСТУХаеѕіјорсухΑΒΕΖΗΙΚΜΝΟΡΤΥΧο", "ABESIJKMHOPCTYXaesijopcyxABEZHIKMNOPTYXo"
)
_DASHES = dict.fromkeys(map(ord, "‐‑‒–—−_"), "-")


def look_alikes(names: Iterable[str]) -> list[list[str]]:
    """Return the groups of different names that look the same, each sorted."""
    groups: dict[str, set[str]] = defaultdict(set)
    for name in names:
        groups[_look(name)].add(name)
    return [sorted(group) for group in groups.values() if len(group) > 1]


def _look(name: str) -> str:
    plain = unicodedata.normalize("NFKC", name).translate(_ALIKE).translate(_DASHES)
    kept = (sign for sign in plain if not sign.isspace() and unicodedata.category(sign) != "Cf")
    return "".join(kept).casefold()


def spelled_out(name: str) -> str:
    """Return a name in quotation marks, with what cannot be told by eye named behind it."""
    odd = [f"U+{ord(sign):04X}" for sign in name if not sign.isascii() and not sign.isspace()]
    spaces = ["a space"] if any(sign.isspace() for sign in name) else []
    behind = f" (with {', '.join([*spaces, *odd])})" if spaces or odd else ""
    return f'"{name}"{behind}'
