"""What a bench session is traceable to: its masses, its gravity, the formula."""

from dashboard import theme
from dashboard.navigation import Document
from dashboard.pdf.sheet import Paper

FORMULA = (
    "Expected torque = m · g · L · (1 − ρ_air/ρ_mass) · cos θ, with m the reference masses and "
    "their hanger, L the crank length (axle to pedal axle), θ the crank's angle from horizontal, "
    "ρ_air 1.2 kg/m³ and ρ_mass 8000 kg/m³. Gain error e = 100 · (reading / expected − 1) %, "
    "readings corrected for the zero read before and after; positive: the meter reads high."
)
GRAVITY = {
    "given": "given with the readings",
    "place": "the place's own value",
    "latitude": "computed from latitude and altitude (WGS84 normal gravity)",
    "assumed": "assumed, nothing is known of the place",
}


def traceability(paper: Paper, found: Document) -> None:
    """Write what the session is traceable to."""
    gravity = found["gravity"]
    paper.heading("Traceable to")
    paper.prose(mass_words(found))
    paper.prose(f"Gravity: {gravity['value_ms2']:.5f} m/s², {GRAVITY[gravity['source']]}.")
    paper.prose(FORMULA)


def mass_words(found: Document) -> str:
    """Return what the masses are known by, in a sentence or two."""
    kept, entered = found["mass_set"], found["entered"]
    mass, hanger = (
        entered[name] if entered[name] is not None else kept.get(name)
        for name in ("mass_kg", "hanger_mass_kg")
    )
    hung = theme.quantity(mass, "kg", 3)
    if hanger:
        hung += f" and hanger {theme.quantity(hanger, 'kg', 3)}"
    if not kept:
        return (
            f"Masses: {hung}; no mass set is named, so they are traceable to nothing that is "
            "on record."
        )
    text = ", ".join([f"Mass set {kept['bench_id']}: {hung}", *_stated(kept)]) + "."
    if kept["source"] == "certificate":
        return text
    known = theme.words(kept["source"]) if kept["source"] else "known from the entry only"
    return f"{text} The masses are {known}: there is no certificate behind them."


def _stated(kept: Document) -> list[str]:
    """Return what is stated of a mass set: class, limits, certificate and its days."""
    found = []
    if kept["mass_class"]:
        found.append(f"class {kept['mass_class']} (OIML R 111)")
    if kept["mass_tolerance_g"] is not None:
        found.append(f"limits {theme.within(kept['mass_tolerance_g'], 1, 'g')}")
    if kept["source"] == "certificate":
        found.append(f"certificate {kept['certificate_no'] or 'without a number'}")
    days = (("calibrated on", "calibrated_on"), ("valid until", "due_on"))
    return found + [f"{word} {kept[name]}" for word, name in days if kept[name]]
