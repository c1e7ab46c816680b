"""Ways in which a sheet goes wrong on its way: cells, rows, columns and bytes."""

import random
import re

from tests.simulate.workshop_sheets import Sheet, csv_bytes

Rows = list[list[str]]


def rows_of(sheet: Sheet) -> tuple[Rows, str] | None:
    """A CSV's cells and its separator; None for a workbook."""
    if sheet.data.startswith(b"PK"):
        return None
    encoding = "utf-16" if sheet.data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = sheet.data.decode(encoding)
    except UnicodeDecodeError:
        text = sheet.data.decode("cp1252")
    separator = max(";,\t", key=text.count)
    return [re.split(separator, line) for line in text.split("\r\n")], separator


def mutated(sheet: Sheet, dice: random.Random) -> tuple[str, bytes]:
    """What was done to a sheet, and its bytes afterwards."""
    found = rows_of(sheet)
    if found is None or dice.random() < 0.1:
        return "bytes", _broken(sheet.data, dice)
    rows, separator = found
    name, change = dice.choice(CHANGES)
    change(rows, dice)
    return name, csv_bytes([list(row) for row in rows], separator=separator)


def _broken(data: bytes, dice: random.Random) -> bytes:
    if dice.random() < 0.5:
        return data[: dice.randrange(len(data))]
    broken = bytearray(data)
    for _ in range(dice.randint(1, 8)):
        broken[dice.randrange(len(broken))] = dice.randrange(256)
    return bytes(broken)


def _cell(rows: Rows, dice: random.Random) -> tuple[list[str], int]:
    row = dice.choice([row for row in rows if any(row)])
    return row, dice.choice([i for i, cell in enumerate(row) if cell])


def _empty(rows: Rows, dice: random.Random) -> None:
    row, at = _cell(rows, dice)
    row[at] = ""


def _junk(rows: Rows, dice: random.Random) -> None:
    row, at = _cell(rows, dice)
    row[at] = dice.choice(["???", "n/a", "#DIV/0!", "siehe Notiz", "-", "1e999", "٣", "✓", "=A1"])


def _no_decimal_sign(rows: Rows, dice: random.Random) -> None:
    numbers = [(r, i) for r in rows for i, c in enumerate(r) if re.fullmatch(r"\d+[.,]\d+", c)]
    if numbers:
        row, at = dice.choice(numbers)
        row[at] = row[at].replace(".", "").replace(",", "")


def _lose_row(rows: Rows, dice: random.Random) -> None:
    del rows[dice.randrange(len(rows))]


def _twice(rows: Rows, dice: random.Random) -> None:
    at = dice.randrange(len(rows))
    rows.insert(at, list(rows[at]))


def _shift(rows: Rows, dice: random.Random) -> None:
    dice.choice(rows).insert(0, "")


def _lose_column(rows: Rows, dice: random.Random) -> None:
    at = dice.randrange(max(len(row) for row in rows))
    for row in rows:
        if at < len(row):
            del row[at]


def _lose_heading(rows: Rows, dice: random.Random) -> None:
    head = max(rows, key=lambda row: sum(bool(c) and not any(d.isdigit() for d in c) for c in row))
    head[dice.randrange(len(head))] = ""


def _swap_headings(rows: Rows, dice: random.Random) -> None:
    head = max(rows, key=lambda row: sum(bool(c) and not any(d.isdigit() for d in c) for c in row))
    if len(head) > 1:
        a, b = dice.sample(range(len(head)), 2)
        head[a], head[b] = head[b], head[a]


CHANGES = (
    ("an empty cell", _empty),
    ("junk in a cell", _junk),
    ("a lost decimal sign", _no_decimal_sign),
    ("a lost row", _lose_row),
    ("a row twice", _twice),
    ("a shifted row", _shift),
    ("a lost column", _lose_column),
    ("a lost heading", _lose_heading),
    ("exchanged headings", _swap_headings),
)
SAME_READINGS = ("an empty cell", "junk in a cell", "a lost row", "a lost column", "a lost heading")
