"""The level of what is played: begins at silence, rises softly, never jumps, and has a top."""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from pulse_audio import checks
from pulse_audio.units import ratio_from_db

Floats = NDArray[np.float64]

# 0 dB is the level at which sound is made (peaks below -1 dBFS; -23 LUFS, EBU R 128 programme loudness, for a drill's
# clips and for an engine at `live.LEVEL_RPM`). Playing may only be softer than that, so that no key can overload it.
LEVEL_MIN_DB, LEVEL_MAX_DB, LEVEL_DB = -40.0, 0.0, -12.0
RISE_DB_PER_S = 14.0  # from the softest to the usual level in 2 s, slow enough to take headphones off
STEP_DB_PER_S = 100.0
FADE_S = 0.03  # holding and ending: too slow to click, too fast to be waited for


class Fader:
    """A volume control and a switch, both free of clicks.

    Parameters
    ----------
    level_db : float
        Wanted level, -40 to 0; the first rise to it begins at -40.
    sample_rate_hz : int
    """

    def __init__(self, level_db: float, sample_rate_hz: int) -> None:
        self.wanted_db = checks.number("level", level_db, low=LEVEL_MIN_DB, high=LEVEL_MAX_DB, unit="dB")
        self._rate = sample_rate_hz
        self._level_db, self._db_per_s = LEVEL_MIN_DB, RISE_DB_PER_S
        self._open = 0.0  # 0 shut, 1 open

    @property
    def is_shut(self) -> bool:
        """Whether nothing passes."""
        return self._open == 0.0

    def gains(self, n_frames: int, *, sounding: bool) -> Floats:
        """Return the gain of each of the next frames, on the way to the wanted level, open or shut."""
        before = ratio_from_db(self._level_db)
        step_db = self._db_per_s * n_frames / self._rate
        self._level_db += float(np.clip(self.wanted_db - self._level_db, -step_db, step_db))
        if self._level_db == self.wanted_db:
            self._db_per_s = STEP_DB_PER_S  # the first rise is over
        level = np.linspace(before, ratio_from_db(self._level_db), n_frames)
        if self._open == (1.0 if sounding else 0.0):
            return np.asarray(level * self._open)
        towards = 1.0 if sounding else -1.0
        ramp = np.clip(self._open + towards * np.arange(1, n_frames + 1) / (FADE_S * self._rate), 0.0, 1.0)
        self._open = float(ramp[-1]) if n_frames else self._open
        return np.asarray(level * (0.5 - 0.5 * np.cos(np.pi * ramp)))


class PeakHold:
    """The highest sample of late."""

    def __init__(self) -> None:
        self._frame = 0
        self._peaks: deque[tuple[int, float]] = deque()  # frame and peak, each peak higher than those after it

    def after(self, samples: Floats, kept_frames: float) -> float:
        """Take the next samples, shape (n,) or (n, channels), and return the highest of the last `kept_frames`."""
        self._frame += len(samples)
        peak = float(np.abs(samples).max(initial=0.0))
        while self._peaks and self._peaks[-1][1] <= peak:
            self._peaks.pop()
        self._peaks.append((self._frame, peak))
        while self._peaks[0][0] < self._frame - kept_frames:
            self._peaks.popleft()
        return self._peaks[0][1]
