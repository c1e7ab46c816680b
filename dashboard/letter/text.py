"""A letter as plain text."""

from textwrap import fill

from dashboard import theme
from dashboard.letter.composing import Letter

WIDTH = 79


def plain_text(letter: Letter) -> str:
    """Return a letter as lines of at most 79 characters."""
    lines = [letter.title, "", letter.lead]
    lines += [_standing(word, names) for word, names in letter.standing]
    for part in letter.parts:
        lines += ["", part.title.upper(), *(_item(line) for line in part.lines)]
        lines += [part.rest] if part.rest else []
    lines += ["", fill(letter.foot, WIDTH)]
    return "\n".join(lines).replace(theme.NBSP, " ") + "\n"


def _item(line: str) -> str:
    return fill(line, WIDTH, initial_indent="- ", subsequent_indent="  ")


def _standing(word: str, names: str) -> str:
    return fill(names, WIDTH, initial_indent=f"{word + ':':9}", subsequent_indent=" " * 9)
