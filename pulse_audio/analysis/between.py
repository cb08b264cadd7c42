"""What no two cycles share: the spectrum of a piece without its lines, made white.

No two firings are alike: their strength, timing and flow noise change from each to the next. So there is sound between
the lines of the spectrum. `swell` looks at when in the cycle it is strong, `coherence` at what of it belongs together.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from pulse_audio.analysis.fold import Piece

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

BAND_HZ = (20.0, 1200.0)
BESIDE, BESIDE_BINS = 0.2, 2.0  # of the way from line to line, and at least: so far a line that wanders may spread
INDEPENDENT = 18 / 35  # of the values, under the piece's Hann window: (mean w^2)^2 / mean w^4


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Between:
    """A piece without its lines.

    Attributes
    ----------
    spectrum : ndarray of complex, shape (n_bins,)
        Under a Hann window, or the lines of an engine that grows louder would leak far beside them and tell of one
        pulse. Up to the top of the band; of mean power 1 all over, 0 where lines may stand and below the band.
    kept : ndarray of bool, shape (n_bins,)
        Where it is not 0.
    hz : ndarray, shape (n_bins,)
    apart : int
        Bins from line to line.
    line_order : float
        The same as a multiple of the track's rate.
    frames : int
        Samples of the piece.
    cycles : int
        Of the track, over the piece.
    rate_hz : float
        Rate of the track.
    """

    spectrum: Complexes
    kept: NDArray[np.bool_]
    hz: Floats
    apart: int
    line_order: float
    frames: int
    cycles: int
    rate_hz: float


def between_lines(piece: Piece, line_order: float) -> Between:
    """Take the lines out of a piece.

    Parameters
    ----------
    piece : Piece
    line_order : float
        Lines may stand at all multiples of so many times the track's rate; they fall on whole bins.
    """
    low_hz, high_hz = BAND_HZ
    bin_hz = piece.rate_hz / piece.cycles
    spectrum = piece.spectrum[: int(high_hz / bin_hz) + 1]
    bins = np.arange(len(spectrum))
    apart = round(piece.cycles * line_order)
    off = np.abs((bins / apart + 0.5) % 1.0 - 0.5) * apart
    hz = np.asarray(bins * bin_hz, dtype=np.float64)
    kept = (off > max(BESIDE_BINS, BESIDE * apart)) & (hz > low_hz)
    width = 2 * max(2 * apart, 8) + 1
    level = uniform_filter1d(np.where(kept, np.abs(spectrum) ** 2, 0.0), width, mode="constant")
    level /= np.maximum(uniform_filter1d(kept.astype(np.float64), width, mode="constant"), 1e-9)
    return Between(
        spectrum=np.where(kept, spectrum / np.sqrt(np.maximum(level, 1e-30)), 0.0),
        kept=kept,
        hz=hz,
        apart=apart,
        line_order=line_order,
        frames=len(piece.samples),
        cycles=piece.cycles,
        rate_hz=piece.rate_hz,
    )
