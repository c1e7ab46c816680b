"""What else could have hung: every mass set's total, and its hanger."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from models.bench.measurement.readings import Session
from models.bench.measurement.reference_data import ReferenceData


class Setups:
    """Totals and hangers by bench_id, kg."""

    def __init__(self, totals: dict[str, float], hangers: dict[str, float]) -> None:
        self.totals, self.hangers = totals, hangers
        self._others: dict[str | None, tuple[tuple[str, float], ...]] = {}

    def others(self, bench_id: str | None) -> tuple[tuple[str, float], ...]:
        """Return every other mass set with its total, by name."""
        if bench_id not in self._others:
            rest = [(name, kg) for name, kg in self.totals.items() if name != bench_id]
            self._others[bench_id] = tuple(sorted(rest))
        return self._others[bench_id]


def setups_of(sessions: Sequence[Session], data: ReferenceData) -> Setups:
    """Return the sets of mass_sets; for one that is not there, what most sessions hung from it."""
    hung: dict[str, Counter[tuple[float, float]]] = {}
    for session in sessions:
        first = next((r.hung for r in session.readings if r.hung is not None), None)
        if first is not None and session.bench_id:
            count = hung.setdefault(session.bench_id, Counter())
            count[(first.mass_kg, first.hanger_kg)] += 1
    totals: dict[str, float] = {}
    hangers: dict[str, float] = {}
    for name, count in hung.items():
        (mass, hanger), _ = count.most_common(1)[0]
        totals[name], hangers[name] = mass + hanger, hanger
    for name, kept in data.mass_sets.items():
        if kept.mass_kg is not None:
            totals[name] = kept.mass_kg + (kept.hanger_kg or 0.0)
        if kept.hanger_kg is not None:
            hangers[name] = kept.hanger_kg
    return Setups(totals, hangers)
