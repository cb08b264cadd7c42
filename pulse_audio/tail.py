"""Sound on its way out: kernels already begun, added up; the ceiling for peaks; the soft start and end."""

import numpy as np
from numpy.typing import NDArray

from pulse_audio.units import ratio_from_db

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

MOST_FRAMES = 1 << 16  # that are given at once
KNEE, CEILING = ratio_from_db(-3.0), ratio_from_db(-1.05)  # louder peaks are bent to stay below -1 dBFS
FADE_IN_S, FADE_OUT_S = 0.001, 0.05  # the first firing may come with the first frame: its rise must stay whole


class Tail:
    """Sound to come: kernels already begun, added up."""

    def __init__(self) -> None:
        self.ringing = 0  # frames that hold sound
        self._sum = np.zeros(MOST_FRAMES, dtype=np.float32)

    def add(self, starts: list[int], rows: Singles) -> None:
        """Add each row at its start, in order."""
        length = rows.shape[1]
        self.ringing = max(self.ringing, max(starts) + length)
        if self.ringing > self._sum.size:
            self._sum = np.concatenate((self._sum, np.zeros(self.ringing + MOST_FRAMES, dtype=np.float32)))
        total, add = self._sum, np.add
        for start, row in zip(starts, rows, strict=True):
            part = total[start : start + length]
            add(part, row, part)

    def head(self, count: int) -> Singles:
        """Return the next frames, finished; at most `MOST_FRAMES`."""
        return self._sum[:count]

    def drop(self, count: int) -> None:
        """Forget the next frames."""
        left = max(self.ringing - count, 0)
        self._sum[:left] = self._sum[count : count + left]
        self._sum[left : self.ringing] = 0.0
        self.ringing = left


def limited(part: Singles) -> Singles:
    """Bend what would pass the ceiling; each sample by itself, so that blocks do not matter."""
    if not part.size or max(np.maximum.reduce(part), -np.minimum.reduce(part)) <= KNEE:
        return part
    size = np.abs(part)
    over, room = np.maximum(size - KNEE, 0.0), CEILING - KNEE
    return np.asarray(np.where(size > KNEE, np.sign(part) * (KNEE + room * over / (over + room)), part))


def soften(block: Floats, at: int, frames: int, sample_rate_hz: int) -> None:
    """Fade the first and last frames of a whole of `frames`, of which `block` begins at `at`."""
    rise = min(round(FADE_IN_S * sample_rate_hz), frames // 2)
    fall = min(round(FADE_OUT_S * sample_rate_hz), frames // 2)
    for ramp, begin in ((_ease(rise), 0), (_ease(fall)[::-1], frames - fall)):
        low, high = max(begin, at), min(begin + ramp.size, at + len(block))
        if low < high:
            block[low - at : high - at] = (block[low - at : high - at].T * ramp[low - begin : high - begin]).T


def _ease(count: int) -> Floats:
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(count) + 0.5) / max(count, 1)))
