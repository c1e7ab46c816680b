"""The tables of a calibration record: readings and uncertainty budget."""

from dashboard import theme
from dashboard.navigation import Document
from dashboard.pdf.session_words import STAGES
from dashboard.pdf.sheet import Paper

READINGS = ("Stage", "Reading", "Mass, kg", "Shown, N·m", "Zero, N·m", "Expected, N·m", "Error")
BUDGET = ("Source", "u, %", "Type", "Distribution", "u of the input", "Share, %")
METHOD = (
    "Evaluated after JCGM 100:2008: independent terms added in quadrature, k from the "
    "t distribution at the effective degrees of freedom, 95 %."
)


def readings(paper: Paper, document: Document) -> None:
    """Write every reading, with what was expected."""
    paper.heading("Readings")
    rows = [_reading(reading) for reading in document["readings"]]
    paper.rows(READINGS, rows, widths=(4, 6, 4, 4.4, 4, 5, 4), numbers=(2, 3, 4, 5, 6))


def _reading(r: Document) -> list[str]:
    hung = r["load"] == "mass"
    return [
        STAGES.get(r["stage"], str(r["stage"])),
        _where(r),
        theme.number(r["mass_kg"], 3) if hung else theme.MISSING,
        theme.number(r["torque_nm"], 2),
        theme.number(r["zero_nm"], 2) if hung else theme.MISSING,
        theme.number(r["expected_torque_nm"] or None, 3),
        theme.percent(r["error_pct"]) if r["reason"] is None else f"Left out. {r['reason']}",
    ]


def _where(reading: Document) -> str:
    """Return what a reading was taken with: left, small ring, up."""
    if reading["load"] == "zero":
        return "zero"
    ring = reading["chainring"]
    named = f"{ring} ring" if ring in ("small", "large") else ring and f"ring of {ring}"
    return theme.listed(reading["arm"], named, reading["direction"]) or "masses"


def budget(paper: Paper, document: Document) -> None:
    """Write the uncertainty budget, the largest term first; nothing without a gain error."""
    if not document["budget"]:
        return
    paper.heading("Uncertainty budget")
    terms = sorted(document["budget"], key=lambda t: -(t["standard_uncertainty_pct"] or 0.0))
    k = theme.number(document["coverage_factor"], 2)
    u = theme.number(document["standard_uncertainty_pct"], 3)
    expanded = theme.number(document["expanded_uncertainty_pct"], 3)
    rows = [
        *map(_term, terms),
        ["combined, k = 1", u, "", "", "", "100"],
        [f"expanded U, k = {k}", expanded, "", "", "", ""],
    ]
    paper.rows(BUDGET, rows, widths=(6, 3, 2, 6, 5, 3), numbers=(1, 5))
    paper.prose(METHOD)


def _term(term: Document) -> list[str]:
    u = term["input_uncertainty"]
    return [
        theme.words(term["source"]),
        theme.number(term["standard_uncertainty_pct"], 3),
        term["type"],
        term["distribution"],
        "" if u is None else f"{u:.2g} {term['input_unit'] or ''}".strip(),
        theme.number(100 * (term["share_of_variance"] or 0.0), 0),
    ]
