"""The evidence about a group or a batch, to send to a maker."""

from datetime import UTC, datetime, time

from dashboard import theme
from dashboard.navigation import Document
from dashboard.pdf.sheet import Paper

MEMBERS = ("Meter", "Serial", "In service", "Stated", "Error as delivered, 90 %", "Exceeds it")
SESSIONS = ("Meter", "Day", "Session", "Found", "U (95 %)", "Slope", "Masses")


def claim_pdf(found: Document) -> bytes:
    """Return the evidence as PDF. In: what `group_warranty` answers."""
    day = theme.as_date(found["as_of"])
    assert day is not None  # every answer says its day
    paper = Paper(f"Evidence {found['name']}", made_at=datetime.combine(day, time(), UTC))
    paper.foot = f"Evidence about {found['name']}, {theme.day(found['as_of'])}"
    paper.heading(f"Evidence about {found['name']}", 14)
    paper.prose(found["text"])
    for text in found["lacks"]:
        paper.prose(theme.sentence(text))
    paper.heading("Meters")
    paper.rows(MEMBERS, [member(row) for row in found["meters"]], widths=(10, 14, 14, 10, 26, 12))
    paper.heading("Bench sessions")
    rows = [session(row) for row in found["sessions"]]
    paper.rows(SESSIONS, rows, widths=(10, 14, 20, 12, 12, 12, 12), numbers=(3, 4, 5))
    paper.prose(
        "Errors as delivered are those of the sensor with every change of its slope since undone. "
        "U is the expanded uncertainty of a session; the comparison with the team's other meters "
        "takes what mass sets and places have in common into account."
    )
    return paper.made()


def member(row: Document) -> tuple[str, ...]:
    """Return a meter's line: what is stated, and how far off it is."""
    stated = row["stated_accuracy_pct"]
    return (
        row["meter_id"],
        row["serial_number"] or theme.MISSING,
        theme.day(row["in_service_on"]),
        theme.MISSING if stated is None else f"± {stated:g} %",
        theme.estimate(
            theme.percent(row["factory_slope_error_pct"]), theme.span(row["interval90_pct"])
        ),
        theme.probability(row["p_exceeds_stated"]),
    )


def session(row: Document) -> tuple[str, ...]:
    """Return a session's line."""
    return (
        row["meter_id"],
        theme.day(row["measured_at"]),
        row["session_id"],
        theme.percent(row["gain_error_pct"]),
        f"± {theme.number(row['expanded_uncertainty_pct'], 2)} %",
        theme.number(row["slope_before"], 2),
        row["bench_id"] or theme.MISSING,
    )
