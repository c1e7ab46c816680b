"""The calibration record of a bench session and its label, as PDF.

Both are made from the door's `bench_record`: the `bench` document of the session, what was
entered, the mass set, and the meter's row of `status`.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from dashboard import theme
from dashboard.navigation import Document
from dashboard.pdf.sheet import Paper

LABEL_MM = (70.0, 36.0)
STAGES = {"as_found": "as found", "after_work": "after work", "as_left": "as left"}
SIDES = ("", "_left", "_right")
RULE = (
    "Decision rule: in tolerance if |e| + U ≤ the tolerance; out of tolerance if |e| − U > the "
    "tolerance; otherwise too close to the limit to call. U is the expanded uncertainty at 95 %, "
    "so the guard band is the whole of U on either side."
)
FORMULA = (
    "Expected torque = m · g · L · (1 − ρ_air/ρ_mass) · cos θ, with m the reference masses and "
    "their hanger, L the crank length (axle to pedal axle), θ the crank's angle from horizontal, "
    "ρ_air 1.2 kg/m³ and ρ_mass 8000 kg/m³. Gain error e = 100 · (reading / expected − 1) %, "
    "readings corrected for the zero read before and after; positive: the meter reads high."
)


def record_pdf(found: Document) -> bytes:
    """The record: what was measured, budget, verdict and its rule, before and after, who, when,
    and what it is traceable to."""
    document = found["document"]
    paper = Paper(f"Calibration record {document['session_id']}", made_at=_at(found))
    paper.foot = f"Calibration record {document['session_id']} · made by Slopewatch"
    paper.letters(17, bold=True)
    paper.line_of("Calibration record", 8)
    paper.prose("Static torque check of a power meter with reference masses.", 9)
    paper.ln(1)
    paper.facts(_identity(found))
    _result(paper, document)
    _slopes(paper, found)
    _readings(paper, document)
    _budget(paper, document)
    _traceability(paper, found)
    _remarks(paper, document)
    _signed(paper, found)
    return paper.made()


def label_pdf(found: Document) -> bytes:
    """A label of 70 × 36 mm for the meter: verdict, error, slope, day, next due date."""
    document, status = found["document"], found["status"]
    paper = Paper(f"Label {document['session_id']}", made_at=_at(found), size=LABEL_MM)
    paper.rect(1, 1, LABEL_MM[0] - 2, LABEL_MM[1] - 2)
    paper.letters(12, bold=True)
    paper.line_of(str(document["meter_id"]), 5.4)
    paper.letters(8, bold=True)
    paper.line_of(_verdict_now(document), 4)
    paper.letters(7)
    for text in (_error_now(document), _slope_now(found), _checked(found)):
        if text:
            paper.line_of(text, 3.6)
    paper.letters(9.5, bold=True)
    if status.get("taking_in"):
        paper.letters(7.5, bold=True)
    paper.line_of(f"Next due{_due(status)}", 5)
    paper.letters(6)
    paper.line_of(f"Session {document['session_id']}", 3)
    return paper.made()


def _unit(value: float | None, unit: str, digits: int, *, signed: bool = False) -> str:
    text = theme.number(value, digits, signed=signed)
    return text if text == theme.MISSING else f"{text} {unit}"


# --- parts of the record ------------------------------------------------------------------------


def _at(found: Document) -> datetime:
    text = str(found["entered"]["measured_at"] or "")
    try:
        return datetime.fromisoformat(text.replace("Z", "+00:00"))
    except ValueError:
        return datetime(2000, 1, 1, tzinfo=UTC)


def _identity(found: Document) -> list[tuple[str, str]]:
    document, entered, meter = found["document"], found["entered"], found["meter"]
    soak = _unit(entered["soak_min"], "min", 0)
    warm = _unit(entered["temperature_c"], "°C", 1)
    place = " · ".join(str(x) for x in (entered["place_id"], found["workshop"]) if x)
    return [
        ("Meter", str(document["meter_id"])),
        ("Serial number", str(meter.get("serial_number") or theme.MISSING)),
        ("Kind", theme.words(document["kind"])),
        ("Model group", str(meter.get("model_group") or theme.MISSING)),
        ("Session", str(document["session_id"])),
        ("Measured", f"{_at(found):%Y-%m-%d %H:%M} UTC"),
        ("Measured by", str(entered["technician"] or theme.MISSING)),
        ("Place", place or theme.MISSING),
        ("Temperature", warm if soak == theme.MISSING else f"{warm}, soaked {soak}"),
        ("Crank length", _unit(found["crank_length_mm"], "mm", 1)),
    ]


def _result(paper: Paper, document: Document) -> None:
    paper.heading("Result, as found")
    if document["gain_error_pct"] is None:
        paper.prose(f"No gain error: {document['reason'] or 'nothing was hung as found'}.")
    else:
        paper.letters(13, bold=True)
        paper.line_of(f"Gain error {_error(document, '')}", 6.5)
        paper.letters(11, bold=True)
        limit = theme.number(document["tolerance_pct"], 2)
        paper.line_of(f"{theme.VERDICTS[document['verdict']]} (tolerance ± {limit} %)", 5.6)
        paper.facts(_result_facts(document))
    paper.prose(RULE)


def _result_facts(document: Document) -> list[tuple[str, str]]:
    pairs = [
        ("Coverage factor k", theme.number(document["coverage_factor"], 2)),
        ("Effective dof", _dof(document["effective_dof"])),
        ("P within tolerance", theme.probability(document["p_in_tolerance"])),
        ("Zero offset", _unit(document["zero_offset_nm"], "N·m", 2, signed=True)),
        ("Left arm", theme.percent(document["gain_error_left_pct"])),
        ("Right arm", theme.percent(document["gain_error_right_pct"])),
        ("Rings, small − large", theme.percent(document["ring_difference_pct"])),
        ("Repeatability", theme.percent(document["repeatability_pct"], signed=False)),
        ("Linearity", theme.percent(document["linearity_pct"], signed=False)),
    ]
    return [(label, value) for label, value in pairs if value != theme.MISSING]


def _dof(value: float | None) -> str:
    return "infinite" if value is None else theme.number(value, 0)


def _error(document: Document, stage: str) -> str:
    """Gain error ± U of a stage ("" for as found, "as_left_", "after_work_")."""
    return theme.plus_minus(
        document[f"{stage}gain_error_pct"], document[f"{stage}expanded_uncertainty_pct"], "%"
    )


def _slopes(paper: Paper, found: Document) -> None:
    document, entered = found["document"], found["entered"]
    paper.heading("Before and after")
    rows = [
        [
            {"": "whole", "_left": "left", "_right": "right"}[side],
            theme.significant(entered[f"slope_before{side}"], 6),
            theme.significant(document[f"new_slope{side}"], 6),
            _after(entered, side),
        ]
        for side in SIDES
        if entered[f"slope_before{side}"] is not None or entered[f"slope_after{side}"] is not None
    ]
    if rows:
        convention = theme.words(document["slope_convention"])
        titles = ("Slope", "Before", "Recommended", "After")
        paper.rows(titles, rows, widths=(2, 3, 3, 3), numbers=(1, 2, 3))
        paper.prose(f"Slope convention: {convention}.")
    else:
        paper.prose("No slope was noted.")
    for stage in ("after_work", "as_left"):
        if document[f"{stage}_gain_error_pct"] is not None:
            verdict = theme.VERDICTS[document[f"{stage}_verdict"]]
            said = (
                f"{STAGES[stage].capitalize()}: {_error(document, f'{stage}_')}, {verdict.lower()}."
            )
            paper.prose(said)
    if document["as_left_gain_error_pct"] is None:
        paper.prose("As left: not measured.")
    if document["advice_text"]:
        advice = theme.ADVICE.get(document["advice"], "")
        paper.prose(f"Advice: {advice}. {theme.sentence(document['advice_text'])}")


def _after(entered: Document, side: str) -> str:
    after = entered[f"slope_after{side}"]
    same = after is None or after == entered[f"slope_before{side}"]
    return "unchanged" if same else theme.significant(after, 6)


def _readings(paper: Paper, document: Document) -> None:
    paper.heading("Readings")
    rows = [
        [
            STAGES.get(r["stage"], r["stage"]),
            _where(r),
            theme.number(r["mass_kg"], 3) if r["load"] == "mass" else theme.MISSING,
            theme.number(r["torque_nm"], 2),
            theme.number(r["zero_nm"], 2) if r["load"] == "mass" else theme.MISSING,
            theme.number(r["expected_torque_nm"] or None, 3),
            theme.percent(r["error_pct"]) if r["reason"] is None else f"left out: {r['reason']}",
        ]
        for r in document["readings"]
    ]
    titles = (
        *("Stage", "Reading", "Mass, kg", "Shown, N·m", "Zero, N·m", "Expected, N·m", "Error"),
    )
    paper.rows(titles, rows, widths=(4, 6, 4, 4.4, 4, 5, 4), numbers=(2, 3, 4, 5, 6))


def _where(reading: Document) -> str:
    if reading["load"] == "zero":
        return "zero"
    ring = reading["chainring"]
    named = f"{ring} ring" if ring in ("small", "large") else ring and f"ring of {ring}"
    words = [reading["arm"], named, reading["direction"]]
    return ", ".join(str(word) for word in words if word) or "masses"


def _budget(paper: Paper, document: Document) -> None:
    if not document["budget"]:
        return
    paper.heading("Uncertainty budget")
    terms = sorted(document["budget"], key=lambda t: -(t["standard_uncertainty_pct"] or 0.0))
    rows = [
        [
            theme.words(t["source"]),
            theme.number(t["standard_uncertainty_pct"], 3),
            t["type"],
            t["distribution"],
            _input(t),
            theme.number(100 * (t["share_of_variance"] or 0.0), 0),
        ]
        for t in terms
    ]
    u, k = document["standard_uncertainty_pct"], document["coverage_factor"]
    rows.append(["combined, k = 1", theme.number(u, 3), "", "", "", "100"])
    expanded = theme.number(document["expanded_uncertainty_pct"], 3)
    rows.append([f"expanded U, k = {theme.number(k, 2)}", expanded, "", "", "", ""])
    titles = ("Source", "u, %", "Type", "Distribution", "u of the input", "Share, %")
    paper.rows(titles, rows, widths=(6, 3, 2, 6, 5, 3), numbers=(1, 5))
    paper.prose(
        "Evaluated after JCGM 100:2008: independent terms added in quadrature, k from the "
        "t distribution at the effective degrees of freedom, 95 %."
    )


def _input(term: Document) -> str:
    if term["input_uncertainty"] is None:
        return ""
    return f"{term['input_uncertainty']:.2g} {term['input_unit'] or ''}".strip()


def _traceability(paper: Paper, found: Document) -> None:
    paper.heading("Traceable to")
    paper.prose(mass_words(found))
    gravity = found["gravity"]
    source = {
        "given": "given with the readings",
        "place": "the place's own value",
        "latitude": "computed from latitude and altitude (WGS84 normal gravity)",
        "assumed": "assumed, nothing is known of the place",
    }[gravity["source"]]
    paper.prose(f"Gravity: {gravity['value_ms2']:.5f} m/s², {source}.")
    paper.prose(FORMULA)


def mass_words(found: Document) -> str:
    """What the masses are known by, in a sentence or two."""
    kept, entered = found["mass_set"], found["entered"]
    mass, hanger = (
        entered[name] if entered[name] is not None else kept.get(name)
        for name in ("mass_kg", "hanger_mass_kg")
    )
    hung = f"{theme.number(mass, 3)} kg"
    if hanger:
        hung += f" and hanger {theme.number(hanger, 3)} kg"
    if not kept:
        return (
            f"Masses: {hung}; no mass set is named, so they are traceable to nothing that is "
            "on record."
        )
    said = [f"Mass set {kept['bench_id']}: {hung}"]
    if kept["mass_class"]:
        said.append(f"class {kept['mass_class']} (OIML R 111)")
    if kept["mass_tolerance_g"] is not None:
        said.append(f"limits ± {theme.number(kept['mass_tolerance_g'], 1)} g")
    if kept["source"] == "certificate":
        said.append(f"certificate {kept['certificate_no'] or 'without a number'}")
    dates = [
        f"{word} {kept[name]}"
        for word, name in (("calibrated on", "calibrated_on"), ("valid until", "due_on"))
        if kept[name]
    ]
    said += dates
    text = ", ".join(said) + "."
    if kept["source"] != "certificate":
        known = theme.words(kept["source"]) if kept["source"] else "known from the entry only"
        text += f" The masses are {known}: there is no certificate behind them."
    return text


def _remarks(paper: Paper, document: Document) -> None:
    said = [
        *(theme.sentence(s["text"]) for s in document["suspicions"]),
        *(theme.sentence(text) for text in document["findings"]),
        *(f"Assumed: {theme.sentence(text)}" for text in document["assumptions"]),
    ]
    if document["incomplete"]:
        said.insert(0, "Rows of this session were set aside at intake: it is incomplete.")
    if not said:
        return
    paper.heading("Remarks")
    for text in said:
        paper.prose(f"– {text}")


def _signed(paper: Paper, found: Document) -> None:
    paper.heading("Next")
    paper.prose(f"Next check due{_due(found['status'])}.")
    paper.prose("This is the team's own record, not the certificate of an accredited laboratory.")
    if paper.will_page_break(16):
        paper.add_page()
    paper.ln(9)
    paper.letters(8)
    paper.cell(80, 4, "Signed: ______________________________")
    paper.cell(0, 4, "Date: ____________________")


# --- the label ------------------------------------------------------------------------------------


def _last_stage(document: Document) -> str:
    """The stage that says how the meter leaves the bench."""
    for stage in ("as_left_", "after_work_"):
        if document[f"{stage}gain_error_pct"] is not None:
            return stage
    return ""


def _verdict_now(document: Document) -> str:
    verdict = document[f"{_last_stage(document)}verdict"]
    return theme.VERDICTS.get(verdict, "Not judged")


def _error_now(document: Document) -> str:
    stage = _last_stage(document)
    words = STAGES[stage.rstrip("_") or "as_found"]
    return f"{words.capitalize()} {_error(document, stage)}"


def _slope_now(found: Document) -> str:
    entered: dict[str, Any] = found["entered"]
    parts = []
    for side in SIDES:
        value = entered[f"slope_after{side}"] or entered[f"slope_before{side}"]
        if value is not None:
            word = side.strip("_")[:1].upper()
            parts.append(f"{word} {theme.significant(value, 6)}".strip())
    return f"Slope {' · '.join(parts)}" if parts else ""


def _checked(found: Document) -> str:
    by = found["entered"]["technician"]
    return f"{_at(found):%Y-%m-%d}" + (f" · {by}" if by else "")


def _due(status: Document) -> str:
    """With the space or colon before it. No date of before the session: the answers follow it."""
    if status.get("taking_in"):
        return ": being worked out, see the fleet page"
    due = status.get("due_date")
    if due:
        return f" {due}"
    return " not within five years" if status.get("p_within_tolerance") else " not known"
