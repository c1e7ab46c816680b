"""A fleet without any optional table gets what it always got: no further effects, no other data."""

from datetime import date

import polars as pl
import pytest

from ingest.schema import TABLES
from models.fleet import FleetData, FleetSettings, fit
from models.records import Settings
from models.rides import compare_steps
from models.run.known import pipeline as assess
from tests.simulate.contract_tables import contract_frames
from tests.simulate.fleets import FleetOptions, simulate_fleet

OPTIONS = FleetOptions(n_meters=8, years=2.0, n_trainers=2)
TODAY = date(2025, 1, 31)


@pytest.fixture(scope="module")
def plain() -> dict[str, pl.DataFrame]:
    """Meters, bench and comparisons only; meters that see both legs."""
    written = contract_frames(simulate_fleet(OPTIONS, 3))
    keep = ("meters", "bench", "comparisons", "references")
    tables = {n: t.conform(written[n]) if n in keep else t.empty() for n, t in TABLES.items()}
    spider = pl.lit("crank_spider").alias("kind")
    return tables | {"meters": tables["meters"].with_columns(spider)}


def test_nothing_is_added_to_a_plain_fleet(plain):
    """The fit equals, to the last bit, the one on bench sessions, rides and slopes alone."""
    settings = Settings()
    evaluated = assess.evaluate(plain, settings)
    found = assess.records(plain, evaluated, everything=plain, as_of=TODAY, settings=settings)
    data = found.data
    assert data.ride_effects.is_empty()
    assert data.events.is_empty()
    assert found.course is found.resets
    assert found.zero_steps.is_empty()
    assert data.bench.height == evaluated.sessions["gain_error_ln"].is_finite().sum()
    rides = compare_steps(plain["comparisons"])
    bare = FleetData(
        meters=data.meters,
        bench=data.bench,
        comparisons=rides.select(
            *("comparison_id", "meter_id", "reference_id"),
            at="measured_at",
            ratio="gain_ratio_ln",
            u="u_gain_ratio_pct",
            dof="dof",
            rider_id="rider_id",
            temperature_c="temperature_c",
        ),
        resets=data.resets,
        references=data.references,
        benches=data.benches,
    )
    ours = assess.fitted(found, settings)
    alone = fit(bare, today=TODAY, settings=FleetSettings())
    ids = data.meters["meter_id"].to_list()
    assert ours.gain_error(ids, TODAY)[0].tolist() == alone.gain_error(ids, TODAY)[0].tolist()
    assert ours.gain_error(ids, TODAY)[1].tolist() == alone.gain_error(ids, TODAY)[1].tolist()
    assert ours.posterior.state.log_likelihood == alone.posterior.state.log_likelihood
    assert {
        key[0] for key, on in zip(ours.hyper.keys, ours.hyper.active, strict=True) if on
    }.isdisjoint({"rider", "event", "swap"})
