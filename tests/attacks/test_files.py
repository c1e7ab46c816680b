"""Hostile files cost themselves alone, in words; what is only odd is read all the same."""

import os
import time
from collections.abc import Callable

import pytest

from ingest.load.sources import Content, uploaded
from ingest.readers import LostError, RawTable, outcome, read_apart, read_csv, read_xlsx, several
from ingest.readers import apart as reading
from ingest.readers.tables.csv_file import MOST_LINES
from tests.attacks import hostile_files as hostile


def set_aside(file: hostile.File) -> Content:
    [content], _ = uploaded([file])
    assert content.tables == []
    return content


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (hostile.far_cell, "asks for too much: it takes more than 1 GB"),
        (hostile.long_column, "1 columns and 300000000 cells"),
        (lambda: hostile.wide_csv(20_000), "20000 columns and 40000 cells"),
    ],
)
def test_a_file_that_asks_for_too_much_is_set_aside_in_words(
    made: Callable[[], hostile.File], said: str
) -> None:
    [problem] = set_aside(made()).problems
    assert said in problem.sentence()


def test_what_says_that_it_is_large_when_unpacked_is_not_unpacked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("ingest.readers.tables.xlsx.LARGEST_UNPACKED", 10_000_000)
    with pytest.raises(reading.UnreadableError, match=r"a workbook of 0.0 GB unpacked"):
        read_xlsx(*hostile.unpacks_large(11))


def test_empty_failed_formulas_take_no_more_time_each() -> None:
    """60,000 of them took minutes; the process that reads has ten seconds of the processor."""
    [table] = read_apart(read_xlsx, *hostile.failed_formulas())
    assert table.rows_read == 0


@pytest.mark.parametrize("made", [hostile.open_quotes, hostile.odd_quotes])
def test_quotation_marks_that_do_not_pair_cost_their_rows(
    made: Callable[[int], hostile.File],
) -> None:
    table = read_apart(read_csv, *made(60_000))
    assert isinstance(table, RawTable)
    assert (len(table.ragged), table.rows_read) == (60_000, 60_000)


def test_a_cell_of_several_lines_is_one_cell() -> None:
    note = "a\n" * (MOST_LINES - 1)
    data = f'session_id,note\nS1,"{note}b"\nS2,c\n'.encode()
    table = read_csv("bench.csv", data)
    assert (table.rows_read, table.ragged) == (2, [])


def ends(_seconds: int) -> None:
    os.abort()


def computes(seconds: int) -> int:
    until = time.process_time() + seconds
    while time.process_time() < until:
        pass
    return seconds


def grows(megabytes: int) -> int:
    return len(bytearray(megabytes << 20))


def test_a_reader_that_dies_grows_or_never_ends_is_replaced() -> None:
    pool = reading.Apart(1, longest_s=1)
    try:
        for read, argument in ((ends, 0), (computes, 30), (grows, 2000)):
            with pytest.raises(LostError):
                outcome(pool.submit(read, argument))
            assert outcome(pool.submit(grows, 1)) == 1 << 20
    finally:
        pool.stop()


def test_processes_for_many_files_end_with_their_block() -> None:
    with several() as many:
        assert outcome(many.submit(grows, 1)) == 1 << 20
    with pytest.raises(RuntimeError):
        many.submit(grows, 1)
