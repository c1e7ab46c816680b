"""A fleet whose blocks are kept in parts has the same fit as one whose blocks are all here."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from models.fleet import fit
from models.fleet.design.parts import Here, Parts
from tests.models.fleet.simulated import fleet_data
from tests.simulate.fleets import SCENARIOS, simulate_fleet

T = TypeVar("T")


class Elsewhere(Here):
    """Workers who are given copies of what travels, as over a network."""

    def submit(self, fn: Callable[..., T], /, *args: Any, **kwargs: Any) -> Future[T]:
        kept, *others = args
        return super().submit(travelled, fn, kept, *pickle.loads(pickle.dumps(others)), **kwargs)


def travelled(work: Callable[..., T], *args: Any, **kwargs: Any) -> T:
    found: T = pickle.loads(pickle.dumps(work(*args, **kwargs)))
    return found


def test_parts_change_nothing() -> None:
    options = replace(SCENARIOS["awkward"], n_meters=16, n_trainers=3, years=1.5, strikes=4)
    fleet = simulate_fleet(options, 3)
    data = fleet_data(fleet)
    whole = fit(data, today=fleet.today)
    found = fit(data, today=fleet.today, workers=Elsewhere(3))
    assert np.allclose(found.hyper.values, whole.hyper.values, rtol=0, atol=1e-8)
    assert np.allclose(found.posterior.state.mean, whole.posterior.state.mean, rtol=0, atol=1e-8)
    assert np.allclose(found.weights["weight"], whole.weights["weight"], rtol=0, atol=1e-8)
    assert found.effects == whole.effects
    assert whole.effects, "nothing to find makes no test of how it is found"
    assert found.posterior.state.parts is None  # all blocks are here again


def test_parts_keep_their_order_and_get_their_rows() -> None:
    here, rows = Here(2), [slice(0, 2), slice(2, 5)]
    parts = Parts(here, rows, [here.keep(k, list, "abcde"[own]) for k, own in enumerate(rows)])
    doubled = parts.then(lambda part, times: part * times, 2)
    assert doubled.each(lambda part, own: ("".join(part), own), rows=([1, 2, 3, 4, 5],)) == [
        ("abab", [1, 2]),
        ("cdecde", [3, 4, 5]),
    ]
    both = parts.beside(doubled, lambda one, other: len(one) + len(other))
    assert both.each(int) == [6, 9]
