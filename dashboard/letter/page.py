"""A letter as a page of HTML that a mail program shows: nothing in it lies elsewhere.

Every element carries its style, since many mail programs read no style sheet. The one in the head
only turns the colours dark where the reader's screen is, for those that do read it.
"""

from html import escape

from dashboard import theme
from dashboard.letter.composing import Letter, Part

FONT = "font-family:system-ui,-apple-system,'Segoe UI',Roboto,Arial,sans-serif"
HEADING = "font-size:20px;line-height:1.3;margin:0 0 8px"
COLOURS_OF = {
    "page": ("paper", "ink"),
    "sheet": ("surface", "ink"),
    "quiet": (None, "muted"),
    **{status: (f"{status}_soft", status) for status in theme.STATUSES},
}
"""By class: the theme's colours of its ground and of its letters."""


def html_page(letter: Letter) -> str:
    """Return a letter as one HTML document."""
    body = "".join(
        [
            f'<h1 style="{HEADING}">{escape(letter.title)}</h1>',
            f'<p style="margin:0 0 12px">{escape(letter.lead)}</p>',
            *(_status(word, names) for word, names in letter.standing),
            *map(_part, letter.parts),
            _foot(letter.foot),
        ]
    )
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        '<meta name="supported-color-schemes" content="light dark">'
        f"<title>{escape(letter.title)}</title><style>{_dark_sheet()}</style></head>"
        f'<body class="page" style="margin:0;padding:8px;{_colours("page")};{FONT};'
        'font-size:14px;line-height:1.4">'
        f'<div class="sheet" style="max-width:760px;margin:0 auto;padding:8px 16px;'
        f'{_colours("sheet")};border-radius:6px;overflow-wrap:anywhere">{body}</div></body></html>\n'
    )


def _status(word: str, names: str) -> str:
    [status] = [key for key, shown in theme.STATUSES.items() if shown.word == word]
    return (
        f'<p class="{status}" style="margin:0 0 4px;padding:2px 8px;border-radius:4px;'
        f'{_colours(status)}"><b>{escape(word)}</b> {escape(names)}</p>'
    )


def _part(part: Part) -> str:
    items = "".join(f'<li style="margin:0 0 4px">{escape(line)}</li>' for line in part.lines)
    rest = f'<p class="quiet" style="margin:0;{_colours("quiet")}">{escape(part.rest or "")}</p>'
    return (
        f'<h2 style="font-size:15px;margin:14px 0 4px">{escape(part.title)}</h2>'
        f'<ul style="margin:0;padding:0 0 0 20px">{items}</ul>{rest if part.rest else ""}'
    )


def _foot(text: str) -> str:
    return f'<p class="quiet" style="margin:12px 0 0;{_colours("quiet")}">{escape(text)}</p>'


def _colours(name: str, theme_of: dict[str, str] = theme.LIGHT, mark: str = "") -> str:
    ground, ink = COLOURS_OF[name]
    written = f"color:{theme_of[ink]}{mark}"
    return f"background-color:{theme_of[ground]}{mark};{written}" if ground else written


def _dark_sheet() -> str:
    rules = "".join(
        f".{name}{{{_colours(name, theme.DARK, ' !important')}}}" for name in COLOURS_OF
    )
    return f":root{{color-scheme:light dark}}@media(prefers-color-scheme:dark){{{rules}}}"
