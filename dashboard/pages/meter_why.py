"""Why a meter is called what it is called, in words a person can check."""

from __future__ import annotations

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.pages import Document


def why(
    row: Document | None, status: Document, sessions: list[Document], comparisons: list[Document]
) -> html.Section | None:
    if row is None:
        return None
    title = {
        "out": "Why is this out?",
        "due": "Why is this due?",
        "soon": "Why is this due soon?",
        "unknown": "Why is this unknown?",
    }.get(row["status"], "Why is this OK?")
    said = why_sentences(row, status, sessions, comparisons)
    return parts.section(title, html.Ol([html.Li(text) for text in said]), name="meter-why")


def why_sentences(
    row: Document, status: Document, sessions: list[Document], comparisons: list[Document]
) -> list[str]:
    """The status in words: the verdict first, then what it rests on, then where it is going."""
    said = [_first_upper(reason) for reason in row.get("reasons") or []]
    said.append(_rests_on(sessions, comparisons))
    if row.get("gain_error_pct") is None:
        return [*said, "Nothing could be fitted yet, so there is no probability to judge by."]
    said.append(
        f"Taking it all together, the gain error on {theme.day(status['as_of'])} is most likely "
        f"{theme.percent(row['gain_error_pct'])} and with 90 % probability between "
        f"{theme.span(row['interval90_pct']).replace(' to ', ' and ')}."
    )
    said.append(
        f"So it is within ± {theme.percent(row['tolerance_pct'], signed=False)} with a probability "
        f"of {theme.probability(row['p_within_tolerance'])}. {rule(status)}"
    )
    return [*said, *_ahead(row, status)]


def _first_upper(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".")


def _rests_on(sessions: list[Document], comparisons: list[Document]) -> str:
    if not sessions and not comparisons:
        return "It has not been measured yet: what is known of its group stands in for it."
    known = f"It rests on {theme.plural(len(sessions), 'bench session')}"
    if sessions:
        last = sessions[0]
        found = theme.plus_minus(last["gain_error_pct"], last["expanded_uncertainty_pct"], "%")
        known += f" (the last on {theme.day(last['measured_at'])} found {found})"
    return f"{known} and {theme.plural(len(comparisons), 'ride comparison')}."


def rule(status: Document) -> str:
    """From which probability a meter is called what."""
    target = status.get("reliability_target")
    bound = theme.probability(target) if target is not None else "the reliability target"
    return f"Below {bound} a meter is due, below 50{theme.NBSP}% it is out."


def _ahead(row: Document, status: Document) -> list[str]:
    said = []
    drift = row.get("drift_pct_per_year")
    if drift is not None:
        shown = theme.plus_minus(drift, theme.half90(row.get("drift_sd_pct_per_year")), "%")
        said.append(f"It drifts by {shown} a year (90 %), and is known less well every day.")
    then, now = theme.as_date(row.get("due_date")), theme.as_date(status["as_of"])
    if then is None:
        said.append("It does not become due within five years.")
    elif now and then > now:
        said.append(f"If nothing is measured before, it becomes due on {theme.day(then)}.")
    return said
