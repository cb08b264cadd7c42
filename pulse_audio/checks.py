"""Argument checks: each returns the clean value or raises an error that names the argument, the rule and the cure."""

import math
import os
from numbers import Real
from pathlib import Path
from typing import TypeVar

from pulse_audio.errors import RangeError

T = TypeVar("T")
RPM_MIN = 20.0
RPM_MAX = 15_000.0
_HOW = {
    "Layout": "a Layout, as find_layout('v-twin-45') returns",
    "SpeedCurve": "a SpeedCurve, such as SpeedCurve.steady(900)",
    "Exhaust": "an Exhaust, as find_exhaust('open-stubs') returns",
    "Liveliness": "a Liveliness, such as Liveliness()",
    "Clip": "a Clip, as read_clip and render return",
    "str": "a name or a path as text",
}


def kind(name: str, value: object, wanted: type[T]) -> T:
    """Return `value` if it is of the wanted kind, or raise `RangeError` that says how to get one."""
    if not isinstance(value, wanted):
        raise RangeError(f"{name} is of type {type(value).__name__}; give {_HOW[wanted.__name__]}")
    return value


def path(value: object) -> Path:
    """Return the path that a text or a path-like value names."""
    if not isinstance(value, str | os.PathLike):
        raise RangeError(f"path is of type {type(value).__name__}; give a file's name as text or a Path")
    return Path(value)


def _give(low: float, high: float, unit: str = "") -> str:
    return f"give {_full(low)} to {_full(high)} {unit}".rstrip()


def _full(value: float) -> str:
    """Write a number in full, as ``:g`` does not from a million on."""
    return f"{value:.15g}"


def number(name: str, value: object, *, low: float, high: float, unit: str = "") -> float:
    """Return `value` as a finite float within ``low..high``, or raise `RangeError`."""
    try:
        clean = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise RangeError(f"{name}={value!r} is not a number; {_give(low, high, unit)}") from None
    if not math.isfinite(clean) or not low <= clean <= high:
        raise RangeError(f"{name}={_full(clean)} is out of range; {_give(low, high, unit)}")
    return clean


def real(name: str, value: object, *, low: float, high: float, unit: str = "") -> float:
    """Return what `number` does, but refuse text and truth values: for what is kept as it was given."""
    if isinstance(value, bool) or not isinstance(value, Real):
        raise RangeError(f"{name}={value!r} is not a number; {_give(low, high, unit)}")
    return number(name, value, low=low, high=high, unit=unit)


def rpm(value: object, name: str = "rpm") -> float:
    """Return a crank speed the models hold for (20 to 15000 rpm); a value that looks like hertz gets a hint."""
    try:
        clean = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        if isinstance(value, str) and not value.strip():
            raise RangeError(f"{name}: a speed is missing; give {RPM_MIN:g} to {RPM_MAX:g} rpm") from None
        raise RangeError(f"{name}={value} is not a number; give {RPM_MIN:g} to {RPM_MAX:g} rpm") from None
    if not RPM_MIN <= clean <= RPM_MAX:
        hint = f" (did you give hertz? {clean:g} Hz is {60 * clean:g} rpm)" if 0 < clean < RPM_MIN else ""
        raise RangeError(f"{name}={value} is out of range; give {RPM_MIN:g} to {RPM_MAX:g} rpm{hint}")
    return clean


def seconds(name: str, value: object, *, low: float, high: float) -> float:
    """Return a duration within ``low..high`` seconds."""
    return number(name, value, low=low, high=high, unit="s")


def whole(name: str, value: object, *, low: int, high: int) -> int:
    """Return an integer within ``low..high``."""
    clean = number(name, value, low=low, high=high)
    if clean != int(clean):
        raise RangeError(f"{name}={_full(clean)} must be a whole number from {low} to {high}")
    return int(clean)
