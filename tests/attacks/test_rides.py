"""A damaged ride whose mean power moved says so; a good one says nothing."""

import re

import numpy as np
import pytest

from ingest.readers import read_recording
from tests.attacks.damaged_rides import drawn_ride
from tests.attacks.rides_by_hand import LIMIT, fates, marks_of_good_files, moved
from tests.ingest.recordings import rides


def test_no_damage_moves_the_mean_without_a_word() -> None:
    """A few of the files that `rides_by_hand` damages by the thousand."""
    found = list(fates(104, 7))
    assert [f for f in found if f.moved is not None and f.moved > LIMIT and not f.marked] == []
    assert sum(fate.marked for fate in found) > 70


def test_good_rides_are_left_as_they_are() -> None:
    rng = np.random.default_rng(8)
    for _ in range(10):
        ride = drawn_ride(rng)
        assert marks_of_good_files(ride) == []
        assert read_recording(rides.csv_bytes(ride)).frame["power_w"].to_list() == list(ride.power)


@pytest.mark.parametrize(("digits", "says"), [("2040", "2040 W"), ("9", "9 W")])
def test_a_power_that_stands_alone_is_left_out_and_shown(digits: str, says: str) -> None:
    ride = rides.ride(seconds=300)
    good = read_recording(rides.csv_bytes(ride))
    lines = rides.csv_bytes(ride).decode().split("\n")
    for at in (60, 120, 180, 240, 270)[: 1 if digits == "2040" else 5]:
        time, _, rest = lines[at].split(",", 2)
        lines[at] = f"{time},{digits},{rest}"
    found = read_recording("\n".join(lines).encode())
    assert found.partial is not None
    assert re.search(rf"like {says} between \d+ and \d+ W, were left out", found.partial)
    changed = moved(found.frame, good.frame)
    assert changed is not None
    assert changed < LIMIT


def test_a_sprint_a_standstill_and_single_seconds_of_coasting_are_no_damage() -> None:
    ride = rides.ride(seconds=600)
    ride.power[100:108] = (400, 850, 1200, 1100, 950, 700, 500, 300)
    ride.power[200:230] = ride.cadence[200:230] = 0
    ride.power[300:400:7] = ride.cadence[300:400:7] = 0
    assert marks_of_good_files(ride) == []
