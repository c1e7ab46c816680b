"""Lines that tell the reader something: a note, a warning, what was done, what is going on."""

from collections.abc import Iterable
from typing import Any

from dash import html

from dashboard import theme


def note(said: Any) -> html.P:
    """Return a quiet line that says how to read what stands beside it."""
    return html.P(said, className="note")


def remark(said: Any) -> html.P:
    """Return a line of detail below an answer."""
    return html.P(said, className="remark")


def warning(said: Any, *, role: str | None = None) -> html.P:
    """Return a line to take care about; the role "alert" or "status" has it read out."""
    attributes: dict[str, Any] = {"role": role} if role else {}
    return html.P(said, className="warn", **attributes)


def done(said: Any) -> html.P:
    """Return what a button has done."""
    return html.P(said, className="done", role="status")


def at_work(doing: str, detail: str = "") -> html.P:
    """Return what is going on in the background, with a turning mark."""
    more = f": {detail}" if detail else ""
    return html.P([html.Span(className="busy"), f"{doing}{more}…"], className="work")


def sentences(texts: Iterable[object], *, className: str = "") -> html.Ul | None:  # noqa: N803
    """Return sentences of the models as a list; None without any."""
    items = [html.Li(theme.sentence(text)) for text in texts]
    return html.Ul(items, className=className) if items else None
