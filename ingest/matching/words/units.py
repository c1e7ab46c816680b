"""Units of mass, length, torque and the rest: how they are written, and what one is worth."""

import re
from typing import NamedTuple


class Unit(NamedTuple):
    """A unit: how it is called, and what one of it is worth in the schema's unit."""

    name: str
    quantity: str
    factor: float


KG, G, LB = Unit("kg", "mass", 1.0), Unit("g", "mass", 0.001), Unit("lb", "mass", 0.45359237)
MM, CM, INCH, METRE = (
    Unit("mm", "length", 1.0),
    Unit("cm", "length", 10.0),
    Unit("in", "length", 25.4),
    Unit("m", "length", 1000.0),
)
# lbf = 4.4482216152605 N, kgf = 9.80665 N; exact by definition.
NM, IN_LB, FT_LB, KGF_M = (
    Unit("N·m", "torque", 1.0),
    Unit("in·lb", "torque", 4.4482216152605 * 0.0254),
    Unit("ft·lb", "torque", 4.4482216152605 * 0.3048),
    Unit("kgf·m", "torque", 9.80665),
)
N_MM, N_CM = Unit("N·mm", "torque", 0.001), Unit("N·cm", "torque", 0.01)
KGF_CM = Unit("kgf·cm", "torque", 0.0980665)
PERCENT = Unit("%", "percent", 1.0)
CELSIUS, FAHRENHEIT = Unit("°C", "temperature", 1.0), Unit("°F", "temperature", 1.0)
WATT, KILOWATT = Unit("W", "power", 1.0), Unit("kW", "power", 1000.0)
RPM, VOLT = Unit("rpm", "cadence", 1.0), Unit("V", "voltage", 1.0)
MILLIVOLT = Unit("mV", "voltage", 0.001)
SECOND, MINUTE = Unit("s", "time", 1.0), Unit("min", "time", 60.0)
HOUR = Unit("h", "time", 3600.0)
MONEY = Unit("money", "money", 1.0)  # amounts are kept in the currency they are in

_DOT = r"[\s·.*×x\-/]?"
_LB = r"(?:lbf|lbs|lb|pounds?|pfund|livres?|libras?|libbre|pond)\.?"
_PATTERNS: tuple[tuple[str, Unit], ...] = (
    (rf"(?:in|inch|zoll){_DOT}{_LB}", IN_LB),
    (rf"{_LB}{_DOT}(?:in|inch)", IN_LB),
    (rf"(?:ft|foot|feet|fuss){_DOT}{_LB}", FT_LB),
    (rf"{_LB}{_DOT}(?:ft|foot|feet)", FT_LB),
    (rf"(?:kgf|kp|kg){_DOT}m|m{_DOT}kg|mkp", KGF_M),
    (rf"n{_DOT}mm", N_MM),
    (rf"n{_DOT}cm", N_CM),
    (rf"(?:kgf|kp|kg){_DOT}cm", KGF_CM),
    (rf"n{_DOT}m|newton\s?met(?:re|er)s?", NM),
    (r"kg|kgs|kilos?|kilogramm?e?s?|chilogrammi", KG),
    (_LB, LB),
    (r"g|gr|gramm?e?s?", G),
    (r"mm|millimet(?:re|er)s?", MM),
    (r"cm|centimet(?:re|er)s?|zentimeter", CM),
    (r'in|inch|inches|zoll|pouces?|pollici|pulgadas|"|″', INCH),
    (r"m|met(?:re|er)s?", METRE),
    (r"%|percent|prozent|pct", PERCENT),
    (r"°\s?c|deg\s?c|celsius|c", CELSIUS),
    (r"°\s?f|deg\s?f|fahrenheit|f", FAHRENHEIT),
    (r"w|watts?", WATT),
    (r"kw", KILOWATT),
    (r"rpm|u/min|1/min|min-1|tr/min|giri/min|omw/min", RPM),
    (r"v|volts?", VOLT),
    (r"mv", MILLIVOLT),
    (r"s|sec|secs|sek|seconds?", SECOND),
    (r"min|mins|minutes?|minuten", MINUTE),
    (r"h|hrs?|hours?|std", HOUR),
    (r"€|eur|euros?|\$|usd|£|gbp|chf|fr", MONEY),
)
_WHOLE = tuple((re.compile(rf"(?:{pattern})\.?"), unit) for pattern, unit in _PATTERNS)
_IN_BRACKETS = re.compile(r"[(\[{]\s*([^()\[\]{}]+?)\s*[)\]}]")
# A unit without brackets at a heading's end; short ones that are also words need brackets, and
# "in lbs" there says that the unit is lb.
_AT_END = re.compile(
    rf"(?:^|[\s,;:_/])(in[·.*×x\-/]?{_LB}|{_LB}{_DOT}in|ft{_DOT}{_LB}|{_LB}{_DOT}ft|kgf?{_DOT}m|n{_DOT}m"
    r"|kg|lbs?|mm|cm|°\s?c|°\s?f|%|rpm|watts?|kw|nm)\.?$"
)
UNITS: dict[str, Unit] = {
    unit.name: unit
    for unit in (
        *(
            KG,
            G,
            LB,
            MM,
            CM,
            INCH,
            METRE,
            NM,
            IN_LB,
            FT_LB,
            KGF_M,
            N_MM,
            N_CM,
            KGF_CM,
            PERCENT,
            CELSIUS,
            FAHRENHEIT,
        ),
        *(WATT, KILOWATT, RPM, VOLT, MILLIVOLT, SECOND, MINUTE, HOUR),
    )
}


def unit_named(text: str) -> Unit | None:
    """Return the unit that a whole text is: `[kg]`, `in-lbs`, `°C`; None if it is none."""
    plain = text.strip().strip("()[]{}").strip().lower().replace("⋅", "·").replace("∙", "·")
    for pattern, unit in _WHOLE:
        if pattern.fullmatch(plain):
            return unit
    return None


def unit_in(heading: str) -> tuple[str, Unit | None]:
    """Return a heading without the unit it states, and the unit: `Masse [kg]`, `torque Nm`."""
    for found in _IN_BRACKETS.finditer(heading):
        inside = re.sub(r"^in\s+(?=[a-zA-Z°%])", "", found.group(1))
        unit = unit_named(inside) or unit_named(found.group(1))
        if unit:
            return (heading[: found.start()] + " " + heading[found.end() :]).strip(), unit
    lower = heading.lower().replace("⋅", "·").replace("∙", "·")
    end = _AT_END.search(lower)
    if end:
        return heading[: end.start(1)].rstrip(" ,;:_/").removesuffix(" in"), unit_named(
            end.group(1)
        )
    return heading, None
