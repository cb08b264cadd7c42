"""When an answer about a clip of known truth counts as right.

A pattern is right if the verdict is right, the firing rate within 3 %, and, for an uneven engine, the number of
intervals agrees and under the best rotation none is off by more than 10 degrees of 720, from the intervals at which
the engine fires or from those at which they reach the microphone: pipes of unequal length delay a pulse by a
millisecond or so, which no listener can tell from a later firing.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis.result import Analysis
from pulse_audio.catalogue import layout

Floats = NDArray[np.float64]
RATE_TOLERANCE = 0.03
INTERVAL_TOLERANCE_DEG = 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Score:
    """How one answer fared.

    Attributes
    ----------
    even : bool
        Whether the engine fires evenly in truth.
    answered, rate_right, verdict_right, pattern_right : bool
    confidence : float
    off_deg : tuple of float
        Errors of the intervals on a 720-degree scale, for an uneven answer with the right number of them.
    off_sd : tuple of float
        The same errors over their stated standard deviations.
    """

    even: bool
    answered: bool
    rate_right: bool = False
    verdict_right: bool = False
    pattern_right: bool = False
    confidence: float = 0.0
    off_deg: tuple[float, ...] = ()
    off_sd: tuple[float, ...] = ()


def gaps_deg(firing_deg: Sequence[float], cycle_deg: float) -> Floats:
    """Intervals from firing angles, the last one closing the cycle."""
    return np.diff([*firing_deg, firing_deg[0] + cycle_deg]) % cycle_deg + (cycle_deg if len(firing_deg) == 1 else 0)


def true_rpm(truth: Mapping[str, Any], span_s: tuple[float, float]) -> float:
    """Mean of the true speed over the span that an answer is about."""
    inside = [rpm for t, rpm in truth["rpm_track"] if span_s[0] - 0.13 <= t <= span_s[1] + 0.13]
    return float(np.mean(inside)) if inside else float(truth["rpm_mean"])


def firing_rate_hz(truth: Mapping[str, Any], rpm: float) -> float:
    """Pulses a second of the true engine at a speed."""
    return len(truth["firing_deg"]) * rpm * 6 / float(truth["cycle_deg"])


def interval_errors(truth: Mapping[str, Any], found: Analysis) -> tuple[Floats, Floats] | None:
    """Errors of the intervals and their stated sizes, both of 720 degrees, under the rotation that suits best."""
    stated = np.asarray(found.intervals_deg or (), dtype=float)
    if len(stated) != len(truth["firing_deg"]) or stated.sum() <= 0:
        return None
    scale = 720 / stated.sum()
    sizes = np.asarray(found.intervals_sd_deg or [np.nan] * len(stated), dtype=float) * scale
    fits = []
    for angles in (truth["firing_deg"], truth.get("heard_deg") or truth["firing_deg"]):
        wanted = gaps_deg(angles, truth["cycle_deg"]) * 720 / truth["cycle_deg"]
        for turn in range(len(stated)):
            fits.append((np.abs(np.roll(stated * scale, turn) - wanted), np.roll(sizes, turn)))
    return min(fits, key=lambda fit: float(fit[0].max()))


def judge(truth: Mapping[str, Any], found: Analysis) -> Score:
    """Compare an answer with the truth about the clip."""
    if "firing_deg" not in truth:  # no engine: whatever was found is not there
        return Score(even=False, answered=found.is_told, confidence=found.confidence)
    even = bool(np.ptp(gaps_deg(truth["firing_deg"], truth["cycle_deg"])) < 1.0)
    if not found.is_told:
        return Score(even=even, answered=False)
    rate = firing_rate_hz(truth, true_rpm(truth, found.span_s))
    rate_right = abs((found.firing_rate_hz or 0.0) / rate - 1) < RATE_TOLERANCE
    verdict_right = (found.verdict == "even") == even
    fit = None if even else interval_errors(truth, found)
    placed = even or (fit is not None and float(fit[0].max()) <= INTERVAL_TOLERANCE_DEG)
    return Score(
        even=even,
        answered=True,
        rate_right=rate_right,
        verdict_right=verdict_right,
        pattern_right=rate_right and verdict_right and placed,
        confidence=found.confidence,
        off_deg=tuple(fit[0]) if fit else (),
        off_sd=tuple(fit[0] / np.maximum(fit[1], 1e-9)) if fit else (),
    )


def track_errors(truth: Mapping[str, Any], found: Analysis) -> tuple[Floats, Floats]:
    """Relative errors of a speed track, as firing rates, and how fast the true speed changes at its points.

    Firing rates, because the first reading may name another number of cylinders that turns at another speed.

    Returns
    -------
    errors : ndarray, shape (points,)
    change_per_s : ndarray, shape (points,)
        True relative change of speed a second.
    """
    if not found.readings or not found.speed_track:
        return np.empty(0), np.empty(0)
    reading = found.readings[0]
    time_s, rpm = np.array(found.speed_track).T
    # Cylinders that fire together are one pulse.
    pulses = len(layout(reading.layouts[0]).pulse_intervals_deg) if reading.layouts else reading.cylinders
    stated_hz = rpm * pulses / (30 * reading.strokes)
    true_s, true = np.array(truth.get("rpm_dense") or truth["rpm_track"]).T
    inside = (time_s >= true_s[0]) & (time_s <= true_s[-1])
    wanted_hz = np.interp(time_s, true_s, firing_rate_hz(truth, 1.0) * true)
    change = np.abs(np.interp(time_s, true_s, np.gradient(np.log(true), true_s)))
    return (np.abs(stated_hz / wanted_hz - 1))[inside], change[inside]
