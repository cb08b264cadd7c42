"""What a user gets by hand from general-purpose libraries: autocorrelation of the envelope, peaks of the folded cycle.

The plain way to do the listener's job in a page of Python, against which the accuracy study measures the listener.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import butter, find_peaks, resample_poly, sosfiltfilt

from pulse_audio.analysis.result import Analysis
from pulse_audio.clip import Clip

Floats = NDArray[np.float64]
ENVELOPE_HZ = 1000
LOW_HZ, HIGH_HZ = 4.0, 160.0  # rates of the cycle that are looked for
BINS = 180
EVEN_SPREAD = 0.08  # of the cycle


def by_hand(clip: Clip) -> Analysis:
    """Answer as the listener does, without any of its means."""
    mono = clip.mono()
    rate = clip.sample_rate_hz
    mono = sosfiltfilt(butter(2, 30.0, "highpass", fs=rate, output="sos"), mono)
    smooth = butter(2, 300.0, fs=rate, output="sos")
    envelope = resample_poly(sosfiltfilt(smooth, np.abs(mono)), ENVELOPE_HZ, rate)
    envelope = envelope - envelope.mean()
    size = next_fast_len(2 * len(envelope))
    likeness = irfft(np.abs(rfft(envelope, size)) ** 2, size)[: int(ENVELOPE_HZ / LOW_HZ) + 2]
    likeness = likeness / max(float(likeness[0]), 1e-12)
    first = int(ENVELOPE_HZ / HIGH_HZ)
    summits, _ = find_peaks(likeness[first:])
    lag = first + int(summits[likeness[first + summits].argmax()] if len(summits) else likeness[first:].argmax())
    place = (np.arange(len(envelope)) / lag % 1.0 * BINS).astype(int)
    folded = np.bincount(place, envelope, BINS) / np.maximum(np.bincount(place, minlength=BINS), 1)
    peaks, _ = find_peaks(np.tile(folded, 3), height=0.3 * folded.max(), distance=BINS // 12)
    peaks = peaks[(peaks >= BINS) & (peaks < 2 * BINS)]
    gaps = np.diff(np.append(peaks, peaks[0] + BINS)) / BINS if len(peaks) else np.array([1.0])
    even = bool(np.ptp(gaps) < EVEN_SPREAD)
    return Analysis(
        duration_s=len(mono) / rate,
        sample_rate_hz=rate,
        span_s=(0.0, len(mono) / rate),
        verdict="even" if even else "uneven",
        confidence=float(np.clip(likeness[lag], 0.0, 1.0)),
        firing_rate_hz=ENVELOPE_HZ / lag * len(gaps),
        intervals_deg=tuple((gaps * 720).tolist()),
    )
