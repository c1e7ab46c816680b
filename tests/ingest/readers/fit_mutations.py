"""Damaged FIT files: flipped bytes, cut ends, insertions, lies about length, mended checksums."""

import random
from dataclasses import dataclass

from tests.ingest.readers.fit_writer import with_fresh_checksums

KINDS = ("flip", "cut", "insert", "remove", "lie", "zeros", "flip_mended", "insert_mended")
"""The `_mended` ones get a right size and right checksums again: only their content is off."""


@dataclass(frozen=True)
class Mutant:
    """A damaged file, and how it was damaged."""

    kind: str
    data: bytes


def mutants(whole: bytes, count: int, *, seed: int) -> list[Mutant]:
    """`count` damaged files made from one that is whole, every kind about equally often."""
    rng = random.Random(seed)
    return [_mutant(whole, KINDS[number % len(KINDS)], rng) for number in range(count)]


def _mutant(whole: bytes, kind: str, rng: random.Random) -> Mutant:
    data = bytearray(whole)
    at = _place(data, rng)
    if kind.startswith("flip"):
        for _ in range(rng.choice((1, 1, 2, 8, 40))):
            data[_place(data, rng)] ^= 1 << rng.randrange(8)
    elif kind == "cut":
        del data[rng.randrange(1, len(data)) :]
    elif kind.startswith("insert"):
        data[at:at] = rng.randbytes(rng.randrange(1, 12))
    elif kind == "remove":
        del data[at : at + rng.randrange(1, 12)]
    elif kind == "lie":
        lie = rng.choice(
            (0, 1, len(data), 0xFFFFFFFF, rng.randrange(len(data)), rng.randrange(2**32))
        )
        data[4:8] = lie.to_bytes(4, "little")
    else:
        length = rng.randrange(1, 400)
        data[at : at + length] = bytes(length)
    mended = kind.endswith("_mended") and len(data) > 20
    return Mutant(kind, with_fresh_checksums(bytes(data)) if mended else bytes(data))


def _place(data: bytearray, rng: random.Random) -> int:
    """Half the damage goes into the first 300 bytes, where the definitions are."""
    return rng.randrange(min(len(data), 300) if rng.random() < 0.5 else len(data))
