"""What a file's good rows change in the store's table: new, unchanged, replaced.

Rows without a key are compared as multisets: a file that holds a row three times makes the store
hold it three times, however often it is loaded. Rows with a key have versions, of which one is
live; a file brings a new version, or makes an earlier one live again.
"""

from dataclasses import dataclass, field

import polars as pl

from ingest.schema import Table
from ingest.validate import ROW, SIGNATURE, cell_text, has_key, signature

OCCURRENCE = "occurrence_"


@dataclass(frozen=True)
class RowChange:
    """A stored row that another replaces: the file's row, which one, its differing cells."""

    row: int
    table: str
    key: str
    before: dict[str, str | None]
    after: dict[str, str | None]

    def sentence(self) -> str:
        """Return the change in words."""
        cells = [
            f"{name} {old or 'nothing'} → {self.after[name] or 'nothing'}"
            for name, old in self.before.items()
        ]
        return f"row {self.row}: {self.table} {self.key} changed: {', '.join(cells)}."


@dataclass
class Merge:
    """What a file changes in one table.

    added     rows to add: row_id, `row_`, the table's columns
    claims    row_id and `row_` of every row of the store that the file holds
    retired   versions that are no longer live
    revived   versions that are live again
    loaded    rows of the file that changed the store; `unchanged`: that did not
    changes   what becomes of each replaced row
    """

    added: pl.DataFrame
    claims: pl.DataFrame
    retired: list[int] = field(default_factory=list)
    revived: list[int] = field(default_factory=list)
    loaded: int = 0
    unchanged: int = 0
    changes: list[RowChange] = field(default_factory=list)


def merge(
    table: Table,
    versions: pl.DataFrame,
    incoming: pl.DataFrame,
    *,
    next_row_id: int,
    seen_before: bool = False,
) -> Merge:
    """Return what a file's good rows change, compared with the store's versions of rows.

    versions      row_id, live, the table's columns: at least those with a key of the file
    incoming      `row_`, the table's columns; without conflicts (see `cross_row_checks`)
    next_row_id   of the first new row
    seen_before   the file has not changed since it was last loaded: rows that a later file
                  replaced stay replaced
    """
    marked = incoming.with_columns(signature(table), has_key(table).alias("keyed_"))
    if table.key and marked["keyed_"].all():  # then rows of other keys do not matter
        versions = versions.join(marked, on=list(table.key), how="semi", nulls_equal=True)
    stored = versions.with_columns(signature(table))
    counted = _merge_counted(marked.filter(~pl.col("keyed_")), stored)
    known = _merge_known(table, marked.filter("keyed_"), stored, seen_before=seen_before)
    return _joined(table, counted, known, next_row_id)


@dataclass
class _Part:
    """`fresh`: rows of the file that need a new version; `old`: row_ and row_id of the rest."""

    fresh: pl.DataFrame
    old: pl.DataFrame
    retired: list[int] = field(default_factory=list)
    revived: list[int] = field(default_factory=list)
    again: int = 0
    changes: list[RowChange] = field(default_factory=list)


def _merge_counted(incoming: pl.DataFrame, stored: pl.DataFrame) -> _Part:
    """Match the k-th of equal rows in the file with the k-th of them in the store."""
    if incoming.is_empty():
        return _Part(incoming, pl.DataFrame(schema={ROW: pl.Int64, "row_id": pl.Int64}))
    mine = incoming.with_columns(_occurrence())
    theirs = stored.filter("live").with_columns(_occurrence())
    matched = mine.join(
        theirs.select(SIGNATURE, OCCURRENCE, "row_id"), on=[SIGNATURE, OCCURRENCE], how="left"
    )
    return _Part(
        fresh=matched.filter(pl.col("row_id").is_null()),
        old=matched.filter(pl.col("row_id").is_not_null()).select(ROW, "row_id"),
    )


def _occurrence() -> pl.Expr:
    return pl.int_range(pl.len()).over(SIGNATURE).alias(OCCURRENCE)


def _merge_known(
    table: Table, incoming: pl.DataFrame, stored: pl.DataFrame, *, seen_before: bool
) -> _Part:
    once = incoming.unique(SIGNATURE, keep="first", maintain_order=True)
    again = incoming.height - once.height
    latest = stored.sort("live", "row_id").unique(SIGNATURE, keep="last", maintain_order=True)
    matched = once.join(latest.select(SIGNATURE, "row_id", "live"), on=SIGNATURE, how="left")
    old = matched.filter(pl.col("row_id").is_not_null())
    fresh = matched.filter(pl.col("row_id").is_null()).drop("row_id", "live")
    revived = old.filter(~pl.col("live"))
    if seen_before:
        old, revived = old.filter("live"), revived.clear()
    replaced = _replaced(table, pl.concat([fresh, revived.select(fresh.columns)]), stored)
    return _Part(
        fresh=fresh,
        old=old.select(ROW, "row_id"),
        retired=replaced["row_id"].to_list(),
        revived=revived["row_id"].to_list(),
        again=again + (matched.height - fresh.height - old.height),
        changes=[_change(table, line) for line in replaced.iter_rows(named=True)],
    )


def _replaced(table: Table, newer: pl.DataFrame, stored: pl.DataFrame) -> pl.DataFrame:
    """Return newer rows beside the live versions they replace: columns with the suffix `_was`."""
    live = stored.filter("live").select("row_id", *table.names)
    if not table.key:
        return newer.clear().join(live.clear(), how="cross", suffix="_was")
    return newer.join(live, on=list(table.key), how="inner", nulls_equal=True, suffix="_was")


def _change(table: Table, line: dict[str, object]) -> RowChange:
    differing = [
        name for name in table.names if name not in table.key and line[name] != line[f"{name}_was"]
    ]
    row = line[ROW]
    assert isinstance(row, int)
    return RowChange(
        row,
        table.name,
        " ".join(cell_text(line[name]) for name in table.key if line[name] is not None),
        {name: _text(line[f"{name}_was"]) for name in differing},
        {name: _text(line[name]) for name in differing},
    )


def _text(value: object) -> str | None:
    return None if value is None else cell_text(value)


def _joined(table: Table, counted: _Part, known: _Part, next_row_id: int) -> Merge:
    columns = [ROW, *table.names]
    fresh = pl.concat([counted.fresh.select(columns), known.fresh.select(columns)])
    added = fresh.sort(ROW).with_row_index("row_id", next_row_id).cast({"row_id": pl.Int64})
    old = pl.concat([counted.old, known.old])
    claims = pl.concat([added.select(ROW, "row_id"), old])
    loaded = added.height + len(known.revived)
    return Merge(
        added=added,
        claims=claims,
        retired=known.retired,
        revived=known.revived,
        loaded=loaded,
        unchanged=old.height - len(known.revived) + known.again,
        changes=known.changes,
    )
