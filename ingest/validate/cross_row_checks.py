"""Checks of rows against other rows: in the file, and in the store.

A session's rows must agree on the session's own columns; a row's key must not stand for two
different rows; a bench reading needs a mass and a crank length from somewhere.
"""

from collections.abc import Mapping

import polars as pl

from ingest.schema import Problem, Table, in_force
from ingest.validate.cell_writing import cell_text
from ingest.validate.checks import ROW, Checked, complete

SIGNATURE = "signature_"
Context = Mapping[str, pl.DataFrame]


def check_across_rows(checked: Checked, existing: pl.DataFrame, context: Context) -> None:
    """Set aside the rows of a checked table that contradict other rows.

    existing  the store's live rows of the same table
    context   the other tables, with the store's rows and this load's
    Columns that the table does not bring come from the stored rows of the same keys first.
    """
    complete(checked, existing)
    if checked.table.name == "bench":
        checked.reject(_unhung(checked, context) + _crankless(checked, context))
    if checked.table.same_within:
        group, columns = checked.table.same_within
        for column in columns:
            checked.reject(_disagreeing(checked, existing, group, column))
    if checked.table.key:
        checked.reject(_key_conflicts(checked, existing))


def signature(table: Table) -> pl.Expr:
    """Return a row as one text: equal rows have equal texts, however they were typed."""
    cells = [
        pl.col(column.name).cast(pl.String).fill_null("\x00")
        for column in table.columns
        if not column.decimals_of
    ]
    return pl.concat_str(cells, separator="\x1f").alias(SIGNATURE)


def has_key(table: Table) -> pl.Expr:
    """Return which rows are identified by a key; the others are compared as multisets."""
    if not table.key:
        return pl.lit(False)
    return pl.col(table.key[-1]).is_not_null() if table.key_may_be_empty else pl.lit(True)


def _disagreeing(
    checked: Checked, existing: pl.DataFrame, group: str, column: str
) -> list[Problem]:
    """Return rows whose value is not their group's: the store's, else the file's most frequent."""
    mine = checked.frame.select(group, column, ROW).drop_nulls()
    theirs = existing.select(group, column).drop_nulls()
    first = theirs.unique(group, keep="first", maintain_order=True).rename({column: "is"})
    counted = mine.group_by(group, column).agg(pl.len().alias("n"), pl.col(ROW).min().alias("at"))
    usual = counted.sort("n", "at", descending=[True, False]).unique(
        group, keep="first", maintain_order=True
    )
    judged = mine.join(first, on=group, how="left").join(
        usual.select(group, pl.col(column).alias("usual")), on=group, how="left"
    )
    due = pl.coalesce("is", "usual")
    wrong = judged.with_columns(due.alias("due")).filter(pl.col(column) != pl.col("due"))
    return [_disagreement(checked, line, group, column) for line in wrong.iter_rows(named=True)]


def _disagreement(checked: Checked, line: dict[str, object], group: str, column: str) -> Problem:
    word, row = group.removesuffix("_id"), line[ROW]
    stored = line["is"] is not None
    where = "as the store has it" if stored else f"as in {word} {line[group]}'s other rows"
    fix = f"repeat the {word}'s own {column}, or give the row a {group} of its own"
    if stored:
        fix += "; if this one is right, undo the import that brought the other"
    assert isinstance(row, int)
    return checked.problem(
        row, column, line[column], expected=f"{cell_text(line['due'])}, {where}", fix=fix
    )


def _key_conflicts(checked: Checked, existing: pl.DataFrame) -> list[Problem]:
    """Return rows with the key of another row, above in the file or in the store."""
    table = checked.table
    key = list(table.key)
    mine = checked.frame.filter(has_key(table)).with_columns(signature(table))
    above = mine.unique(key, keep="first", maintain_order=True)
    problems = _differing(checked, mine, above, place="row")
    if table.on_change == "conflict":
        bad = [problem.row for problem in problems]
        stored = existing.filter(has_key(table)).with_columns(signature(table))
        rest = mine.filter(~pl.col(ROW).is_in(bad))
        problems += _differing(checked, rest, stored, place="store")
    return problems


def _differing(
    checked: Checked, mine: pl.DataFrame, others: pl.DataFrame, *, place: str
) -> list[Problem]:
    table = checked.table
    pairs = mine.join(others, on=list(table.key), how="inner", nulls_equal=True, suffix="_other")
    wrong = pairs.filter(pl.col(SIGNATURE) != pl.col(f"{SIGNATURE}_other"))
    return [_conflict(checked, line, place) for line in wrong.iter_rows(named=True)]


def _conflict(checked: Checked, line: dict[str, object], place: str) -> Problem:
    table = checked.table
    rest = [c.name for c in table.columns if c.name not in table.key and not c.decimals_of]
    column = next(name for name in rest if line[name] != line[f"{name}_other"])
    other = line[f"{column}_other"]
    value = "nothing" if other is None else cell_text(other)
    where = f"row {line[f'{ROW}_other']}" if place == "row" else "the store"
    who = ", ".join(
        f"{name} {cell_text(line[name])}" for name in table.key if line[name] is not None
    )
    row = line[ROW]
    assert isinstance(row, int)
    return checked.problem(
        row,
        column,
        line[column],
        expected=f"{value}, as in {where} for {who}",
        fix=_conflict_fix(table, place),
    )


def _conflict_fix(table: Table, place: str) -> str:
    if place == "row":
        what = f"give one of them another {table.key[-1]}"
        return f"two rows say different things of the same one: keep the right one, or {what}"
    return (
        "it was loaded with other values before: if this row is right, undo that import first; "
        f"if it is another one, give it its own {table.key[-1]}"
    )


def _unhung(checked: Checked, context: Context) -> list[Problem]:
    """Return mass readings without a mass in the row or its mass set."""
    known = context["mass_sets"].filter(pl.col("mass_kg").is_not_null())["bench_id"]
    lacking = checked.frame.filter(
        (pl.col("load") == "mass")
        & pl.col("mass_kg").is_null()
        & ~pl.col("bench_id").is_in(known.implode())
    )
    return [
        checked.problem(
            row,
            "mass_kg",
            None,
            expected=f"kilograms, or a mass set {bench} with its mass_kg",
            fix=f"fill in mass_kg, or load a table mass_sets with bench_id {bench}",
        )
        for row, bench in lacking.select(ROW, "bench_id").iter_rows()
    ]


def _crankless(checked: Checked, context: Context) -> list[Problem]:
    """Return mass readings without a crank length in row, installation or meter."""
    hung = pl.col("load") == "mass"
    open_rows = checked.frame.filter(hung & pl.col("crank_length_mm").is_null())
    if open_rows.is_empty():
        return []
    meters = context["meters"].filter(pl.col("crank_length_mm").is_not_null())["meter_id"]
    day, slack = pl.col("measured_at").dt.date(), pl.duration(days=1)  # whatever the time zone
    installed = context["installations"].filter(pl.col("crank_length_mm").is_not_null())
    spans = open_rows.join(
        installed.select("meter_id", "from_date", "to_date"), on="meter_id", how="inner"
    ).filter(in_force(day - slack, day + slack))
    lacking = open_rows.filter(
        ~pl.col("meter_id").is_in(meters.implode()) & ~pl.col(ROW).is_in(spans[ROW].implode())
    )
    return [
        checked.problem(
            row,
            "crank_length_mm",
            None,
            expected=f"{checked.table.column('crank_length_mm').expectation()}, "
            f"or an installation of {meter} on that day",
            fix="fill in the crank length, or load a table installations that has it",
        )
        for row, meter in lacking.select(ROW, "meter_id").iter_rows()
    ]
