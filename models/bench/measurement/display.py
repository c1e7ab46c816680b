"""How finely a session's display was read: learnt from all of a meter's and its group's readings.

A trailing zero counts where it was typed. A session with few different readings may show fewer
decimals than the display has; then the meter's other readings tell, or those of its group.
"""

from collections import Counter
from collections.abc import Mapping, Sequence

import polars as pl

from models.bench.measurement.readings import Reading, Session
from models.metrology import display_step

OWN_READINGS = 4
"""Different readings other than zero from which a session shows its display's step by itself."""
ENOUGH_READINGS = 8
"""Readings from which a meter's own tell, without those of its group."""

Key = tuple[str, str]
"""A meter or a group, and its name."""


class Displays:
    """What displays have shown, by meter and by group.

    groups: of each meter; earlier: rows of `session_frame`
    """

    def __init__(
        self,
        sessions: Sequence[Session],
        groups: Mapping[str, str | None],
        earlier: pl.DataFrame | None,
    ) -> None:
        self._groups = groups
        self._readings: dict[Key, list[Reading]] = {}
        self._steps: dict[Key, float | None] = {}
        for session in sessions:
            for key in self._keys(session.meter_id):
                self._readings.setdefault(key, []).extend(session.readings)
        if earlier is not None and "step_nm" in earlier.columns:
            self._learn(earlier)

    def step_nm(self, session: Session) -> float:
        """Return the step of the display that a session was read from, N·m."""
        if session.meter.torque_step_nm:
            return session.meter.torque_step_nm
        own = _step(session.readings)
        different = {r.torque_nm for r in session.readings if r.torque_nm}
        if len(different) >= OWN_READINGS:
            return own
        for key in self._keys(session.meter_id):
            if key not in self._steps:
                self._steps[key] = self._step_of(key)
            learnt = self._steps[key]
            if learnt:
                return min(own, learnt)
        return own

    def _keys(self, meter_id: str) -> list[Key]:
        group = self._groups.get(meter_id)
        return [("meter", meter_id), *([("group", group)] if group else [])]

    def _step_of(self, key: Key) -> float | None:
        readings = self._readings[key]
        enough = key[0] == "group" or len(readings) >= ENOUGH_READINGS
        return _step(readings) if enough else None

    def _learn(self, earlier: pl.DataFrame) -> None:
        """Take the usual step of sessions evaluated before, of meters with few readings here."""
        found: dict[Key, Counter[float]] = {}
        rows = earlier.filter(pl.col("step_nm") > 0).group_by("meter_id", "step_nm").len()
        for meter_id, step, n in rows.iter_rows():
            for key in self._keys(meter_id):
                found.setdefault(key, Counter())[step] += n
        for key, count in found.items():
            if len(self._readings.get(key, ())) < ENOUGH_READINGS:
                self._steps[key] = max(count, key=lambda step: (count[step], -step))


def _step(readings: Sequence[Reading]) -> float:
    return display_step([r.torque_nm for r in readings], [r.decimals for r in readings])
