"""Hold the hyperparameters: standard deviations of every part, by group and for the fleet.

Working values are log sds (100·ln); `tie`, which makes start and drift correlated by
tie / √(1 + tie²), is as it is. The prior of one kind over the groups is a normal with a common
part (its spread) and a part of each group's own (between), so that small groups follow the fleet.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import exp, log
from typing import TypedDict

import numpy as np

from models.fleet.design import (
    EVENT_KINDS,
    FLEET_KINDS,
    GROUP_KINDS,
    MEANING,
    OFF,
    FleetSettings,
    Key,
    start_value,
)
from models.metrology import Array, Mask


class Hyperparameter(TypedDict):
    """One hyperparameter as it is kept and shown.

    group: None for the fleet's; value: an sd in 100·ln (of `tie` the value itself);
    working_value: what is estimated, the log of the sd (None: switched off)
    """

    kind: str
    group: str | None
    meaning: str
    working_value: float | None
    value: float
    standard_error: float | None
    estimated: bool


class HyperDocument(TypedDict):
    """All hyperparameters; covariance: of the estimated working values, in the rows' order."""

    groups: list[str]
    parameters: list[Hyperparameter]
    covariance: list[list[float]] | None


@dataclass(frozen=True)
class Hyper:
    """Hyperparameter values, which of them are estimated, and how well they are known.

    keys        (kind, group index; −1 for the fleet)
    values      working values, in the keys' order
    active      estimated ones
    covariance  of the active values (inverse of the information), or None
    """

    groups: list[str]
    keys: list[Key]
    values: Array
    active: Mask
    covariance: Array | None = None
    _at: dict[Key, int] = field(default_factory=dict, repr=False, compare=False)

    def __post_init__(self) -> None:
        self._at.update({key: i for i, key in enumerate(self.keys)})

    def index(self, kind: str, group: int) -> int:
        """Return the position of a hyperparameter."""
        return self._at[(kind, group)]

    def sd(self, kind: str) -> Array:
        """Return the sd of each group, [groups]; of `tie` the value itself."""
        values = np.array([self.values[self._at[(kind, g)]] for g in range(len(self.groups))])
        return values if kind == "tie" else np.exp(values)

    def fleet_sd(self, kind: str) -> float:
        """Return the sd of a fleet-wide part."""
        return exp(self.values[self._at[(kind, -1)]])

    def event_variances(self) -> Array:
        """Return the factors of recorded events' variances, by EVENT_KINDS."""
        return np.array([self.fleet_sd(kind) for kind in EVENT_KINDS]) ** 2

    def moved(self, values: Array) -> "Hyper":
        """Return it with other values, not known how well."""
        return replace(self, values=values, covariance=None)

    def line_factor(self) -> tuple[Array, Array, Array]:
        """Return the Cholesky factor of start and drift by group: l11, l21 = tie · l22, l22."""
        drift = self.sd("drift")
        return self.sd("start"), self.sd("tie") * drift, drift

    def line_covariance(self) -> Array:
        """Return the covariance of a meter's start and drift, [groups, 2, 2]."""
        a, b, c = self.line_factor()
        return np.stack([np.stack([a * a, a * b], -1), np.stack([a * b, b * b + c * c], -1)], -2)

    def document(self) -> HyperDocument:
        """Return plain values for storing: every hyperparameter with its standard error."""
        se = self._standard_errors()
        rows: list[Hyperparameter] = [
            {
                "kind": kind,
                "group": self.groups[g] if g >= 0 else None,
                "meaning": MEANING[kind],
                "working_value": float(v) if np.isfinite(v) else None,
                "value": float(v) if kind == "tie" else float(np.exp(v)),
                "standard_error": None if s is None else float(s),
                "estimated": bool(a),
            }
            for (kind, g), v, a, s in zip(self.keys, self.values, self.active, se, strict=True)
        ]
        cov = None if self.covariance is None else self.covariance.tolist()
        return {"groups": self.groups, "parameters": rows, "covariance": cov}

    def _standard_errors(self) -> list[float | None]:
        """Return those of the sds themselves (first order), None where not estimated."""
        se: list[float | None] = [None] * len(self.keys)
        if self.covariance is None:
            return se
        for k, i in enumerate(np.flatnonzero(self.active)):
            u = float(np.sqrt(max(self.covariance[k, k], 0.0)))
            se[i] = u if self.keys[i][0] == "tie" else u * exp(self.values[i])
        return se


def hyper_from_document(document: HyperDocument) -> Hyper:
    """Rebuild the hyperparameters that `Hyper.document` wrote.

    Kinds that it did not know stand at their priors, not estimated.
    """
    groups = list(document["groups"])
    index = {name: i for i, name in enumerate(groups)}
    rows = document["parameters"]
    keys = [(r["kind"], -1 if r["group"] is None else index[r["group"]]) for r in rows]
    values = [OFF if r["working_value"] is None else float(r["working_value"]) for r in rows]
    new = [kind for kind in FLEET_KINDS if (kind, -1) not in keys]
    covariance = document["covariance"]
    return Hyper(
        groups,
        keys + [(kind, -1) for kind in new],
        np.array(values + [start_value(kind) for kind in new]),
        np.array([bool(r["estimated"]) for r in rows] + [False] * len(new), dtype=np.bool_),
        None if covariance is None else np.array(covariance),
    )


def starting_hyper(
    groups: Sequence[str], settings: FleetSettings, relevant: set[str], start: Hyper | None = None
) -> Hyper:
    """Return the values to begin with: an earlier fit's where it has them."""
    keys: list[Key] = [(k, g) for k in GROUP_KINDS for g in range(len(groups))]
    keys += [(k, -1) for k in FLEET_KINDS]
    values, active = [], []
    for kind, g in keys:
        given = settings.fixed.get(kind)
        if given is not None:
            values.append(given if kind == "tie" else (log(given) if given > 0 else OFF))
        else:
            values.append(_earlier(kind, None if g < 0 else groups[g], start))
        active.append(given is None and kind in relevant)
    return Hyper(list(groups), keys, np.array(values), np.array(active, dtype=np.bool_))


def _earlier(kind: str, group: str | None, start: Hyper | None) -> float:
    """Return the value of an earlier fit; of a group new to it the mean of the others."""
    if start is None:
        return start_value(kind)
    if group is None:
        return float(start.values[start.index(kind, -1)])
    if group in start.groups:
        return float(start.values[start.index(kind, start.groups.index(group))])
    own = [start.values[start.index(kind, g)] for g in range(len(start.groups))]
    return float(np.mean(own)) if own else start_value(kind)


def prior_terms(hyper: Hyper, settings: FleetSettings) -> tuple[Array, Array]:
    """Return the prior mean and precision matrix of the active values."""
    chosen = np.flatnonzero(hyper.active)
    n = len(chosen)
    mean, covariance = np.zeros(n), np.zeros((n, n))
    if settings.priors is None:
        return mean, np.zeros((n, n))
    kinds = np.array([hyper.keys[i][0] for i in chosen])
    for kind in dict.fromkeys(kinds.tolist()):
        prior = settings.priors[kind]
        rows = np.flatnonzero(kinds == kind)
        mean[rows] = 0.0 if kind == "tie" else log(prior.median)
        several = kind in GROUP_KINDS and len(hyper.groups) > 1
        own = prior.between**2 if several else 0.0
        block = np.full((len(rows), len(rows)), prior.spread**2) + own * np.eye(len(rows))
        covariance[np.ix_(rows, rows)] = block
    return mean, np.linalg.inv(covariance).astype(np.float64) if n else covariance
