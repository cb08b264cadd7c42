"""The recording and what was found in it, one after the other, so that the ear can judge the answer."""

from math import gcd

import numpy as np
from numpy.typing import NDArray

from pulse_audio import checks, loudness
from pulse_audio.analysis.filtering import filtered
from pulse_audio.analysis.result import Analysis
from pulse_audio.catalogue import layout, layout_names
from pulse_audio.clip import Clip
from pulse_audio.errors import ClipError
from pulse_audio.layout import Cylinder, Layout
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import SAMPLE_RATES_HZ, render
from pulse_audio.units import cycle_deg

GAP_S = 0.5
RATE_HZ = 48_000  # where the recording's own is none that the synthesiser knows


def heard_back(clip: Clip, analysis: Analysis) -> Clip:
    """Return the recording, a gap, and the best reading rebuilt at the same speeds and loudness.

    Parameters
    ----------
    clip : Clip
        The span that the answer is about; several channels are mixed to one.
    analysis : Analysis
        What was found in it.

    Returns
    -------
    Clip
        At the rate of `clip` where the synthesiser knows that, else at 48 kHz.

    Raises
    ------
    ClipError
        Nothing was found that could be rebuilt.
    """
    if not analysis.readings or not analysis.is_told:
        raise ClipError("there is nothing to hear back: no firing rhythm could be read")
    recorded = _playable(clip)
    rate_hz = recorded.sample_rate_hz
    rebuilt = render(_best_layout(analysis), _speed(analysis), duration_s=recorded.duration_s, sample_rate_hz=rate_hz)
    parts = [c.samples for c in loudness.match([recorded, rebuilt])]
    gap: NDArray[np.float64] = np.zeros(round(GAP_S * rate_hz))
    return Clip(samples=np.concatenate([parts[0], gap, parts[1]]), sample_rate_hz=rate_hz)


def _playable(clip: Clip) -> Clip:
    """Return one channel at a rate that the synthesiser knows."""
    mono, rate_hz = clip.mono(), clip.sample_rate_hz
    low, high = SAMPLE_RATES_HZ
    if low <= rate_hz <= high:
        return Clip(samples=mono, sample_rate_hz=rate_hz)
    shared = gcd(rate_hz, RATE_HZ)
    return Clip(samples=filtered(mono, rate_hz, up=RATE_HZ // shared, down=rate_hz // shared), sample_rate_hz=RATE_HZ)


def _best_layout(analysis: Analysis) -> Layout:
    """Return the catalogue's first layout of the first reading, or one with the measured intervals if it names none."""
    best = analysis.readings[0]
    for name in best.layouts:
        if name in layout_names():
            return layout(name)
    intervals = analysis.intervals_deg or (1.0,) * best.cylinders
    angles = np.cumsum((0.0, *intervals[:-1])) * cycle_deg(best.strokes) / sum(intervals)
    return Layout(
        name="as-measured",
        strokes=best.strokes,
        cylinders=tuple(Cylinder(firing_deg=float(angle)) for angle in angles),
    )


def _speed(analysis: Analysis) -> SpeedCurve:
    start = analysis.span_s[0]
    points = [(time - start, rpm) for time, rpm in analysis.speed_track] or [(0.0, analysis.readings[0].rpm)]
    speeds = np.clip([rpm for _, rpm in points], checks.RPM_MIN, checks.RPM_MAX)
    return SpeedCurve(time_s=[time for time, _ in points], rpm=speeds)
