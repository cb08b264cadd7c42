"""Errors of the package: one base, so that a caller can catch all of them, and the command line prints one line."""

from pathlib import Path

OWN_FAULT = "a fault of firing-pulse itself"


class PulseError(Exception):
    """Base of every error raised on purpose; its text is one line that says what is wrong and what to do."""


class RangeError(PulseError, ValueError):
    """An argument outside its legal range."""


class LayoutError(PulseError, ValueError):
    """An engine layout that cannot exist, cannot be read, or is not known by that name."""


class SpeedError(PulseError, ValueError):
    """A speed curve that cannot be used."""


class ExhaustError(PulseError, ValueError):
    """An exhaust description that cannot be used."""


class ClipError(PulseError, ValueError):
    """A sound clip that cannot be read or holds nothing that can be analysed."""


class OutputError(PulseError, OSError):
    """A file that cannot be written where it was asked for."""


class DeviceError(PulseError, RuntimeError):
    """A sound device that is absent, busy, or unfit."""


class MissingExtraError(PulseError, ImportError):
    """An optional package that this task needs is not installed."""


def own_fault(error: Exception) -> str:
    """Say on one line that the program itself failed, and where: no traceback, but enough to report it."""
    place = error.__traceback__
    while place is not None and place.tb_next is not None:
        place = place.tb_next
    where = f", {Path(place.tb_frame.f_code.co_filename).name} line {place.tb_lineno}" if place else ""
    return f"{OWN_FAULT} ({type(error).__name__}: {error}{where}); please report it"
