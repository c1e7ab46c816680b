"""Why a meter has its status, in words that a person can check."""

from collections.abc import Sequence

from dash import html

from dashboard import components as parts
from dashboard import theme
from dashboard.navigation import Document
from dashboard.theme import NBSP

TITLES = {
    "out": "Why is this out?",
    "due": "Why is this due?",
    "soon": "Why is this due soon?",
    "unknown": "Why is this unknown?",
}


def why(
    row: Document | None,
    status: Document,
    sessions: Sequence[Document],
    comparisons: Sequence[Document],
) -> html.Section | None:
    """Return the reasons for the status under a question; nothing for a meter without one."""
    if row is None:
        return None
    title = TITLES.get(row["status"], "Why is this OK?")
    said = why_sentences(row, status, sessions, comparisons)
    return parts.section(title, html.Ol([html.Li(text) for text in said]), name="meter-why")


def why_sentences(
    row: Document, status: Document, sessions: Sequence[Document], comparisons: Sequence[Document]
) -> list[str]:
    """Return the models' reasons, then what they rest on and the rule that gives the status."""
    said = [theme.sentence(reason) for reason in parts.reasons(row)]
    said.append(_rests_on(sessions, comparisons))
    if row.get("p_within_tolerance") is None:
        return [*said, "Nothing could be fitted yet, so there is no probability to judge by."]
    return [*said, rule(status)]


def _rests_on(sessions: Sequence[Document], comparisons: Sequence[Document]) -> str:
    if not sessions and not comparisons:
        return "It has not been measured yet: its numbers are those of its group."
    known = f"This rests on {theme.plural(len(sessions), 'bench session')}"
    if sessions:
        last = sessions[0]
        found = theme.plus_minus(last["gain_error_pct"], last["expanded_uncertainty_pct"], "%")
        known += f" (the last, on {theme.day(last['measured_at'])}, found {found}, U at 95{NBSP}%)"
    return f"{known}, {theme.plural(len(comparisons), 'ride comparison')} and its group."


def rule(status: Document) -> str:
    """Return the rule by which a probability becomes a status."""
    target = status.get("reliability_target")
    bound = theme.probability(target) if target is not None else "the reliability target"
    return (
        f"Below {bound} probability of being within tolerance a meter is due; "
        f"below 50{NBSP}% it is out."
    )
