"""What the budget page and the method page's look back ask: money, policies, the hindcast."""

from __future__ import annotations

from datetime import date
from typing import Any

from dashboard.service.later import Later, Say
from dashboard.service.season import pins_in_force
from ingest.admin import pins

Document = dict[str, Any]


class BudgetDoor(Later):
    """The manager's questions, and the sceptic's."""

    def budget(
        self,
        first: str,
        last: str,
        *,
        slots: int | None = None,
        tolerance_pct: float | None = None,
        target: float | None = None,
        as_of: str | None = None,
    ) -> Document:
        """What there is of the `budget` document of a period.

        slots, tolerance_pct, target: what if these held, instead of what is kept
        """
        from dashboard.service import printing

        supposed = {"slots_per_week": slots, "tolerance_pct": tolerance_pct, "target": target}
        days = (date.fromisoformat(first), date.fromisoformat(last))
        told = self._later(
            lambda say: self._budget(days, supposed, as_of, say),
            *("budget", *days, *supposed.values(), as_of),
        )
        return dict(printing.plain(told))

    def _budget(
        self, days: tuple[date, date], supposed: Document, as_of: str | None, say: Say
    ) -> Document:
        from models import run
        from models.season import Asked

        ready = self._ready(as_of, say)
        say("planning the season and pricing it")
        first = max(days[0], ready.found.as_of)
        held, _ = pins_in_force(pins(self._store), ready.found.meters, first, days[1])
        asked = Asked(*days, pins=held, **supposed)
        return run.budget_of(ready, asked) | {
            "kept_tolerance_pct": ready.settings.tolerance_pct,
            "kept_target": ready.settings.reliability_target,
        }

    def policies(self, *, tolerance_pct: float | None = None, as_of: str | None = None) -> Document:
        """What there is of the `policies` document; tolerance_pct: what if it held for all."""
        from dashboard.service import printing

        told = self._later(
            lambda say: self._policies(tolerance_pct, as_of, say), "policies", tolerance_pct, as_of
        )
        return dict(printing.plain(told))

    def _policies(self, tolerance_pct: float | None, as_of: str | None, say: Say) -> Document:
        from models import run

        ready = self._ready(as_of, say)
        return dict(run.policies_of(ready, tolerance_pct=tolerance_pct, say=say))

    def hindcast(self, as_of: str | None = None) -> Document:
        """What there is of the `hindcast` document; its sessions are left out."""
        from dashboard.service import printing

        return dict(
            printing.plain(self._later(lambda say: self._hindcast(as_of, say), "hindcast", as_of))
        )

    def _hindcast(self, as_of: str | None, say: Say) -> Document:
        from models import run

        say("forecasting every past bench session from what was known before it")
        day = date.fromisoformat(as_of) if as_of else None
        found = run.hindcast(self._store, as_of=day, say=say)
        return {key: value for key, value in found.items() if key != "sessions"}
