"""Exhaust sound from a crank layout, and firing intervals from a recording.

The names below are loaded when first used, so that importing the package costs nothing and never touches the sound
device or the command line.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pulse_audio.analysis import Analysis, Hints, analyse
    from pulse_audio.catalogue import find_layout, layout_names
    from pulse_audio.clip import Clip, read_clip, write_clip
    from pulse_audio.errors import PulseError
    from pulse_audio.firing import FiringEvents, firing_events
    from pulse_audio.layout import Cylinder, Layout
    from pulse_audio.speed import SpeedCurve

__version__ = "0.1.0"

_HOME = {
    "Analysis": "analysis",
    "Clip": "clip",
    "Cylinder": "layout",
    "FiringEvents": "firing",
    "Hints": "analysis",
    "Layout": "layout",
    "PulseError": "errors",
    "SpeedCurve": "speed",
    "analyse": "analysis",
    "find_layout": "catalogue",
    "firing_events": "firing",
    "layout_names": "catalogue",
    "read_clip": "clip",
    "write_clip": "clip",
}

__all__ = [
    "Analysis",
    "Clip",
    "Cylinder",
    "FiringEvents",
    "Hints",
    "Layout",
    "PulseError",
    "SpeedCurve",
    "analyse",
    "find_layout",
    "firing_events",
    "layout_names",
    "read_clip",
    "write_clip",
]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
