"""A meter's bench sessions: one line each, and one of them in full."""

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard import components as parts
from dashboard import figures, theme
from dashboard.navigation import Document


def sessions_part(
    sessions: Sequence[Document], actions: Sequence[Any] = (), *, taken_in: bool = False
) -> html.Section:
    """Return the list of sessions, newest first, and the newest one in full.

    actions: what can be done with the newest; taken_in: whether there are some to be evaluated
    """
    if not sessions:
        none = ("No bench session yet.", "Load one with the table “bench”.")
        soon = ("Being evaluated.", "The sessions are listed once the models are refitted.")
        return parts.section(
            "Bench sessions",
            parts.empty(*(soon if taken_in else none)),
            name="meter-sessions",
        )
    return parts.section(
        "Bench sessions",
        parts.table(
            "meter-sessions",
            [session_row(s) for s in sessions],
            session_columns(),
            key="session_id",
            options=parts.CHOOSE_ONE,
        ),
        html.Div(
            session_detail(sessions[0], actions), id="meter-session", **parts.aria(live="polite")
        ),
        name="meter-sessions",
        note="The gain error as found ± its expanded uncertainty U (95 %). Choose a session to see "
        "its readings and its uncertainty budget.",
    )


def session_row(session: Document) -> Document:
    """Return one line of the sessions' table."""
    largest = largest_term(session)
    return {
        "session_id": session["session_id"],
        "measured_at": theme.iso(session["measured_at"]),
        "gain_error_pct": session["gain_error_pct"],
        "found_text": theme.plus_minus(
            session["gain_error_pct"], session["expanded_uncertainty_pct"], "%"
        ),
        "verdict": theme.VERDICTS.get(session["verdict"], theme.words(session["verdict"])),
        "advice": theme.ADVICE.get(session["advice"], theme.words(session["advice"])),
        "as_left_gain_error_pct": session.get("as_left_gain_error_pct"),
        "left_text": theme.percent(session.get("as_left_gain_error_pct")),
        "slope": _slope_words(session),
        "largest": f"{theme.words(largest['source'])}, u {_u(largest)}" if largest else None,
        "suspicions": " ".join(theme.sentence(s["text"]) for s in session.get("suspicions") or []),
    }


def _slope_words(session: Document) -> str | None:
    before, after = session.get("slope_before"), session.get("slope_after")
    if before is None and after is None:
        return None
    step = session.get("slope_step")
    if after is None or after == before:
        return f"{theme.slope(before, step)}, unchanged"
    return f"{theme.slope(before, step)} → {theme.slope(after, step)}"


def largest_term(session: Document) -> Document | None:
    """Return the budget's largest source of uncertainty; None where no number is known."""
    terms = [t for t in session.get("budget") or [] if t["standard_uncertainty_pct"] is not None]
    return max(terms, key=lambda t: float(t["standard_uncertainty_pct"]), default=None)


def _u(term: Document) -> str:
    return theme.percent(term["standard_uncertainty_pct"], signed=False)


def session_columns() -> list[Document]:
    """Return the columns of the sessions' table."""
    return [
        parts.day_column("measured_at", "Date"),
        parts.number_column("gain_error_pct", "Found ± U", "found_text", width=136),
        parts.text_column("verdict", "Verdict", width=150),
        parts.text_column("advice", "Advice", flex=1, minWidth=150, since=560),
        parts.word_column("slope", "Slope", width=136, since=700),
        parts.number_column("as_left_gain_error_pct", "As left", "left_text", width=96, since=900),
        parts.text_column("largest", "Largest uncertainty", flex=1, minWidth=170, since=800),
        parts.text_column("suspicions", "Suspicion", flex=2, minWidth=200, since=1100),
        parts.word_column("session_id", "Session", width=120, since=1300),
    ]


def session_detail(session: Document, actions: Sequence[Any] = ()) -> list[Any]:
    """Return one session in full: suspicions first, what can be done, readings and budget."""
    by = f", {session['technician']}" if session.get("technician") else ""
    suspicions = session.get("suspicions") or []
    return [
        html.H3(f"Session {session['session_id']}, {theme.day(session['measured_at'])}{by}"),
        *[parts.warning(theme.sentence(found["text"])) for found in suspicions],
        *actions,
        _drawn(session),
        parts.facts(_session_facts(session)),
        html.Div(
            [_readings(session.get("readings") or []), _budget(session.get("budget") or [])],
            className="side-by-side",
        ),
    ]


def _drawn(session: Document) -> html.Figure | None:
    """Return the session on one line; nothing where it came to no number."""
    if session["gain_error_pct"] is None:
        return None
    told = f"The session on one line: found {session_row(session)['found_text']}"
    limit, forecast = session.get("tolerance_pct"), session.get("forecast90_pct")
    told += f", forecast {theme.span(forecast)} (90{theme.NBSP}%)" if forecast else ""
    told += f", tolerated {theme.within(limit, 1, '%')}." if limit else "."
    return parts.chart("meter-session-line", figures.bench_session(session), told, height_px=210)


def _session_facts(session: Document) -> list[tuple[str, Any]]:
    percent = theme.percent
    pairs: list[tuple[str, str]] = [
        ("Zero offset", theme.quantity(session.get("zero_offset_nm"), "N·m", signed=True)),
        ("Left arm", percent(session.get("gain_error_left_pct"))),
        ("Right arm", percent(session.get("gain_error_right_pct"))),
        ("Chainrings, small − large", percent(session.get("ring_difference_pct"))),
        ("Linearity", percent(session.get("linearity_pct"), signed=False)),
        ("Repeatability", percent(session.get("repeatability_pct"), signed=False)),
        ("Probability within tolerance", theme.probability(session.get("p_in_tolerance"))),
        ("Recommended slope", theme.recommended_slopes(session)),
        ("Coverage factor k", theme.number(session.get("coverage_factor"))),
    ]
    return [pair for pair in pairs if pair[1] != theme.MISSING]


def _readings(readings: Sequence[Document]) -> html.Div:
    rows = [
        (
            theme.words(r["stage"]),
            _hung(r),
            theme.number(r["torque_nm"]),
            theme.number(r["expected_torque_nm"]),
            theme.percent(r["error_pct"]),
        )
        for r in readings
    ]
    titles = ("Stage", "Reading", "Shown, N·m", "Expected, N·m", "Error")
    table = parts.plain_table(titles, rows, name="Readings", numbers=(2, 3, 4))
    return html.Div([html.H4("Readings"), table])


def _hung(reading: Document) -> str:
    """Return what a reading was taken with: small ring, left, up."""
    if reading["load"] == "zero":
        return "zero"
    ring = reading.get("chainring")
    named = f"{ring} ring" if ring in ("small", "large") else ring
    return theme.listed(named, reading.get("arm"), reading.get("direction")) or "mass"


def _budget(budget: Sequence[Document]) -> html.Div:
    terms = sorted(budget, key=lambda t: -(t["standard_uncertainty_pct"] or 0.0))
    rows = [(theme.words(t["source"]), _u(t), t["type"], theme.words(t["shared"])) for t in terms]
    titles = ("Source", "u", "Type", "Shared within one")
    table = parts.plain_table(titles, rows, name="Uncertainty budget", numbers=(1,))
    return html.Div([html.H4("Uncertainty budget"), table])
