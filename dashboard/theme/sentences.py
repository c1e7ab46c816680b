"""How sentences and names that come from the models and the tables are written on a page."""

import re

from dashboard.theme.dates import as_date, day
from dashboard.theme.numbers import MINUS, MISSING, NBSP


def prose(text: object) -> str:
    """Return a sentence of the models as a page writes it: dates, minus signs, units."""
    said = re.sub(r"(?<![\w-])\d{4}-\d{2}-\d{2}(?![\w-])", _day_in_prose, str(text or ""))
    said = re.sub(r"(?<![\w.,\-–−])-(?=\d)", MINUS, said)
    return re.sub(r"(?<=\d) (?=%)|(?<=±) (?=\d)", NBSP, said)


def _day_in_prose(found: re.Match[str]) -> str:
    return day(found[0]) if as_date(found[0]) else found[0]


def sentence(text: object) -> str:
    """Return the same with a capital first and a full stop last."""
    said = prose(text).strip()
    if not said:
        return ""
    return said[0].upper() + said[1:] + ("" if said.endswith((".", "?", "!")) else ".")


def words(name: object) -> str:
    """Return a name of the input tables as a person reads it: crank_spider, crank spider."""
    text = str(name or "").replace("_", " ").strip()
    return text or MISSING


def title(name: object) -> str:
    """Return such a name with a capital first: Crank spider."""
    return words(name).capitalize()


def bike_words(bike_id: object) -> str | None:
    """Return a bike as a sentence names it, with the word "bike" once: bike K1, bike-K1."""
    if not bike_id:
        return None
    return str(bike_id) if "bike" in str(bike_id).lower() else f"bike {bike_id}"


def listed(*parts: object) -> str:
    """Return what is known of several things, with commas between: training, bike-3."""
    return ", ".join(str(part) for part in parts if part)
