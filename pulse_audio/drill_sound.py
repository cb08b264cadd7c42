"""The sound of a drill question, and the same again slowly with ticks."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pulse_audio.clip import Clip
from pulse_audio.drill import SLOWEST_HZ, Question
from pulse_audio.exhaust import exhaust_names, find_exhaust
from pulse_audio.fader import Fader
from pulse_audio.firing import Liveliness
from pulse_audio.loudness import match
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import render
from pulse_audio.units import cycle_hz, ratio_from_db, rpm_from_cycle_hz, rpm_to_deg_per_s

Floats = NDArray[np.float64]

LIFE = replace(Liveliness(), hunting=0.0)  # ticks stand at exact times, so the speed must not wander
LEVEL_LUFS = -23.0
TICK_PEAK_DB = -15.0
TICK_S, TICK_ATTACK_S, TICK_DECAY_S = 0.03, 0.0005, 0.006
HIGH_TICK_HZ, TICK_HZ = 3000.0, 1500.0
SLOW_TICKS_DEG = 90.0
SHORTEST_S, LONGEST_S, CYCLES = 5.0, 12.0, 4


def question_clip(question: Question, sample_rate_hz: int) -> Clip:
    """Return the sound of a question, 5 to 12 s of it."""
    ticks_deg = None
    if question.ticks:
        ticks_deg = question.layout.cycle_deg if question.kind == "count" else SLOW_TICKS_DEG
    clip = _engine(question, question.rpm, sample_rate_hz)
    samples = clip.samples
    if question.noise_db is not None:
        level = float(np.sqrt(np.mean(samples**2))) * ratio_from_db(-question.noise_db)
        rng = np.random.default_rng(question.seed)
        samples = samples + level * pink_noise(samples.size, rng, sample_rate_hz=sample_rate_hz)
    return _finished(samples, question, question.rpm, ticks_deg, sample_rate_hz)


def slow_clip(question: Question, sample_rate_hz: int) -> Clip:
    """Return the same layout slowly, without noise, with a tick every 90 degrees of the crank and a high one at 0."""
    rpm = slow_rpm(question)
    return _finished(_engine(question, rpm, sample_rate_hz).samples, question, rpm, SLOW_TICKS_DEG, sample_rate_hz)


def slow_rpm(question: Question) -> float:
    """Speed at which the pulses of a question come 2.5 a second."""
    layout = question.layout
    return rpm_from_cycle_hz(SLOWEST_HZ / len(layout.pulse_intervals_deg), layout.strokes)


def _engine(question: Question, rpm: float, sample_rate_hz: int) -> Clip:
    names = exhaust_names()
    return render(
        question.layout,
        SpeedCurve.steady(rpm),
        duration_s=min(max(CYCLES / cycle_hz(rpm, question.layout.strokes), SHORTEST_S), LONGEST_S),
        sample_rate_hz=sample_rate_hz,
        exhaust=find_exhaust(names[question.exhaust % len(names)]),
        life=LIFE,
        seed=question.seed,
    )


def _finished(samples: Floats, question: Question, rpm: float, ticks_deg: float | None, sample_rate_hz: int) -> Clip:
    if ticks_deg is not None:
        samples = samples + ticks(samples.size, question.layout.cycle_deg, rpm, ticks_deg, sample_rate_hz)
    (clip,) = match([Clip(samples=samples, sample_rate_hz=sample_rate_hz)], LEVEL_LUFS)
    return clip


def ticks(frames: int, cycle_deg: float, rpm: float, every_deg: float, sample_rate_hz: int) -> Floats:
    """Return a tick whenever the crank passes a multiple of `every_deg`, the high one at 0 of the cycle."""
    out = np.zeros(frames)
    each_frames = every_deg / rpm_to_deg_per_s(rpm) * sample_rate_hz
    for number in range(math.ceil(frames / each_frames)):
        first = math.ceil(number * each_frames)
        end = min(first + round(TICK_S * sample_rate_hz), frames)
        time_s = (np.arange(first, end) - number * each_frames) / sample_rate_hz
        pitch_hz = HIGH_TICK_HZ if (number * every_deg) % cycle_deg == 0.0 else TICK_HZ
        shape = np.minimum(time_s / TICK_ATTACK_S, 1.0) * np.exp(-time_s / TICK_DECAY_S)
        out[first:end] += ratio_from_db(TICK_PEAK_DB) * shape * np.sin(2 * np.pi * pitch_hz * time_s)
    return out


def pink_noise(frames: int, rng: np.random.Generator, *, sample_rate_hz: int) -> Floats:
    """Return noise of RMS 1 whose power falls by 3 dB an octave above 20 Hz."""
    spectrum = np.fft.rfft(rng.standard_normal(frames))
    spectrum[1:] /= np.sqrt(np.maximum(np.fft.rfftfreq(frames, 1 / sample_rate_hz)[1:], 20.0))
    spectrum[0] = 0.0
    noise = np.fft.irfft(spectrum, frames)
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


class Turntable:
    """A source that plays the clip last put on it, once, and is silent in between.

    Parameters
    ----------
    level_db : float
        -40 to 0.
    sample_rate_hz : int
    """

    def __init__(self, level_db: float, sample_rate_hz: int) -> None:
        self._fader = Fader(level_db, sample_rate_hz)
        self._now = np.zeros(0)
        self._next: Floats | None = None
        self._ending = False

    def scene(self) -> bool:
        """Return whether a clip sounds or is about to."""
        return self._now.size > 0 or self._next is not None

    def put_on(self, samples: Floats) -> None:
        """Play these samples, mono, once what sounds now has been faded out; no samples only end that."""
        self._next = samples

    def end(self) -> None:
        """Fade out and end."""
        self._ending = True

    def next_block(self, n_frames: int) -> Floats:
        """Return the next frames; fewer than asked for at the end."""
        if self._fader.is_shut:
            if self._ending:
                return np.zeros(0)
            if self._next is not None:
                self._now, self._next = self._next, None
            if not self._now.size:
                return np.zeros(n_frames)
        sounding = self._now.size > 0 and self._next is None and not self._ending
        block = np.zeros(n_frames)
        piece, self._now = self._now[:n_frames], self._now[n_frames:]
        block[: piece.size] = piece
        return block * self._fader.gains(n_frames, sounding=sounding)
