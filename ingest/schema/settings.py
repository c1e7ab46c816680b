"""The settings of a store: their meaning, their possible values, their defaults."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from zoneinfo import ZoneInfo

from ingest.schema.problems import UserError

Value = str | float | None


class SettingError(UserError, ValueError):
    """A setting that does not exist, or a value that it cannot take."""


@dataclass(frozen=True)
class Setting:
    """One setting. `internal` ones are set by the program and not offered to the user."""

    default: Value
    read: Callable[[str], Value]
    expected: str
    meaning: str
    internal: bool = False


def _number(low: float, high: float) -> Callable[[str], Value]:
    def read(text: str) -> float:
        value = float(text.replace(",", "."))
        if not low <= value <= high:
            raise ValueError(text)
        return value

    return read


def _days(text: str) -> float | None:
    if not text.strip():
        return None
    value = float(text)
    if not (1 <= value <= 36_500 and value.is_integer()):
        raise ValueError(text)
    return value


def _zone(text: str) -> str:
    if not text.strip():
        raise ValueError(text)
    return str(ZoneInfo(text.strip()).key)


def _day(text: str) -> str | None:
    return date.fromisoformat(text.strip()).isoformat() if text.strip() else None


SETTINGS: dict[str, Setting] = {
    "tolerance_pct": Setting(
        1.5,
        _number(0.05, 20),
        "percent, 0.05 to 20",
        "limit on the absolute gain error of a meter that has none of its own",
    ),
    "time_zone": Setting(
        "UTC",
        _zone,
        "the name of a time zone, for instance Europe/Madrid",
        "zone of times that are entered without an offset",
    ),
    "reliability_target": Setting(
        0.90,
        _number(0.5, 0.999),
        "a probability, 0.5 to 0.999",
        "a meter is due when its probability within tolerance falls below this",
    ),
    "false_alarms_per_season": Setting(
        1.0,
        _number(0.01, 100),
        "a number, 0.01 to 100",
        "false alarms to expect in 365 days over the whole fleet and all charts",
    ),
    "recordings_kept_days": Setting(
        None,
        _days,
        "whole days, 1 to 36500, or nothing",
        "recordings of rides are removed after so many days; nothing: never",
    ),
    "changes_kept_days": Setting(
        None,
        _days,
        "whole days, 1 to 36500, or nothing",
        "the log of who changed what is removed after so many days; nothing: never",
    ),
    "today": Setting(
        None,
        _day,
        "a date, for instance 2026-03-14, or nothing",
        "the day that counts as today; nothing: the system's",
        internal=True,
    ),
}


def find_setting(key: str) -> Setting:
    """Return the setting called `key`; SettingError with the nearest name for an unknown one."""
    if key in SETTINGS:
        return SETTINGS[key]
    offered = [name for name, setting in SETTINGS.items() if not setting.internal]
    near = get_close_matches(key, offered, n=1)
    hint = f"Did you mean {near[0]}?" if near else f"There are: {', '.join(offered)}."
    raise SettingError(f'setting "{key}" is not known. {hint}')


def parse_setting(key: str, value: object) -> Value:
    """Return the value of a setting, checked; SettingError with what is expected for a bad one."""
    setting = find_setting(key)
    try:
        return setting.read("" if value is None else str(value))
    except (ValueError, KeyError, OSError):
        raise SettingError(
            f'setting {key}: found "{value}", expected {setting.expected}.'
        ) from None


def stored_text(value: Value) -> str:
    """Return the text by which the store keeps a value."""
    return "" if value is None else str(value)
