"""The rides page: a pair from drop to kept comparison, in a browser; what its parts draw."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest

from dashboard.cli.command_line import main
from dashboard.components import ride_part
from dashboard.figures import ride_charts as ride_figures
from dashboard.pages.rides.decision import decision_part
from dashboard.pages.rides.pair import chosen_from, first_choice, pair_part
from dashboard.pages.rides.sense import sense
from dashboard.security import Guarded, Scope
from dashboard.service import Service
from models import run
from models.rides import compare_recordings, drawn
from models.rides.drawing import MOST_POINTS
from tests.dashboard.browsing import serving
from tests.dashboard.cli.test_rides import csv_of, fit_of, write_tables
from tests.dashboard.fake_service import FakeService
from tests.dashboard.reading import text
from tests.simulate.rides import Mishaps, Pair, Truth, simulate_pair


@pytest.fixture(scope="module")
def pair() -> Pair:
    mishaps = Mishaps(dropouts=2, gaps=1)
    rng = np.random.default_rng(20)
    return simulate_pair(rng, Truth(), kind="outdoor", minutes=20, mishaps=mishaps)


@pytest.fixture(scope="module")
def compared(pair: Pair) -> Any:
    return compare_recordings(pair.meter, pair.reference)


@pytest.fixture(scope="module")
def document(compared: Any) -> dict[str, Any]:
    return compared.to_document() | {"drawn": drawn(compared.aligned)}


@pytest.fixture
def team(tmp_path: Path) -> Path:
    """A store with two meters and a trainer, fitted, nothing measured."""
    folder = tmp_path / "tables"
    folder.mkdir()
    write_tables(folder)
    assert main(["load", str(folder), "--store", str(tmp_path / "team.duckdb")]) == 0
    return tmp_path / "team.duckdb"


# ---- in a browser --------------------------------------------------------------------------------


def uploads(pair: Pair) -> list[dict[str, Any]]:
    kind = "application/octet-stream"
    return [
        {"name": "morning.fit", "mimeType": kind, "buffer": fit_of(pair.meter, 70_123)},
        {"name": "TR-1.csv", "mimeType": "text/csv", "buffer": csv_of(pair.reference)},
    ]


@pytest.mark.browser
def test_a_pair_from_drop_to_kept_comparison(visit: Any, team: Path, pair: Pair) -> None:
    service = Service(team)
    with serving(service) as address:
        page = visit().page
        page.goto(f"{address}/rides")
        page.wait_for_selector("text=No comparison of recordings is kept yet")
        upload = "#rides-upload input[type=file]"
        page.set_input_files(upload, uploads(pair))
        page.wait_for_selector(".ride-answer .big:has-text('±')")
        page.wait_for_selector(".ride .js-plotly-plot .scatterlayer .trace")
        assert page.input_value("#rides-meter-id") == "K1"  # by the serial number in the file
        assert page.input_value("#rides-reference-id") == "TR-1"  # by the name
        page.wait_for_selector("section:has-text('What was left out') td:has-text('dropped out')")
        assert "meter has" not in page.inner_text(".ride-said")

        assert "Keep puts the comparison" in page.inner_text("#rides-sense")
        page.click("#rides-swap")
        page.wait_for_selector(
            "#rides-meter-file option:first-child:has-text('TR-1')", state="attached"
        )
        page.wait_for_selector(
            "#rides-meter-id option:first-child:has-text('choose')", state="attached"
        )
        page.click("#rides-keep")  # of a trainer's file no meter is known
        page.wait_for_selector("#rides-missing:has-text('Choose the meter')")
        page.click("#rides-discard")
        page.wait_for_selector("text=Discarded: nothing of it stays")
        assert not list(team.parent.rglob("morning.fit"))

        page.set_input_files(upload, uploads(pair))
        page.wait_for_selector(".ride-answer .big:has-text('±')")
        ratio = page.inner_text(".ride-answer .big")
        page.click("#rides-keep")
        page.wait_for_selector("text=Kept as K1_TR-1_20260314T0900")
        row = page.locator("table:below(:text('Kept comparisons')) tbody tr").first
        assert ratio in row.inner_text()
        assert service.settled()

        row.locator("a").click()
        page.wait_for_selector("#meter-comparisons .ag-row >> text=recordings")
        page.click("#meter-comparisons .ag-row >> text=recordings")
        page.wait_for_selector("#meter-ride .js-plotly-plot .scatterlayer .trace")
        assert page.inner_text("#meter-ride .big") == ratio
        assert service.ask(run.history, "K1")["observations"][0]["used"]


@pytest.mark.browser
def test_what_cannot_be_read_or_compared_is_said_on_the_page(
    visit: Any, team: Path, pair: Pair
) -> None:
    import polars as pl

    work = pair.reference.with_columns(power_w=(pl.col("power_w").cum_sum() / 1000).round())
    other_day = pair.reference.with_columns(pl.col("time") + pl.duration(days=2))
    meter, _ = uploads(pair)
    with serving(Service(team)) as address:
        page = visit(width=390, height=844).page
        page.goto(f"{address}/rides")
        for bad, said in ((work, "kilojoules"), (other_day, "do not overlap")):
            given = {"name": "TR-1.csv", "mimeType": "text/csv", "buffer": csv_of(bad)}
            page.set_input_files("#rides-upload input[type=file]", [meter, given])
            page.wait_for_selector(f".rides .warn:has-text('{said}')")


# ---- what the charts and parts hold --------------------------------------------------------------


def test_the_drawing_holds_both_traces_and_what_was_left_out(
    compared: Any, document: dict[str, Any]
) -> None:
    made = document["drawn"]
    assert len(made["minute"]) == len(made["meter_w"]) == len(made["reference_w"]) <= MOST_POINTS
    assert made["minute"][-1] == pytest.approx(compared.overlap_s / 60, abs=0.1)
    known = compared.aligned["meter_w"].mean()
    assert np.mean([w for w in made["meter_w"] if w is not None]) == pytest.approx(known, rel=0.01)
    for stretch in made["left_out"]:
        assert stretch["from_minute"] < stretch["to_minute"]
        assert stretch["reason"] in compared.excluded_s
    share = np.array(made["difference_w"]) / np.array(made["difference_pct"])
    assert np.nanmedian(share) == pytest.approx(
        compared.aligned.filter("used")["matched_reference_w"].mean() / 100, rel=0.02
    )


def test_the_charts_draw_traces_bands_and_limits(document: dict[str, Any]) -> None:
    figure = go.Figure(ride_figures.traces(document["drawn"]))
    assert [trace.name for trace in figure.data] == ["reference", "meter"]
    assert len(figure.layout.shapes) == len(document["drawn"]["left_out"])
    ratios = ride_figures.ratios(document)
    assert ratios is not None
    assert [len(trace.y) for trace in go.Figure(ratios).data] == [
        len(document[key]) for key in ("by_power_band", "by_cadence_band", "by_time")
    ]
    differences = go.Figure(ride_figures.differences(document["drawn"], document))
    levels = [shape.y0 for shape in differences.layout.shapes]
    low, high = document["limits_of_agreement_w"]
    assert levels == [high, document["mean_difference_w"], low]


def test_every_reason_has_its_words() -> None:
    from models.rides.alignment.exclusions import REASONS

    assert set(ride_figures.REASONS) == set(REASONS)


def test_a_mechanic_sees_the_ride_without_watts(document: dict[str, Any]) -> None:
    class Compared(FakeService):
        def compare_rides(self, drop: str | None, meter: str, reference: str) -> dict[str, Any]:
            return document

    nobodys = Scope(frozenset(), frozenset())
    person = run.Person("Ilse", "mechanic")
    service: Any = Compared()
    guarded = Guarded(service, lambda: person, scope=lambda _p: nobodys)
    trimmed: Any = guarded.ask(run.compare_rides, None, "a", "b")
    assert trimmed["gain_ratio_pct"] == document["gain_ratio_pct"]
    said = text(ride_part(trimmed, trimmed["drawn"], name="ride"))
    assert "only the rider's own coach may see the watts" in said
    figure = go.Figure(ride_figures.traces(trimmed["drawn"]))
    assert "%" in figure.layout.yaxis.title.text
    assert np.nanmean([v for v in figure.data[1].y if v is not None]) < 150
    assert ride_figures.ratios(trimmed) is not None


def test_two_files_without_names_or_serials_are_offered_to_be_told_apart() -> None:
    def row(sha: str, **more: Any) -> dict[str, Any]:
        blank = dict.fromkeys(
            ("started_at", "mean_power_w", "meter_id", "reference_id", "note", "why")
        )
        return (
            blank
            | {"sha256": sha, "name": f"{sha}.csv", "duration_s": 2400.0}
            | {"has_cadence": True}
            | more
        )

    seen = {"drop": "d", "problems": ["x.fit: no recording"], "unnamed": [], "pairs": []}
    both = seen | {"recordings": [row("a", reference_id="TR-1"), row("b")]}
    chosen = first_choice(both)
    assert (chosen["meter"], chosen["reference"]) == ("b", "a")
    said = text(pair_part(both, chosen))
    assert "by the device the files name" in said
    assert "X.fit: no recording" in said
    nameless = seen | {"recordings": [row("trainer"), row("mine")]}
    chosen = first_choice(nameless)
    assert (chosen["meter"], chosen["reference"]) == ("mine", "trainer")
    said = text(pair_part(nameless, chosen))
    assert "which of them is the meter's. mine.csv is taken to be the meter's, by its name" in said
    assert "Swap the two" in said
    first = seen | {"recordings": [row("x"), row("y")]}
    assert "because it came first" in text(pair_part(first, first_choice(first)))
    turned = chosen_from(first, "y", "x")
    assert "y.csv is taken to be the meter's, because you said so" in text(pair_part(first, turned))
    one = seen | {"recordings": [row("a")]}
    assert first_choice(one)["meter"] is None
    assert "Drop both recordings" in text(pair_part(one, first_choice(one)))


EXPECTED = {"ratio_pct": 0.8, "interval90_pct": [0.3, 1.3], "legs_counted": True}


@pytest.mark.parametrize(
    ("ratio", "half", "said"),
    [
        (1.0, 0.3, "It fits with what is believed of K1 today (+0.8"),
        (3.5, 0.3, "2.7 % away from what is believed of K1 today"),
        (3.5, 0.3, "the wrong meter chosen"),
        (-1.0, 0.3, "the wrong way round"),
        (1.0, 2.4, "The ride says little"),
        (1.0, 0.3, "enough to count"),
    ],
)
def test_what_to_make_of_a_ride(ratio: float, half: float, said: str) -> None:
    found = {"gain_ratio_pct": ratio, "gain_ratio_interval90_pct": [ratio - half, ratio + half]}
    assert said in text(sense(found, EXPECTED, "K1")).replace("\u00a0", " ")


def test_whose_legs_are_counted_is_said() -> None:
    found = {"gain_ratio_pct": 1.0, "gain_ratio_interval90_pct": [0.7, 1.3]}
    assert "rider, rings and chain counted" in text(sense(found, EXPECTED, "K1"))
    anybody = EXPECTED | {"legs_counted": False}
    assert "rings and chain counted, whoever rides" in text(sense(found, anybody, "K1"))


def test_without_a_choice_nothing_is_claimed_of_a_meter() -> None:
    found = {"gain_ratio_pct": 1.0, "gain_ratio_interval90_pct": [0.7, 1.3]}
    assert "Choose the meter" in text(sense(found, None, None))
    assert "first number of it" in text(sense(found, None, "X"))


def test_a_meter_is_chosen_by_who_rides_it() -> None:
    ridden = [{"meter_id": "K1", "rider_id": "Kaspar", "bike_id": "b", "role": "race"}]
    devices = {"meters": ["K1", "K2"], "references": ["T"], "ridden": ridden}
    assert "K1, Kaspar, race" in text(decision_part({"meter_id": None}, devices, comparable=True))
