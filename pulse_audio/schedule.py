"""Firings and ticks of a stretch of time, as frames, kernel numbers and gains: all that is left to do is to add."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio import chance
from pulse_audio.firing import BURST, FiringEvents
from pulse_audio.kernels import PulseBank, burst_number, pulse_number, speed_step
from pulse_audio.pulse import BURSTS, SHIFTS
from pulse_audio.speed import SpeedCurve
from pulse_audio.ticks import Ticks

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

ROUNDING = 1e-3  # of a shift: events this close before one are taken to stand on it


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Firings:
    """Firings in the order in which they are added, n of them.

    Attributes
    ----------
    frame, step : list of int
        Where each begins, and the speed step of its kernel.
    angle_deg : list of float, increasing
        Crank angle of each.
    same_step_until : list of int
        Index after the last of the run of firings with this step.
    pulse : ndarray of int, shape (n,)
        Kernel of each.
    later_share : ndarray of float32, shape (n,), or None
        Of the kernel one shift later; None where each is placed to the nearest shift.
    burst : ndarray of int, shape (n,), or None
        Noise that comes with each.
    gain : ndarray of float32, shape (n,)
        Without the level that belongs to the speed step.
    pan : ndarray of float32, shape (channels, n)
    """

    frame: list[int]
    angle_deg: list[float]
    step: list[int]
    same_step_until: list[int]
    pulse: Whole
    later_share: NDArray[np.float32] | None
    burst: Whole | None
    gain: NDArray[np.float32]
    pan: NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class TickList:
    """Ticks in order: where each begins, its crank angle, the number of its wave, and its gain in each channel."""

    frame: list[int]
    angle_deg: list[float]
    key: list[int]
    gain: list[list[float]]


NO_TICKS = TickList(frame=[], angle_deg=[], key=[], gain=[])


def _places(events: FiringEvents, first_frame: int, sample_rate_hz: int) -> tuple[Whole, Whole]:
    """Frame and shift of each event, rounded to the nearest shift."""
    fine = np.rint(events.time_s * (sample_rate_hz * SHIFTS)).astype(np.int64)
    return first_frame + fine // SHIFTS, fine % SHIFTS


def _exact_places(events: FiringEvents, first_frame: int, sample_rate_hz: int) -> tuple[Whole, Whole, Floats]:
    """Frame and shift at or before each event, and how far it lies on the way to the next shift."""
    fine = events.time_s * (sample_rate_hz * SHIFTS)
    before = np.floor(fine + ROUNDING)
    frame, shift = np.divmod(before.astype(np.int64), SHIFTS)
    return first_frame + frame, shift, fine - before


def list_firings(
    events: FiringEvents,
    *,
    curve: SpeedCurve,
    bank: PulseBank,
    pan: Floats,
    dropped: frozenset[int],
    regular: bool,
    first_frame: int,
    first_deg: float,
    sample_rate_hz: int,
    seed: int,
    repeat_cycles: int,
) -> Firings:
    """Return the firings of `events` that are heard.

    Parameters
    ----------
    curve : SpeedCurve
        Speed over the time that the events count in.
    pan : ndarray, shape (cylinders, channels)
    dropped : frozenset of int
        Cylinders from 1 that do not fire.
    regular : bool
        Whether firings come without scatter in time.
    first_frame, first_deg : int, float
        Frame and crank angle at time 0 of the events.
    """
    step = speed_step(curve.rpm_at(events.time_s))
    heard = events.strength != 0.0
    for number in dropped:
        heard &= events.cylinder != number - 1
    voice = bank.voice[events.cylinder]
    later_share = burst = None
    if regular:
        # Rounding to a shift would be a pattern that repeats, and faint tones; between two shifts there is none.
        frame, shift, share = _exact_places(events, first_frame, sample_rate_hz)
        later_share = share[heard].astype(np.float32)
    else:
        frame, shift = _places(events, first_frame, sample_rate_hz)
    if bank.has_noise:
        counted = events.cycle % repeat_cycles if repeat_cycles else events.cycle
        choice = (chance.hashes(seed, BURST, counted, events.cylinder) % np.uint64(BURSTS)).astype(np.int64)
        burst = burst_number(voice, choice)[heard]
    step = step[heard]
    ends = np.append(np.flatnonzero(np.diff(step)) + 1, step.size)
    return Firings(
        frame=frame[heard].tolist(),
        angle_deg=(first_deg + events.crank_deg[heard]).tolist(),
        step=step.tolist(),
        same_step_until=ends[np.searchsorted(ends, np.arange(step.size), side="right")].tolist(),
        pulse=pulse_number(voice, shift)[heard],
        later_share=later_share,
        burst=burst,
        gain=events.strength[heard].astype(np.float32),
        pan=pan[events.cylinder[heard]].T.astype(np.float32),
    )


def list_ticks(
    events: FiringEvents,
    *,
    ticks: Ticks,
    pan: Floats,
    gain: float,
    first_frame: int,
    first_deg: float,
    sample_rate_hz: int,
) -> TickList:
    """Return a tick for each event; the parameters are those of `list_firings`."""
    frame, shift = _places(events, first_frame, sample_rate_hz)
    return TickList(
        frame=frame.tolist(),
        angle_deg=(first_deg + events.crank_deg).tolist(),
        key=ticks.keys(events.cylinder, shift).tolist(),
        gain=(gain * pan[events.cylinder]).tolist(),
    )
