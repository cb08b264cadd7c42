"""Firing intervals from a recording: ``analyse(clip, hints) -> Analysis``.

The stages, each a module: `prepare` (wave and hiss), `speedtrack` (the repeat rate), `fold` (order lines),
`pieces` (steady stretches), `hypotheses` and `pattern` (odds of cycles and patterns), `placing` (where the pulses
stand), `presence` (is there an engine at all), `readings` (the answer). Nothing here knows the synthesiser.
"""

from pulse_audio.analysis.analyser import analyse
from pulse_audio.analysis.result import Analysis, Hints, Reading

__all__ = ["Analysis", "Hints", "Reading", "analyse"]
