"""The calibration record of a bench session, as PDF.

Made from what `bench_record` answers: the `bench` document of the session, what was entered, the
mass set, and the meter's row of `status`.
"""

from dashboard import theme
from dashboard.navigation import Document
from dashboard.pdf.session_words import SIDES, STAGES, due, error, measured_at
from dashboard.pdf.sheet import Paper
from dashboard.pdf.traceability import traceability
from dashboard.pdf.uncertainty import budget, readings

RULE = (
    "Decision rule: within tolerance if |e| + U ≤ the tolerance; out of tolerance if |e| − U > the "
    "tolerance; otherwise too close to the limit to call. U is the expanded uncertainty at 95 %, "
    "so the guard band is the whole of U on either side."
)


def record_pdf(found: Document) -> bytes:
    """Return the record: what was measured, verdict and its rule, budget, traceability, by whom."""
    document = found["document"]
    title = f"Calibration record {document['session_id']}"
    paper = Paper(title, made_at=measured_at(found))
    paper.foot = f"{title} · made by Slopewatch"
    paper.letters(17, bold=True)
    paper.line_of("Calibration record", 8)
    paper.prose("Static torque check of a power meter with reference masses.", 9)
    paper.ln(1)
    paper.facts(_identity(found))
    _result(paper, document)
    _before_and_after(paper, found)
    readings(paper, document)
    budget(paper, document)
    traceability(paper, found)
    _remarks(paper, document)
    _signature(paper, found)
    return paper.made()


def _identity(found: Document) -> list[tuple[str, str]]:
    document, entered, meter = found["document"], found["entered"], found["meter"]
    soak = theme.quantity(entered["soak_min"], "min", 0)
    warm = theme.quantity(entered["temperature_c"], "°C", 1)
    place = " · ".join(str(x) for x in (entered["place_id"], found["workshop"]) if x)
    return [
        ("Meter", str(document["meter_id"])),
        ("Serial number", str(meter.get("serial_number") or theme.MISSING)),
        ("Kind", theme.words(document["kind"])),
        ("Model group", str(meter.get("model_group") or theme.MISSING)),
        ("Session", str(document["session_id"])),
        ("Measured", f"{measured_at(found):%Y-%m-%d %H:%M} UTC"),
        ("Measured by", str(entered["technician"] or theme.MISSING)),
        ("Place", place or theme.MISSING),
        ("Temperature", warm if soak == theme.MISSING else f"{warm}, soaked {soak}"),
        ("Crank length", theme.quantity(found["crank_length_mm"], "mm", 1)),
    ]


def _result(paper: Paper, document: Document) -> None:
    paper.heading("Result, as found")
    if document["gain_error_pct"] is None:
        paper.prose(f"No gain error. {document['reason'] or 'Nothing was hung as found.'}")
    else:
        paper.letters(13, bold=True)
        paper.line_of(f"Gain error {error(document, 'as_found')}", 6.5)
        paper.letters(11, bold=True)
        limit = theme.within(document["tolerance_pct"], 2, "%")
        paper.line_of(f"{theme.VERDICTS[document['verdict']]} (tolerance {limit})", 5.6)
        paper.facts(_result_facts(document))
    paper.prose(RULE)


def _result_facts(document: Document) -> list[tuple[str, str]]:
    dof = document["effective_dof"]
    pairs = [
        ("Coverage factor k", theme.number(document["coverage_factor"], 2)),
        ("Effective dof", "infinite" if dof is None else theme.number(dof, 0)),
        ("P within tolerance", theme.probability(document["p_in_tolerance"])),
        ("Zero offset", theme.quantity(document["zero_offset_nm"], "N·m", signed=True)),
        ("Left arm", theme.percent(document["gain_error_left_pct"])),
        ("Right arm", theme.percent(document["gain_error_right_pct"])),
        ("Rings, small − large", theme.percent(document["ring_difference_pct"])),
        ("Repeatability", theme.percent(document["repeatability_pct"], signed=False)),
        ("Linearity", theme.percent(document["linearity_pct"], signed=False)),
    ]
    return [(label, value) for label, value in pairs if value != theme.MISSING]


def _before_and_after(paper: Paper, found: Document) -> None:
    document, entered = found["document"], found["entered"]
    step = document["slope_step"]
    paper.heading("Before and after")
    rows = [
        [
            word,
            theme.slope(entered[f"slope_before{side}"], step),
            theme.slope(document[f"recommended_slope{side}"], step),
            _after(entered, side, step),
        ]
        for side, word in SIDES.items()
        if entered[f"slope_before{side}"] is not None or entered[f"slope_after{side}"] is not None
    ]
    if rows:
        titles = ("Slope", "Before", "Recommended", "After")
        paper.rows(titles, rows, widths=(2, 3, 3, 3), numbers=(1, 2, 3))
        paper.prose(f"Slope convention: {theme.words(document['slope_convention'])}.")
    else:
        paper.prose("No slope was noted.")
    for stage in ("after_work", "as_left"):
        if document[f"{stage}_gain_error_pct"] is not None:
            verdict = theme.VERDICTS[document[f"{stage}_verdict"]].lower()
            paper.prose(f"{STAGES[stage].capitalize()}: {error(document, stage)}, {verdict}.")
    if document["as_left_gain_error_pct"] is None:
        paper.prose("As left: not measured.")
    if document["advice_text"]:
        advice = theme.ADVICE.get(document["advice"], "")
        paper.prose(f"Advice: {advice}. {document['advice_text']}")


def _after(entered: Document, side: str, step: float | None) -> str:
    after = entered[f"slope_after{side}"]
    same = after is None or after == entered[f"slope_before{side}"]
    return "unchanged" if same else theme.slope(after, step)


def _remarks(paper: Paper, document: Document) -> None:
    incomplete = "Rows of this session were set aside at intake: it is incomplete."
    remarks = [
        *([incomplete] if document["incomplete"] else []),
        *(suspicion["text"] for suspicion in document["suspicions"]),
        *document["findings"],
    ]
    for title, texts in (("Remarks", remarks), ("Assumptions", document["assumptions"])):
        if texts:
            paper.heading(title)
        for text in texts:
            paper.prose(f"– {text}")


def _signature(paper: Paper, found: Document) -> None:
    paper.heading("Next")
    paper.prose(f"Next check {due(found['status'])}.")
    paper.prose("This is the team's own record, not the certificate of an accredited laboratory.")
    if paper.will_page_break(16):
        paper.add_page()
    paper.ln(9)
    paper.letters(8)
    paper.cell(80, 4, "Signed: ______________________________")
    paper.cell(0, 4, "Date: ____________________")
