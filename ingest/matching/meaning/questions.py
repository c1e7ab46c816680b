"""What cannot be told from a sheet, and what it could be; never answered by a guess."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Question:
    """One thing to ask.

    key      what an answer is kept under: `date_order`, `mass_kg`, `column:Wert 2`
    what     the question, in words
    choices  the answers there are; none: any value of the right kind
    default  the likelier one, marked but not taken
    """

    key: str
    what: str
    choices: tuple[str, ...] = ()
    default: str | None = None


def order_question() -> Question:
    """Return the question in which order a sheet writes day, month and year."""
    return Question(
        "date_order",
        "In which order are day, month and year written? The dates can be read both ways.",
        ("day_month_year", "month_day_year", "year_month_day"),
        "day_month_year",
    )


def column_key(name: str) -> str:
    """Return the key of the question what a column means."""
    return f"column:{name}"
