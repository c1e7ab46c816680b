"""A recorded ride under headings of its own: power, watts, Leistung; time as hh:mm:ss."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from ingest.matching.meaning import ColumnSeen, read_days, seconds_of
from ingest.matching.sheets import Kind
from ingest.matching.words import UNITS

FEWEST_ROWS = 5
_OTHERS = {"cadence_rpm": "cadence", "temperature_c": "temperature"}
_NOT_OF_A_RIDE = frozenset({"meter", "rider", "reference", "meter_w", "reference_w", "event"})


@dataclass
class RideSheet:
    """A recording: its columns by what `time`, `power_w` … they are, and it in that form."""

    places: dict[str, ColumnSeen] = field(default_factory=dict)
    content: bytes = b""


def ride_in(columns: Sequence[ColumnSeen]) -> RideSheet | None:
    """Return the recording that a sheet holds; None where it is none."""
    if any(column.filled and column.concepts & _NOT_OF_A_RIDE for column in columns):
        return None
    power = _first(columns, "power")
    clock = _clock(columns)
    if power is None or clock is None or len(power.cells) < FEWEST_ROWS or power is clock:
        return None
    times = _times(clock)
    if times is None:
        return None
    places = {"time": clock, "power_w": power}
    for name, concept in _OTHERS.items():
        other = _first(columns, concept)
        if other is not None:
            places[name] = other
    return RideSheet(places, _written(places, times))


def _first(columns: Sequence[ColumnSeen], concept: str) -> ColumnSeen | None:
    fitting = (c for c in columns if concept in c.concepts and c.is_numeric)
    return next(fitting, None)


def _clock(columns: Sequence[ColumnSeen]) -> ColumnSeen | None:
    timed = [c for c in columns if c.concepts & {"time", "day", "duration"}]
    return next((c for c in timed if c.mostly(Kind.TIME) or c.mostly(Kind.DAY)), None) or next(
        (c for c in timed if c.is_numeric), None
    )


def _times(column: ColumnSeen) -> list[str] | None:
    """Return each row's time as seconds or ISO text; None where they run backwards."""
    if column.mostly(Kind.DAY):
        texts = read_days(column.cells).texts
        return (
            [text or "" for text in texts] if any(text and "T" in text for text in texts) else None
        )
    read = [
        seconds_of(cell) if ":" in cell else value
        for cell, value in zip(column.cells, column.numbers, strict=True)
    ]
    known = [second for second in read if second is not None]
    if len(known) < FEWEST_ROWS or any(b < a for a, b in pairwise(known)):
        return None
    return ["" if second is None else f"{second:.10g}" for second in read]


def _written(places: dict[str, ColumnSeen], times: Sequence[str]) -> bytes:
    names = [name for name in places if name != "time"]
    lines = [",".join(["time", *names])]
    for row, time in enumerate(times):
        lines.append(",".join([time, *(_number(places[name], row) for name in names)]))
    return "\n".join(lines).encode()


def _number(column: ColumnSeen, row: int) -> str:
    value = column.numbers[row]
    if value is None:
        return ""
    kilowatts = column.unit == UNITS["kW"]
    return f"{value * 1000 if kilowatts else value:.10g}"
