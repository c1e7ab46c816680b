"""Tags: which concepts the words of a text stand for, exactly, as a compound, or nearly."""

from functools import cache, lru_cache
from typing import NamedTuple

from rapidfuzz import fuzz, process

from ingest.matching.words.concepts import BENCH_WORDS
from ingest.matching.words.concepts_of_tables import TABLE_WORDS
from ingest.matching.words.spelling import plain, tokens

NEARLY = 86.0  # least likeness of a misspelt word, of 100 (rapidfuzz's ratio)
SHORTEST_MISSPELT = 5
SHORTEST_PART = 4
COMPOUND_SCORE, MISSPELT_SCORE = 0.9, 0.8


class Tag(NamedTuple):
    """A word or phrase of a text: the concepts it may stand for, and how sure that is, 0 to 1."""

    concepts: frozenset[str]
    words: str
    score: float


@cache
def _phrases() -> dict[tuple[str, ...], frozenset[str]]:
    found: dict[tuple[str, ...], set[str]] = {}
    for concept, listed in (*BENCH_WORDS.items(), *TABLE_WORDS.items()):
        for phrase in listed.split(","):
            key = tuple(plain(phrase).split())
            if key:
                found.setdefault(key, set()).add(concept)
    return {key: frozenset(concepts) for key, concepts in found.items()}


@cache
def _long_words() -> list[str]:
    return [key[0] for key in _phrases() if len(key) == 1 and len(key[0]) >= SHORTEST_PART]


@lru_cache(maxsize=20_000)
def tags(text: str) -> tuple[Tag, ...]:
    """Return the tags of a text, longest phrases first taken; words without a meaning have none."""
    return tuple(tag for _, found in _read(text) for tag in found)


def unknown_words(text: str) -> frozenset[str]:
    """Return the words of a text that have no meaning here; numbers have none to have."""
    return frozenset(word for word, found in _read(text) if not found and not word.isdecimal())


def _read(text: str) -> list[tuple[str, list[Tag]]]:
    """Return the phrases and words of a text, each with its tags."""
    words, found, at = tokens(text), list[tuple[str, list[Tag]]](), 0
    while at < len(words):
        size, tag = _phrase_at(words, at)
        if tag is not None:
            found.append((tag.words, [tag]))
            at += size
            continue
        found.append((words[at], _of_one_word(words[at])))
        at += 1
    return found


def concepts_in(text: str) -> frozenset[str]:
    """Return every concept that a word of the text may stand for."""
    return frozenset(concept for tag in tags(text) for concept in tag.concepts)


def _phrase_at(words: tuple[str, ...], at: int) -> tuple[int, Tag | None]:
    phrases = _phrases()
    for size in range(min(4, len(words) - at), 0, -1):
        key = words[at : at + size]
        if key in phrases:
            return size, Tag(phrases[key], " ".join(key), 1.0)
    return 0, None


def _of_one_word(word: str) -> list[Tag]:
    if len(word) < SHORTEST_MISSPELT or word.isdecimal():
        return []
    return _compound(word) or _misspelt(word) or _shortened(word)


def _compound(word: str) -> list[Tag]:
    """Return the tags of a word that begins or ends with known ones: `nullpunktwert`."""
    phrases = _phrases()
    for cut in range(len(word) - SHORTEST_PART + 1, SHORTEST_PART - 1, -1):
        first, rest = phrases.get((word[:cut],)), phrases.get((word[cut:],))
        if first and rest:
            return [
                Tag(first, word[:cut], COMPOUND_SCORE),
                Tag(rest, word[cut:], COMPOUND_SCORE),
            ]
    for cut in range(len(word) - 1, SHORTEST_MISSPELT, -1):
        first = phrases.get((word[:cut],))
        if first:
            return [Tag(first, word[:cut], MISSPELT_SCORE)]
    return []


def _shortened(word: str) -> list[Tag]:
    """Return the tag of the beginning of a word, where all words it may be mean the same."""
    whole = [long for long in _long_words() if long.startswith(word)]
    concepts = {_phrases()[(long,)] for long in whole}
    return [Tag(concepts.pop(), whole[0], MISSPELT_SCORE)] if len(concepts) == 1 else []


def _misspelt(word: str) -> list[Tag]:
    best = process.extractOne(word, _long_words(), scorer=fuzz.ratio, score_cutoff=NEARLY)
    if best is None:
        return []
    return [Tag(_phrases()[(best[0],)], best[0], MISSPELT_SCORE)]
