"""TCX recordings, streamed, with entities off and the parser's limits on."""

import io
from collections.abc import Iterator

import numpy as np

from ingest.readers.recordings.frame import Decoded, Samples, unix_seconds

MAX_POINTS = 2_000_000


Point = tuple[float, float, float]


def read_tcx(data: bytes) -> Decoded:
    """Return time, power and cadence of every track point. Never raises for damaged content.

    Of a file that ends early what came before is returned. Times without an offset are UTC, as
    the format demands.
    """
    content = Decoded(Samples(np.empty(0)), "tcx")
    rows: list[Point] = []
    for point in _points(data, content.faults):
        rows.append(point)
        if len(rows) >= MAX_POINTS:
            content.faults.append(f"it has more than {MAX_POINTS} track points")
            break
    if not data.rstrip().endswith(b"TrainingCenterDatabase>"):
        content.faults.append("its end is missing")
        rows = rows[:-1]  # where it was cut, a number may have lost its last digits
    columns = np.array(rows, dtype=np.float64).reshape(-1, 3)
    values = {"power_w": columns[:, 1], "cadence_rpm": columns[:, 2]}
    content.samples = Samples(columns[:, 0], values)
    return content


def _points(data: bytes, faults: list[str]) -> Iterator[Point]:
    """Yield time, power and cadence of each track point; adds to `faults` what is wrong."""
    from lxml import etree

    parser = etree.iterparse(
        io.BytesIO(data.lstrip()),  # some exports start with blanks before the declaration
        events=("end",),
        tag="{*}Trackpoint",
        resolve_entities=False,
        load_dtd=False,
        no_network=True,
        huge_tree=False,
        remove_comments=True,
        recover=True,
    )
    try:
        for _, point in parser:
            yield (
                unix_seconds(point.findtext("{*}Time")),
                _number(point.findtext("{*}Extensions/{*}TPX/{*}Watts")),
                _number(point.findtext("{*}Cadence")),
            )
            point.clear()
            while point.getprevious() is not None:
                del point.getparent()[0]
    except SyntaxError as error:  # lxml's own errors derive from it
        faults.append(f"its XML is damaged ({error.msg}); what came before it is kept")
    if len(parser.error_log):
        first = parser.error_log[0]
        faults.append(
            f"its XML is damaged in line {first.line} ({first.message}); what could be read is kept"
        )


def _number(text: str | None) -> float:
    try:
        return float(text or "nan")
    except ValueError:
        return np.nan
