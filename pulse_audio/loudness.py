"""Programme loudness after ITU-R BS.1770, and bringing clips to one loudness.

The K weighting is the standard's two filters at 48 kHz, applied as gain over frequency; a clip at another rate gets the
same gain at the same frequency.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pulse_audio import checks
from pulse_audio.clip import Clip
from pulse_audio.errors import ClipError
from pulse_audio.units import ratio_from_db

Floats = NDArray[np.float64]

# ITU-R BS.1770-5, Annex 1, Tables 1 and 2: numerator and denominator of the two filters at 48 kHz.
SHELF = ((1.53512485958697, -2.69169618940638, 1.19839281085285), (1.0, -1.69065929318241, 0.73248077421585))
HIGH_PASS = ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621))
TABLE_RATE_HZ = 48_000.0
OFFSET_LU = -0.691  # BS.1770, loudness formula
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
BLOCK_S, STEP_S = 0.4, 0.1
STEPS = 4  # steps in a block
PEAK_DBFS = -1.0
CHUNK_FRAMES = 1 << 18
RING_S = 0.3  # the high-pass rings below -120 dB after this


def k_gain(frequency_hz: Floats) -> NDArray[np.complex128]:
    """Return the complex gain of the K weighting."""
    z = np.exp(-2j * np.pi * np.minimum(frequency_hz, TABLE_RATE_HZ / 2) / TABLE_RATE_HZ)
    gain = np.ones_like(z)
    for top, bottom in (SHELF, HIGH_PASS):
        gain = gain * (top[0] + z * (top[1] + z * top[2])) / (bottom[0] + z * (bottom[1] + z * bottom[2]))
    return np.asarray(gain)


def _k_weighted(samples: Floats, sample_rate_hz: int) -> Floats:
    """Filter one channel, by overlap-add in the frequency domain."""
    ring = int(RING_S * sample_rate_hz)
    chunk = min(CHUNK_FRAMES, samples.size)
    size = 1 << (chunk + ring - 1).bit_length()
    gain = k_gain(np.asarray(np.fft.rfftfreq(size, 1 / sample_rate_hz), dtype=np.float64))
    out = np.zeros(samples.size + ring)
    for at in range(0, samples.size, chunk):
        piece = np.fft.irfft(np.fft.rfft(samples[at : at + chunk], size) * gain, size)
        end = min(at + chunk + ring, out.size)
        out[at:end] += piece[: end - at]
    return out[: samples.size]


def _channel_weights(channels: int) -> tuple[float, ...]:
    """BS.1770 weights: five channels are L R C Ls Rs, six have the low-frequency channel fourth."""
    if channels == 5:
        return (1.0, 1.0, 1.0, 1.41, 1.41)
    if channels == 6:
        return (1.0, 1.0, 1.0, 0.0, 1.41, 1.41)
    return (1.0,) * channels


def integrated_lufs(clip: Clip) -> float:
    """Return the gated loudness of a clip, LUFS; minus infinity for silence.

    Raises
    ------
    ClipError
        Shorter than one block of 0.4 s, or samples that are no numbers.
    """
    checks.kind("clip", clip, Clip)
    channels = clip.samples[:, None] if clip.samples.ndim == 1 else clip.samples
    steps = int(len(channels) / (STEP_S * clip.sample_rate_hz) + 1e-9)
    if steps < STEPS:
        raise ClipError(f"the clip lasts {clip.duration_s:.3g} s; loudness needs at least {BLOCK_S:g} s")
    edges = np.round(np.arange(steps + 1) * STEP_S * clip.sample_rate_hz).astype(int)
    power = np.zeros(steps)
    for weight, channel in zip(_channel_weights(channels.shape[1]), channels.T, strict=True):
        with np.errstate(invalid="ignore"):  # from infinite samples: refused below
            square = _k_weighted(channel, clip.sample_rate_hz) ** 2
        power += weight * np.add.reduceat(square[: edges[-1]], edges[:-1])
    if not np.all(np.isfinite(power)):
        raise ClipError("the clip holds samples that are no numbers (NaN or infinite); export it again")
    energy = np.convolve(power, np.ones(STEPS), "valid") / (edges[STEPS:] - edges[:-STEPS])
    with np.errstate(divide="ignore"):
        level = OFFSET_LU + 10 * np.log10(energy)
    loud = level > ABSOLUTE_GATE_LUFS
    if not loud.any():
        return -np.inf
    gate = OFFSET_LU + 10 * np.log10(energy[loud].mean()) + RELATIVE_GATE_LU
    return float(OFFSET_LU + 10 * np.log10(energy[loud & (level > gate)].mean()))


def match(clips: Sequence[Clip], target_lufs: float | None = None) -> tuple[Clip, ...]:
    """Return the clips at one loudness, none with a peak above -1 dBFS.

    Parameters
    ----------
    clips : sequence of Clip
    target_lufs : float or None
        Wanted loudness; all are brought lower together if a peak asks for it. None: the loudest of the clips.

    Returns
    -------
    tuple of Clip
        Silent clips unchanged.

    Raises
    ------
    ClipError
        A clip is shorter than 0.4 s.
    """
    levels = [integrated_lufs(c) for c in clips]
    heard = [level for level in levels if np.isfinite(level)]
    if not heard:
        return tuple(clips)
    wanted = max(heard) if target_lufs is None else target_lufs
    peaks = [float(np.abs(c.samples).max()) for c in clips]
    room = [
        PEAK_DBFS - 20 * np.log10(peak) + level for peak, level in zip(peaks, levels, strict=True) if np.isfinite(level)
    ]
    wanted = min(wanted, *room)
    return tuple(
        Clip(samples=c.samples * ratio_from_db(wanted - level), sample_rate_hz=c.sample_rate_hz)
        if np.isfinite(level)
        else c
        for c, level in zip(clips, levels, strict=True)
    )
