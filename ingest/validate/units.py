"""Units as people write them beside a number, and how much of the column's own unit they are."""

import re

import polars as pl

# Quantity by quantity: each unit of the schema or of a workshop, as a multiple of the first one.
_FACTORS: tuple[dict[str, float], ...] = (
    {"kg": 1.0, "g": 1e-3, "mg": 1e-6, "lb": 0.45359237, "oz": 0.45359237 / 16},
    {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8, "km": 1e6},
    {
        "N·m": 1.0,
        "N·mm": 1e-3,
        "N·cm": 1e-2,
        "kN·m": 1e3,
        "in·lb": 0.0254 * 4.4482216152605,
        "ft·lb": 0.3048 * 4.4482216152605,
        "kgf·m": 9.80665,
        "kgf·cm": 0.0980665,
    },
    {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0, "days": 86400.0},
    {"W": 1.0, "kW": 1000.0},
    {"V": 1.0, "mV": 1e-3},
    {"m/s²": 1.0, "cm/s²": 0.01},
    {"%": 1.0, "‰": 0.1},
)
# As they are written, in small letters, without spaces, points and signs of multiplication.
_SPELLINGS: dict[str, str] = {
    "kg": "kg kgs kilo kilos kilogram kilograms kilogramm kilogrammes",
    "g": "g gr gram grams gramm grammes",
    "mg": "mg milligram milligrams",
    "lb": "lb lbs pound pounds",
    "oz": "oz ounce ounces",
    "mm": "mm millimetre millimetres millimeter millimeters",
    "cm": "cm centimetre centimetres centimeter centimeters",
    "m": "m metre metres meter meters mètres",
    "in": 'in inch inches zoll " ″',
    "ft": "ft foot feet",
    "km": "km",
    "N·m": "nm newtonmetre newtonmetres newtonmeter newtonmeters",
    "N·mm": "nmm mnm",
    "N·cm": "ncm",
    "kN·m": "knm",
    "in·lb": "inlb inlbs lbin lbsin inlbf lbfin inchpound inchpounds poundinch poundinches",
    "ft·lb": "ftlb ftlbs lbft lbsft ftlbf lbfft footpound footpounds poundfoot poundfeet",
    "kgf·m": "kgfm kgm mkg kpm mkp",
    "kgf·cm": "kgfcm kgcm",
    "s": "s sec secs second seconds sek sekunden secondes",
    "ms": "ms msec",
    "min": "min mins minute minutes minuten minuti",
    "h": "h hr hrs hour hours std stunden heures",
    "days": "d day days tage jours",
    "W": "w watt watts",
    "kW": "kw",
    "V": "v volt volts",
    "mV": "mv",
    "m/s²": "m/s² m/s2 m/s^2 ms2",
    "cm/s²": "cm/s² cm/s2 gal",
    "%": "% pct percent prozent",
    "‰": "‰",
    "°C": "°c ºc c degc celsius",
    "°F": "°f ºf f degf fahrenheit",
    "K": "k kelvin",
    "°": "° º deg degree degrees",
    "rpm": "rpm u/min tr/min /min",
    "teeth": "t th teeth tooth z zähne dents denti dientes tanden",
    "a week": "/week perweek aweek /wk /woche",
}
_SQUEEZED = r"[\s.·⋅*×\-_]+"
UNIT_OF = {spelling: unit for unit, said in _SPELLINGS.items() for spelling in said.split()}
_NUMBER = r"[+\-−–]?\s*(?:\d[\d.,'’\s]*|[.,]\d+)(?:[eE][+\-]?\d+)?"
WITH_UNIT = rf"^({_NUMBER})\s*([^\d\s.,+\-].*?)\.?$"
_WITH_UNIT = re.compile(WITH_UNIT)


def split_unit(text: str) -> tuple[str, str] | None:
    """Return a cell's number, as text, and the unit behind it by its name here; "" if unknown."""
    found = _WITH_UNIT.match(text.strip())
    if not found:
        return None
    return found[1].strip(), UNIT_OF.get(re.sub(_SQUEEZED, "", found[2].lower()), "")


def without_own_unit(cells: pl.Series, unit: str) -> pl.Series:
    """Return text cells without the unit where it is the column's own: "20,01 kg" is "20,01"."""
    own = [spelling for spelling, name in UNIT_OF.items() if name == unit]
    if not own:
        return cells
    parts = cells.str.extract_groups(WITH_UNIT).struct.unnest()
    said = pl.col("2").str.to_lowercase().str.replace_all(_SQUEEZED, "")
    bare = pl.when(said.is_in(own)).then(pl.col("1").str.strip_chars())
    return parts.select(pl.coalesce(bare, pl.lit(cells)).alias(cells.name)).to_series()


def converted(amount: float, unit: str, into: str) -> float | None:
    """Return an amount in another unit of the same quantity; None if there is no such way."""
    if unit == into:
        return amount
    if into == "°C" and unit in ("°F", "K"):
        return (amount - 32) / 1.8 if unit == "°F" else amount - 273.15
    for factors in _FACTORS:
        if unit in factors and into in factors:
            return amount * factors[unit] / factors[into]
    return None
