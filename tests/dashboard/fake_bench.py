"""What the bench page asks of an invented fleet, made by the models from its status."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl

from dashboard.service import printing
from ingest.schema import TABLES
from models.bench import offline_kit as bench_page

Document = dict[str, Any]
NAMED = ("meter_id", "kind", "slope_convention")


def kit(rows: list[Document], *, on: date) -> Document:
    """The bench page's data of a fleet with one mass set and no place."""
    tables = {name: TABLES[name].empty() for name in ("places", "installations")}
    tables["mass_sets"] = TABLES["mass_sets"].conform(
        pl.DataFrame({"bench_id": ["green"], "mass_kg": [20.0], "hanger_mass_kg": [0.35]})
    )
    named = [{name: row.get(name) for name in NAMED} for row in rows]
    meters = pl.DataFrame(named, schema=dict.fromkeys(NAMED, pl.String))
    tables["meters"] = TABLES["meters"].conform(meters)
    made = bench_page.kit(tables, None, rows, on=on)
    return dict(printing.plain(made)) | {"today": on.isoformat()}
