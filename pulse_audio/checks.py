"""Argument checks: each returns the clean value or raises an error that names the argument, the rule and the cure."""

import math
from numbers import Real

from pulse_audio.errors import RangeError

RPM_MIN = 20.0
RPM_MAX = 15_000.0


def number(name: str, value: object, *, low: float, high: float, unit: str = "") -> float:
    """Return `value` as a finite float within ``low..high``, or raise `RangeError`."""
    suffix = f" {unit}" if unit else ""
    try:
        clean = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        raise RangeError(f"{name}={value!r} is not a number; give {low:g} to {high:g}{suffix}") from None
    if not math.isfinite(clean) or not low <= clean <= high:
        raise RangeError(f"{name}={clean:g} is out of range; give {low:g} to {high:g}{suffix}")
    return clean


def real(name: str, value: object, *, low: float, high: float, unit: str = "") -> float:
    """Return what `number` does, but refuse text and truth values: for what is kept as it was given."""
    if isinstance(value, bool) or not isinstance(value, Real):
        raise RangeError(f"{name}={value!r} is not a number; give {low:g} to {high:g}{f' {unit}' if unit else ''}")
    return number(name, value, low=low, high=high, unit=unit)


def rpm(value: object, name: str = "rpm") -> float:
    """Return a crank speed the models hold for (20 to 15000 rpm); a value that looks like hertz gets a hint."""
    try:
        clean = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
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
        raise RangeError(f"{name}={clean:g} must be a whole number from {low} to {high}")
    return int(clean)
