"""The constants of this room that the bench page's own arithmetic shares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import ModuleType

from models.bench.causes import checks, mistakes, neighbours, own_past, suspicions, weighing

_SHARED: Mapping[ModuleType, Sequence[str]] = {
    own_past: ("UNKNOWN_SD", "SECONDS_A_YEAR"),
    weighing: (
        *("KNOCKED_SHARE", "KNOCKED_SD", "OFFSET_SD_NM", "REMAINS", "ABSURD", "LEAST_NONE"),
    ),
    suspicions: (
        *(
            "OPEN_FROM",
            "OPEN_FROM_UNKNOWN",
            "WORTH_NAMING",
            "QUIET",
            "SOAKED_MIN",
            "DEAD_RATIO",
            "ODD_READING",
        ),
        "POINT",
    ),
    mistakes: (
        *("COMMON_LENGTHS_MM", "SAME_LENGTH_MM", "LENGTH_SHARE", "LENGTH_SHARE_CONFIRMED"),
        *("LENGTH_SHARE_CONTRADICTED", "LENGTH_SHARE_UNLIKE_LAST", "PROGRAMMED_SHARE"),
        *(
            "HANGER_SHARE",
            "OTHER_SET_SHARE",
            "SAME_MASS",
            "PLATE_SHARE",
            "UNIT_SHARE",
            "TENFOLD_SHARE",
        ),
        *("DOUBLED_SHARE", "DOUBLED_SHARE_ELSE", "ANGLE_SHARE", "TEETH_SHARE", "NO_ZERO_SHARE"),
        *("SLOPE_SHARE_UNLIKE_LAST", "WRONG_WAY_SHARE", "SAME_SLOPE_LN", "COGS_OFF", "POINTS"),
        *("PLATES_KG", "LB", "TORQUE_UNITS", "UNLEVEL_DEG", "UNLEVEL_SD_DEG"),
    ),
    neighbours: ("STAYS",),
    checks: (
        *(
            "LOOK_COST",
            "NEVER",
            "SHOWN_FROM",
            "LEAST_SHOWN",
            "MOST_SHOWN",
            "FORECAST_LIMITS",
            "SECONDS",
            "HANG_SECONDS",
        ),
    ),
}


def rules() -> dict[str, object]:
    """Return the constants by name, in small letters."""
    shared = {
        name.lower(): getattr(module, name) for module, names in _SHARED.items() for name in names
    }
    return shared | {"look": {kind: look.kind for kind, look in checks.LOOK.items()}}
