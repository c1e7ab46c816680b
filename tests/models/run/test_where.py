"""Where a meter is: every table says the same, and taking it back leaves no trace."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from ingest.schema import UserError
from ingest.store import Store
from models import run
from models.run import Fleet
from tests.ingest import team

ON = "2026-05-20"
DAY = date(2026, 5, 20)
PEDAL = {
    "meter_id": "P1", "kind": "pedal_pair", "in_service_date": "2024-01-01",
    "slope_convention": "fixed", "serial_number": "S-5",
}  # fmt: skip
FITTED = [
    {"meter_id": "M1", "bike_id": "K1", "from_date": "2024-01-10", "crank_id": "C1",
     "crank_length_mm": 172.5, "large_ring": 53, "small_ring": 39},
    {"meter_id": "P1", "bike_id": "K2", "from_date": "2024-01-10", "crank_id": "C2",
     "crank_length_mm": 170, "programmed_crank_length_mm": 170},
]  # fmt: skip
RIDDEN = [
    {
        "meter_id": "M1",
        "from_date": "2024-01-10",
        "rider_id": "R1",
        "bike_id": "K1",
        "role": "race",
    },
    {"meter_id": "P1", "from_date": "2024-01-10", "rider_id": "R2", "bike_id": "K2"},
]


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    tables = {"meters": [team.METERS[0], PEDAL], "installations": FITTED, "assignments": RIDDEN}
    store, _ = team.load(tmp_path, team.write_team(tmp_path / "tables", tables))
    return Fleet(store)


def rows(store: Store, table: str, meter: str, *columns: str) -> list[tuple[Any, ...]]:
    frame = team.live(store, table).filter(meter_id=meter)
    return frame.sort("from_date" if "from_date" in columns else "meter_id").select(columns).rows()


def test_a_loan_ends_where_it_was_and_comes_back(fleet: Fleet) -> None:
    before = team.contents(fleet.store)
    noted = run.lend_meter(fleet, "P1", "R1", ON, "2026-06-01")
    assert rows(fleet.store, "meters", "P1", "state", "location", "return_by", "serial_number") == [
        ("lent", "R1", date(2026, 6, 1), "S-5")
    ]
    assert rows(fleet.store, "installations", "P1", "to_date") == [(DAY,)]
    assert rows(fleet.store, "assignments", "P1", "from_date", "rider_id", "to_date") == [
        (date(2024, 1, 10), "R2", DAY),
        (DAY, "R1", None),
    ]
    run.bring_meter_back(fleet, "P1", "2026-05-28", "R2", "K2")
    assert rows(fleet.store, "meters", "P1", "state", "return_by") == [("active", None)]
    assert rows(fleet.store, "installations", "P1", "from_date", "bike_id", "crank_length_mm",
                "programmed_crank_length_mm", "to_date")[1] == (
        date(2026, 5, 28), "K2", 170.0, 170.0, None
    )  # fmt: skip
    back = run.whereabouts(fleet, "P1")
    assert (back["state"], back["rider_id"], back["bike_id"]) == ("active", "R2", "K2")
    newest = [i for i in run.imports(fleet) if i["import_id"] > max(noted["import_ids"])]
    run.take_back_whereabouts(fleet, [i["import_id"] for i in newest])
    run.take_back_whereabouts(fleet, noted["import_ids"])
    assert team.contents(fleet.store) == before


def test_a_move_is_said_alike_by_event_and_installation(fleet: Fleet) -> None:
    """A spider takes its crank and rings along; a pedal takes the crank of the bike it goes to."""
    run.move_meter(fleet, "M1", "K9", ON)
    assert rows(fleet.store, "installations", "M1", "from_date", "bike_id", "crank_id",
                "large_ring", "to_date") == [
        (date(2024, 1, 10), "K1", "C1", 53, DAY), (DAY, "K9", "C1", 53, None)
    ]  # fmt: skip
    assert rows(fleet.store, "assignments", "M1", "from_date", "bike_id", "rider_id", "role") == [
        (date(2024, 1, 10), "K1", "R1", "race"), (DAY, "K9", "R1", "race")
    ]  # fmt: skip
    assert rows(fleet.store, "events", "M1", "date", "event", "note") == [
        (DAY, "moved", "from bike K1 to bike K9")
    ]
    run.move_meter(fleet, "P1", "K1", ON)
    assert rows(fleet.store, "installations", "P1", "from_date", "crank_length_mm",
                "programmed_crank_length_mm")[1] == (DAY, 172.5, 170.0)  # fmt: skip


def test_a_meter_is_typed_in_where_nothing_is_loaded_yet(tmp_path: Path) -> None:
    fleet = Fleet(Store(tmp_path / "new.duckdb"))
    run.add_meter(fleet, "V1", "crank_arm_left", "divisor", "172,5", ON)
    columns = ("kind", "slope_convention", "crank_length_mm", "in_service_date")
    assert rows(fleet.store, "meters", "V1", *columns) == [
        ("crank_arm_left", "divisor", 172.5, DAY)
    ]


def test_a_retired_meter_is_gone_and_comes_back_as_a_spare(fleet: Fleet) -> None:
    run.retire_meter(fleet, "M1", "sold", ON)
    assert rows(fleet.store, "meters", "M1", "state", "retired_date") == [("sold", DAY)]
    assert run.whereabouts(fleet, "M1")["rider_id"] is None
    run.bring_meter_back(fleet, "M1", "2026-06-03")
    assert rows(fleet.store, "meters", "M1", "state", "retired_date") == [("spare", None)]


@pytest.mark.parametrize(
    ("ask", "words"),
    [
        (lambda fleet: run.lend_meter(fleet, "M1", " ", ON), "expected whom it is lent to"),
        (lambda fleet: run.move_meter(fleet, "M9", "K9", ON), "M9 is not in the table meters"),
        (lambda fleet: run.move_meter(fleet, "M1", "K9", "soon"), 'found "soon", expected a day'),
        (lambda fleet: run.move_meter(fleet, "M1", "K9", "2023-01-01"), "from 2024-01-10 on"),
        (
            lambda fleet: run.retire_meter(fleet, "M1", "eaten", ON),
            'found "eaten", expected one of',
        ),
        (
            lambda fleet: run.add_meter(fleet, "M1", "hub", "fixed", "", ON),
            'found "M1" among the meters, expected a new name',
        ),
        (
            lambda fleet: run.add_meter(fleet, "M8", "hub", "fixed", "long", ON),
            'crank_length_mm: found "long"',
        ),
    ],
)
def test_what_cannot_be_is_refused_whole(
    fleet: Fleet, ask: Callable[[Fleet], object], words: str
) -> None:
    before = team.contents(fleet.store)
    with pytest.raises(UserError, match=words):
        ask(fleet)
    assert team.contents(fleet.store) == before
