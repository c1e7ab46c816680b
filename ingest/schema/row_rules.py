"""Rules on the cells of one row together: one device, an order of dates, a mass that hung."""

from dataclasses import dataclass

import polars as pl

from ingest.schema.columns import Table


@dataclass(frozen=True)
class RowRule:
    """A rule on rows.

    broken   the condition of a row that breaks it, on the typed columns and `has_<column>`
    column   the column of the problem; None: the row as a whole
    """

    broken: pl.Expr
    column: str | None
    expected: str
    fix: str


def rules_of(table: Table) -> list[RowRule]:
    """Return every rule on single rows of a table."""
    rules = [_required(table, name) for name in table.required]
    rules += _device_rules(table)
    if table.together:
        rules += _together(*table.together)
    rules += [_ordered(first, last) for first, last in table.ordered]
    return rules + (_bench_rules() if table.name == "bench" else [])


def _has(name: str) -> pl.Expr:
    return pl.col(f"has_{name}")


def _required(table: Table, name: str) -> RowRule:
    column = table.column(name)
    fix = f"fill in {name}: {column.meaning}"
    return RowRule(~_has(name), name, column.expectation(), fix)


def _device_rules(table: Table) -> list[RowRule]:
    rules = []
    for names, least, most in (
        (table.exactly_one, 1, 1),
        (table.at_least_one, 1, 99),
        (table.at_most_one, 0, 1),
    ):
        if not names:
            continue
        count = pl.sum_horizontal(_has(name).cast(pl.Int8) for name in names)
        listed = ", ".join(names)
        if least:
            expected = f"{'exactly' if most == 1 else 'at least'} one of {listed}"
            rules.append(RowRule(count < least, names[0], expected, f"fill in one of {listed}"))
        if most == 1:
            expected = f"{'exactly' if least else 'at most'} one of {listed}"
            rules.append(RowRule(count > 1, names[0], expected, "keep one and empty the others"))
    return rules


def _together(first: str, second: str) -> list[RowRule]:
    alone = ~_has("gravity_ms2")
    return [
        RowRule(
            _has(given) & ~_has(missing) & alone,
            missing,
            f"a value beside {given}",
            f"fill in {missing}, or give gravity_ms2 instead of both",
        )
        for given, missing in ((first, second), (second, first))
    ]


def _ordered(first: str, last: str) -> RowRule:
    return RowRule(
        pl.col(last) < pl.col(first),
        last,
        f"no less than {first}",
        f"correct one of the two, or swap {first} and {last}",
    )


def _bench_rules() -> list[RowRule]:
    hung = pl.col("mass_kg") + pl.col("hanger_mass_kg").fill_null(0.0)
    weighted = pl.col("load") == "mass"
    return [
        RowRule(
            weighted & ~_has("mass_kg") & ~_has("bench_id"),
            "mass_kg",
            "kilograms, above 0, where load is mass",
            "fill in the mass that hung there, or the bench_id of a mass set",
        ),
        RowRule(
            weighted & _has("mass_kg") & (hung <= 0),
            "mass_kg",
            "kilograms, above 0, where load is mass",
            "fill in the mass that hung there, or write zero as the load",
        ),
    ]
