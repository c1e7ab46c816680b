"""A label for the meter: verdict, error, slope, day, next due date."""

from dashboard import theme
from dashboard.navigation import Document
from dashboard.pdf.session_words import SIDES, STAGES, due, error, measured_at
from dashboard.pdf.sheet import Paper

LABEL_MM = (70.0, 36.0)
LETTERS = {"": "", "_left": "L ", "_right": "R "}


def label_pdf(found: Document) -> bytes:
    """Return a label of 70 × 36 mm as PDF. In: what `bench_record` answers."""
    document, status = found["document"], found["status"]
    session_id = document["session_id"]
    paper = Paper(f"Label {session_id}", made_at=measured_at(found), size=LABEL_MM)
    paper.rect(1, 1, LABEL_MM[0] - 2, LABEL_MM[1] - 2)
    paper.letters(12, bold=True)
    paper.line_of(str(document["meter_id"]), 5.4)
    paper.letters(8, bold=True)
    stage = _last_stage(document)
    paper.line_of(_verdict(document, stage), 4)
    paper.letters(7)
    for text in (f"{STAGES[stage].capitalize()} {error(document, stage)}", *_more(found)):
        paper.line_of(text, 3.6)
    paper.letters(7.5 if status.get("taking_in") else 9.5, bold=True)
    paper.line_of(f"Next {due(status)}", 5)
    paper.letters(6)
    paper.line_of(f"Session {session_id}", 3)
    return paper.made()


def _last_stage(document: Document) -> str:
    """Return the stage that says how the meter leaves the bench."""
    measured = (s for s in ("as_left", "after_work") if document[f"{s}_gain_error_pct"] is not None)
    return next(measured, "as_found")


def _verdict(document: Document, stage: str) -> str:
    verdict = document["verdict" if stage == "as_found" else f"{stage}_verdict"]
    return theme.VERDICTS.get(verdict, "Not judged")


def _more(found: Document) -> list[str]:
    """Return the slope that the meter leaves with, where one was noted; the day, and by whom."""
    entered, step = found["entered"], found["document"]["slope_step"]
    values = [(s, entered[f"slope_after{s}"] or entered[f"slope_before{s}"]) for s in SIDES]
    slopes = [
        f"{LETTERS[side]}{theme.slope(value, step)}" for side, value in values if value is not None
    ]
    by = f" · {entered['technician']}" if entered["technician"] else ""
    day = f"{measured_at(found):%Y-%m-%d}{by}"
    return [f"Slope {' · '.join(slopes)}", day] if slopes else [day]
