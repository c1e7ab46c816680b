"""Corrected summaries: true = shown × factor of the day, the recordings left as they are."""

from datetime import date, datetime, timedelta
from itertools import product
from pathlib import Path

import polars as pl
import pytest

from ingest.readers import RecordingError
from ingest.recordings import corrected_summaries, read_folder, write_corrected
from ingest.recordings.corrected import FILE_NAME, POWERS
from ingest.schema import TABLES
from tests.ingest.recordings import rides

METERS = TABLES["meters"].conform(pl.DataFrame({"meter_id": ["A"], "serial_number": ["70123"]}))
REFERENCES = TABLES["references"].conform(pl.DataFrame({"reference_id": ["T-1"]}))
LEDGER = [
    {"meter_id": "A", "rider_id": None, "from_date": date(2026, 3, 1), "to_date": date(2026, 3, 1),
     "factor": 0.98, "interval90": [0.97, 0.99],
     "rider_factor": 0.95, "rider_interval90": [0.93, 0.97]},
    {"meter_id": "A", "rider_id": None, "from_date": date(2026, 3, 2), "to_date": date(2026, 3, 2),
     "factor": 1.01, "interval90": [1.0, 1.02],
     "rider_factor": 1.0, "rider_interval90": [0.98, 1.02]},
]  # fmt: skip


@pytest.fixture
def summaries(tmp_path: Path) -> pl.DataFrame:
    """Three days of meter A, the last beyond the ledger, and a file of nobody's."""
    folder = tmp_path / "rides"
    folder.mkdir()
    for number in range(3):
        start = rides.START + timedelta(days=number)
        ride = rides.ride(seconds=400, seed=number, start=start)
        data = rides.fit_bytes(ride, [rides.device(start)])
        (folder / f"{number}.fit").write_bytes(data)
    (folder / "other.csv").write_bytes(rides.csv_bytes(rides.ride(seconds=60)))
    return read_folder([folder], into=tmp_path / "shards")


def _by_name(frame: pl.DataFrame) -> dict[str, dict[str, float]]:
    return {Path(row["path"]).name: row for row in frame.iter_rows(named=True)}


def test_every_number_is_multiplied_by_the_factor_of_its_day(summaries: pl.DataFrame) -> None:
    rows = _by_name(corrected_summaries(summaries, METERS, REFERENCES, LEDGER))
    of = {"0.fit": {"corrected": 0.98, "rider": 0.95}, "1.fit": {"corrected": 1.01, "rider": 1.0}}
    for name, factors in of.items():
        for (what, factor), power in product(factors.items(), POWERS):
            shown, corrected = rows[name][power], rows[name][f"{what}_{power}"]
            assert corrected == (pytest.approx(factor * shown) if shown is not None else None)
    assert (rows["0.fit"]["rider_factor_lo90"], rows["0.fit"]["rider_factor_hi90"]) == (0.93, 0.97)
    assert (rows["0.fit"]["factor_lo90"], rows["0.fit"]["factor_hi90"]) == (0.97, 0.99)
    assert rows["0.fit"]["note"] is None


def test_what_has_no_factor_is_listed_with_the_reason(summaries: pl.DataFrame) -> None:
    rows = _by_name(corrected_summaries(summaries, METERS, REFERENCES, LEDGER))
    assert rows["2.fit"]["corrected_mean_power_w"] is None
    assert rows["2.fit"]["note"] == "the ledger has no factor for that day"
    assert rows["other.csv"]["note"] == "no meter is known for this file"
    assert len(rows) == 4
    assert len(_by_name(corrected_summaries(summaries, METERS, REFERENCES, []))) == 4


def test_the_day_is_the_teams(summaries: pl.DataFrame) -> None:
    """09:00 UTC on 1 March is 2 March where the clock is 15 hours on."""
    late = summaries.with_columns(
        pl.when(pl.col("name") == "0.fit")
        .then(pl.lit(datetime(2026, 3, 1, 23)).dt.replace_time_zone("UTC"))
        .otherwise(pl.col("started_at"))
        .alias("started_at")
    )
    frame = corrected_summaries(late, METERS, REFERENCES, LEDGER, time_zone="Europe/Helsinki")
    assert _by_name(frame)["0.fit"]["factor"] == 1.01


def test_the_file_is_written_beside_and_the_recordings_stay(
    summaries: pl.DataFrame, tmp_path: Path
) -> None:
    before = {file: file.read_bytes() for file in (tmp_path / "rides").iterdir()}
    frame = corrected_summaries(summaries, METERS, REFERENCES, LEDGER)
    for _ in range(2):  # a second time it replaces its own file
        file = write_corrected(frame, tmp_path / "rides")
    assert file.name == FILE_NAME
    assert pl.read_csv(file).height == 4
    assert {path: path.read_bytes() for path in before} == before
    assert read_folder([tmp_path / "rides"], into=tmp_path / "shards").height == 4


def test_a_file_of_someone_else_is_not_overwritten(summaries: pl.DataFrame, tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text("mine")
    frame = corrected_summaries(summaries, METERS, REFERENCES, LEDGER)
    with pytest.raises(RecordingError, match="Move it away"):
        write_corrected(frame, tmp_path)
    assert (tmp_path / FILE_NAME).read_text() == "mine"
    with pytest.raises(RecordingError, match="cannot be written"):
        write_corrected(frame, tmp_path / FILE_NAME)
