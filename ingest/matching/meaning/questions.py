"""What cannot be told from a sheet, and what it could be; never answered by a guess."""

from collections.abc import Iterable
from dataclasses import dataclass

from ingest.matching.meaning.days import ORDERS, written_day


@dataclass(frozen=True)
class Question:
    """One thing to ask.

    key      what an answer is kept under: `date_order`, `mass_kg`, `column:Wert 2`
    what     the question, in words
    choices  the answers there are; none: any value of the right kind
    default  the likelier one, marked but not taken
    examples what each choice makes of the sheet, in the order of the choices
    """

    key: str
    what: str
    choices: tuple[str, ...] = ()
    default: str | None = None
    examples: tuple[str, ...] = ()


def order_question(cells: Iterable[str]) -> Question:
    """Return the question in which order a sheet writes day, month and year.

    cells  its days, the first of which shows what each order makes of it
    """
    unsure = [(cell, w) for cell in cells if cell and (w := written_day(cell)) and not w.certain]
    cell, first = unsure[0] if unsure else ("", None)
    orders = [order for order in ORDERS if first is None or order in first.options]
    return Question(
        "date_order",
        f"Which day is {cell}? The days of the sheet do not tell."
        if cell
        else "In which order are day, month and year written?",
        tuple(orders),
        orders[0],
        tuple(first.options[order].strftime("%-d %B %Y") for order in orders) if first else (),
    )


def column_key(name: str) -> str:
    """Return the key of the question what a column means."""
    return f"column:{name}"
