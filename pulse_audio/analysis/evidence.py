"""What the patterns of one cycle are judged by: lines of the wave and of the hiss, and what lies between them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio.analysis import coherence, pattern, swell
from pulse_audio.analysis.fold import Lines

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Seen:
    """All that is seen of one hypothesis of the cycle, in each piece of a recording.

    Attributes
    ----------
    ratio : float
        Cycle rate as a multiple of the track's rate.
    wave, hiss : tuple of Lines
    swelling : tuple of tuple of Swelling
        Power between the lines, of each band.
    coherence : tuple of Coherence
    """

    ratio: float
    wave: tuple[Lines, ...]
    hiss: tuple[Lines, ...]
    swelling: tuple[tuple[swell.Swelling, ...], ...]
    coherence: tuple[coherence.Coherence, ...]

    @property
    def has_hiss(self) -> bool:
        """Whether every piece has lines of the hiss."""
        return all(len(lines.order) for lines in self.hiss)


def swelling(seen: Seen, shapes: pattern.Shapes) -> Floats:
    """Evidence from the power between the lines, shape (n_pieces, n_patterns)."""
    return np.stack([swell.evidence(bands, shapes) for bands in seen.swelling])


def coherent(seen: Seen, shapes: pattern.Shapes) -> Floats:
    """Evidence from the coherence between the lines, shape (n_pieces, n_patterns)."""
    return np.stack([coherence.evidence(found, seen.ratio, shapes) for found in seen.coherence])


def without_coherence(seen: Seen, shapes: pattern.Shapes, shares: Sequence[pattern.OwnShare]) -> list[Floats]:
    """Evidence of each pattern from all else, shape (n_pieces, n_dampings) each."""
    fitted = pattern.fits(seen.wave, shapes, shares, pattern.WAVE)
    if seen.has_hiss:
        hissing = [f.evidence for f in pattern.fits(seen.hiss, shapes, shares, pattern.HISS)]
    else:
        hissing = [np.zeros((len(seen.hiss), len(pattern.HISS.dampings)))] * len(fitted)
    swells = swelling(seen, shapes).T
    return [f.evidence + h + s[:, None] for f, h, s in zip(fitted, hissing, swells, strict=True)]
