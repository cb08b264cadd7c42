"""Exhaust sound from a crank layout, and firing intervals from a recording.

The names below are loaded when first used, so that importing the package costs nothing and never touches the sound
device or the command line.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pulse_audio.analysis import Analysis, Hints, Reading, analyse
    from pulse_audio.catalogue import find_layout, layout_names
    from pulse_audio.clip import Clip, read_clip, write_clip
    from pulse_audio.errors import PulseError
    from pulse_audio.exhaust import Exhaust, Section, find_exhaust
    from pulse_audio.firing import FiringEvents, Liveliness, firing_events
    from pulse_audio.layout import Cylinder, Layout
    from pulse_audio.loudness import integrated_lufs
    from pulse_audio.speed import SpeedCurve
    from pulse_audio.synth import Synth, render

__version__ = "0.1.0"

_HOME = {
    "Analysis": "analysis",
    "Clip": "clip",
    "Cylinder": "layout",
    "Exhaust": "exhaust",
    "FiringEvents": "firing",
    "Hints": "analysis",
    "Layout": "layout",
    "Liveliness": "firing",
    "PulseError": "errors",
    "Reading": "analysis",
    "Section": "exhaust",
    "SpeedCurve": "speed",
    "Synth": "synth",
    "analyse": "analysis",
    "find_exhaust": "exhaust",
    "find_layout": "catalogue",
    "firing_events": "firing",
    "integrated_lufs": "loudness",
    "layout_names": "catalogue",
    "read_clip": "clip",
    "render": "synth",
    "write_clip": "clip",
}

__all__ = [
    "Analysis",
    "Clip",
    "Cylinder",
    "Exhaust",
    "FiringEvents",
    "Hints",
    "Layout",
    "Liveliness",
    "PulseError",
    "Reading",
    "Section",
    "SpeedCurve",
    "Synth",
    "analyse",
    "find_exhaust",
    "find_layout",
    "firing_events",
    "integrated_lufs",
    "layout_names",
    "read_clip",
    "render",
    "write_clip",
]


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
