"""Plain letters: one way to write a word, whatever its accents, case and punctuation."""

import re
import unicodedata
from functools import lru_cache

_SIGNS = {"ø": " mean ", "⌀": " mean ", "∅": " mean ", "δ": " delta ", "∆": " delta ", "ß": "ss"}
_MARKS = {
    "%": " percent ",
    "#": " number ",
    "№": " number ",
    "°": " deg ",
    "✓": " ok ",
    "±": " sd ",
}


@lru_cache(maxsize=20_000)
def plain(text: str) -> str:
    """Return a text in plain lower-case words, one space between them.

    Umlauts are their vowel, written either way: `Größe` and `Groesse` are `grosse`.
    """
    lower = re.sub(r"(?<=[a-zß-ÿ])(?=[A-Z][a-z])", " ", text).lower()
    for sign, words in (_SIGNS | _MARKS).items():
        lower = lower.replace(sign, words)
    letters = unicodedata.normalize("NFKD", lower)
    ascii_only = "".join(c for c in letters if not unicodedata.combining(c))
    for pair in ("ae", "oe", "ue"):
        ascii_only = ascii_only.replace(pair, pair[0])
    split = re.sub(r"(?<=[a-z])(?=\d)|(?<=\d)(?=[a-z])", " ", ascii_only)
    return " ".join(re.findall(r"[a-z]+|\d+(?:[.,]\d+)?", split))


def tokens(text: str) -> tuple[str, ...]:
    """Return the plain words of a text."""
    return tuple(plain(text).split())
