"""A slip of the setup is made once and lasts: what a day's sessions say about each other.

Sessions of one day, mass set and technician form a chain. A wrong hanger or plate stays from one
meter to the next with STAYS; otherwise each session starts afresh with the shares of `mistakes`.
So the chance of a slip is handed on from the sessions before (`carried`), and the sessions after
make it likelier or less so (`after`): the forward and backward recursions of a hidden Markov
chain (Rabiner 1989), each message as what `weigh` needs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from models.bench.causes.weighing import Densities, Weighed, weigh

STAYS = 0.8
"""Chance that a setup put up wrongly is still so at the next meter."""
REACH = 8
"""Neighbours on either side that are heard."""

Message = dict[str, float]


class Link(NamedTuple):
    """One session of a chain: whose it is, and its densities."""

    meter_id: str
    found: Densities


def messages(chain: Sequence[Link], k: int) -> tuple[Message, Message]:
    """Return `carried` and `after` for session k of a chain in the order of time.

    Of each other meter the last session counts; a meter's own other sessions say nothing new.
    """
    own = chain[k].meter_id
    before = _latest(link for link in chain[:k] if link.meter_id != own)
    later = _latest(link for link in chain[k + 1 :] if link.meter_id != own)
    return forward(before[-REACH:]), _backward(later[:REACH])


def forward(links: Sequence[Link]) -> Message:
    """Return the share of each slip of the setup that sessions hand on to the next one."""
    carried: Message = {}
    for link in links:
        carried = handed_on(weigh(link.found, carried=carried))
    return carried


def handed_on(weighed: Weighed) -> Message:
    """Return what one weighed session hands on."""
    pairs = zip(weighed.mistakes, weighed.probabilities, strict=True)
    return {m.key: STAYS * p for m, p in pairs if m.setup and p > 0}


def _backward(links: Sequence[Link]) -> Message:
    after: Message = {}
    for link in reversed(links):
        after = _likelier(link.found, after)
    return after


def _likelier(found: Densities, after: Mapping[str, float]) -> Message:
    """Return how many times likelier a session makes each slip in the session before it."""
    afresh = weigh(found, after=after)
    ratios: Message = {}
    for mistake, p in zip(afresh.mistakes, afresh.probabilities, strict=True):
        if mistake.setup and mistake.share > 0:
            ratios[mistake.key] = 1 - STAYS + STAYS * p / mistake.share
    return ratios


def _latest(links: Iterable[Link]) -> list[Link]:
    """Return the last link of each meter, in the order of time."""
    return list({link.meter_id: link for link in links}.values())
