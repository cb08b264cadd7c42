"""The engine's sound, block by block: kernels added at the firing times.

`Synth` is the one thing with state; file and loudspeaker use it alike. Pulses are placed within 1/128 sample and added
in the order in which they fire, so that the samples do not depend on how they are cut into blocks, and whatever changes
in mid-stream changes the pulses to come: those already fired ring on.
"""

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pulse_audio import checks
from pulse_audio.clip import Clip
from pulse_audio.errors import RangeError
from pulse_audio.exhaust import Exhaust, find_exhaust
from pulse_audio.firing import FiringEvents, Liveliness, check_life, checked_seed, events_in_turn, hunted
from pulse_audio.kernels import pulse_bank, speed_step, step_rpm
from pulse_audio.layout import Layout
from pulse_audio.placing import outlet_gains
from pulse_audio.schedule import NO_TICKS, Firings, TickList, list_firings, list_ticks
from pulse_audio.speed import DURATIONS_S, SpeedCurve
from pulse_audio.tail import MOST_FRAMES, Tail, limited, soften
from pulse_audio.ticks import Ticks
from pulse_audio.units import ratio_from_db

Floats = NDArray[np.float64]

DEFAULT_EXHAUST = "open-stubs"
LEVEL_LUFS = -23.0  # EBU R 128 programme loudness, at the highest speed asked for
RISE_DB_PER_OCTAVE = 3.0  # an engine that fires twice as often is that much louder
HIGHEST_RISE_DB = 6.0  # above the speed that has the usual loudness
PEAK_ROOM_DB = -5.0  # peaks of the regular engine stay below this; scatter has the rest
BATCH_SAMPLES = 1 << 17  # of kernels handled at once: they must stay in a processor's cache
SHORT_BUFFER = 16  # numpy copies what it spreads over rows as long as its buffer holds more than a row
SPAN_FIRINGS, SPAN_CYCLES, SPAN_S = 4096, 2048, 64.0  # most that is listed at once
SAMPLE_RATES_HZ = (8_000, 192_000)
TICK_DB = (-80.0, -6.0)
FILE_BLOCK_FRAMES = 1 << 16
LONGEST_GLIDE_S = 3600.0
MOST_CYCLES = 1 << 31


class Synth:
    """An engine that runs.

    Parameters
    ----------
    layout : Layout
    speed : SpeedCurve
        Speed over time from the first frame.
    sample_rate_hz : int
        8000 to 192000.
    exhaust : Exhaust or None
        None for open stubs.
    life : Liveliness or None
        None for a perfectly regular engine without noise.
    seed : int
        Start of the random numbers, 0 to 4294967295.
    stereo : bool
        Two channels, with the open ends placed left to right as the layout lies. Their mean is the mono sound but for a
        constant that keeps its loudness; the ticks are placed by themselves and have a constant of their own.
    tick_db : float or None
        Peak of the crank ticks against full scale, -80 to -6; None for none.
    level_rpm : float or None
        Speed at which the sound has the usual loudness, 20 to 15000; None for the highest of `speed`.
    repeat_cycles : int
        Scatter repeats after so many cycles; 0 for never.

    Raises
    ------
    RangeError, ExhaustError
        A value out of range or of another kind, an exhaust whose groups do not fit the layout, or a misfire of a
        cylinder that it has not.
    """

    def __init__(
        self,
        layout: Layout,
        speed: SpeedCurve,
        *,
        sample_rate_hz: int,
        exhaust: Exhaust | None = None,
        life: Liveliness | None = None,
        seed: int = 0,
        stereo: bool = False,
        tick_db: float | None = None,
        level_rpm: float | None = None,
        repeat_cycles: int = 0,
    ) -> None:
        self.sample_rate_hz = checked_rate(sample_rate_hz)
        checks.kind("speed", speed, SpeedCurve)
        self._life = Liveliness.ideal() if life is None else life
        self._seed = checked_seed(seed)
        self._repeat_cycles = checks.whole("repeat_cycles", repeat_cycles, low=0, high=MOST_CYCLES)
        self._level_rpm = float(np.max(speed.rpm)) if level_rpm is None else checks.rpm(level_rpm, "level_rpm")
        self._dropped: frozenset[int] = frozenset()
        self._tick_db = _checked_tick(tick_db)
        self._frame = 0
        self._speed, self._speed_frame = speed, 0
        self._pulse_tails = tuple(Tail() for _ in range(2 if stereo else 1))
        self._tick_tails = tuple(Tail() for _ in self._pulse_tails)
        self._rows = np.empty((0, 0), dtype=np.float32)
        self._firings: Firings
        self._tick_list: TickList
        self._next = self._next_tick = 0
        self._take_engine(layout, find_exhaust(DEFAULT_EXHAUST) if exhaust is None else exhaust)
        self._begin_span(0.0)

    # Where the engine stands ------------------------------------------------------------------------------------

    @property
    def layout(self) -> Layout:
        """The layout that runs now."""
        return self._layout

    @property
    def exhaust(self) -> Exhaust:
        """The exhaust that the firings to come sound through."""
        return self._exhaust

    @property
    def frame(self) -> int:
        """Frames made so far."""
        return self._frame

    @property
    def crank_deg(self) -> float:
        """Crank angle in the cycle at the next frame, ``0 <= crank_deg < cycle``."""
        return self._angle_now() % self._layout.cycle_deg

    @property
    def rpm(self) -> float:
        """Speed at the next frame."""
        return float(self._curve.rpm_at(self._since(self._span_frame)))

    def _since(self, frame: int) -> float:
        return (self._frame - frame) / self.sample_rate_hz

    def _angle_now(self) -> float:
        return self._angle_deg + float(self._curve.crank_deg(self._since(self._span_frame))[0])

    # What may change while it runs ------------------------------------------------------------------------------

    def set_speed(self, rpm: float, glide_s: float = 0.3) -> None:
        """Go to another speed, 20 to 15000 rpm, evenly over `glide_s`, 0 s to an hour.

        Raises
        ------
        RangeError
            A value out of range.
        """
        target, glide_s = checks.rpm(rpm), checks.seconds("glide_s", glide_s, low=0.0, high=LONGEST_GLIDE_S)
        now = float(self._speed.rpm_at(self._since(self._speed_frame)))
        glide = SpeedCurve.ramp(now, target, max(glide_s, 1e-3))
        angle_deg = self._end_span()
        self._speed, self._speed_frame = glide, self._frame
        self._begin_span(angle_deg)

    def set_layout(self, layout: Layout) -> None:
        """Fire as another layout from now on; the crank turns on.

        Raises
        ------
        RangeError, ExhaustError
            No layout, one without a cylinder that misfires, or one that the exhaust's groups do not fit.
        """
        angle_deg = self._end_span()
        self._take_engine(layout, self._exhaust)
        self._begin_span(angle_deg)

    def set_exhaust(self, exhaust: Exhaust) -> None:
        """Send the firings to come through another exhaust.

        Raises
        ------
        RangeError, ExhaustError
            No exhaust, or one whose groups do not fit the layout.
        """
        angle_deg = self._end_span()
        self._take_engine(self._layout, exhaust)
        self._begin_span(angle_deg)

    def set_dropped(self, cylinders: frozenset[int]) -> None:
        """Name the cylinders (from 1) that do not fire from now on; all others do.

        Raises
        ------
        RangeError
            The layout has no such cylinder.
        """
        if not isinstance(cylinders, Iterable):
            raise RangeError(f"cylinders={cylinders!r}: give a set of cylinder numbers, such as {{2}}")
        count = len(self._layout.cylinders)
        self._dropped = frozenset(checks.whole("cylinder", number, low=1, high=count) for number in cylinders)
        self._begin_span(self._end_span())

    def set_ticks(self, level_db: float | None) -> None:
        """Turn the crank ticks on, with their peak at -80 to -6 dB against full scale, or off with None.

        Raises
        ------
        RangeError
            A level out of range.
        """
        self._tick_db = _checked_tick(level_db)
        self._begin_span(self._end_span())

    # Making sound -----------------------------------------------------------------------------------------------

    def next_block(self, n_frames: int) -> Floats:
        """Return the next frames, shape (n,) or (n, 2), full scale 1.

        Raises
        ------
        RangeError
            Not a number of frames.
        """
        n_frames = checks.whole("n_frames", n_frames, low=0, high=1 << 31)
        block = np.empty((n_frames, len(self._pulse_tails)))
        done = 0
        while done < n_frames:
            if self._frame == self._span_end:
                self._begin_span(self._end_span())
            count = min(n_frames - done, MOST_FRAMES, self._span_end - self._frame)
            self._fire(bisect_left(self._firings.frame, self._frame + count, self._next))
            self._tick(bisect_left(self._tick_list.frame, self._frame + count, self._next_tick))
            for channel, (pulses, ticks) in enumerate(zip(self._pulse_tails, self._tick_tails, strict=True)):
                part = pulses.head(count)
                if ticks.ringing:  # kept apart, so that the order of adding does not depend on blocks
                    part = part + ticks.head(count)
                    ticks.drop(count)
                block[done : done + count, channel] = limited(part)
                pulses.drop(count)
            self._frame += count
            done += count
        return block if len(self._pulse_tails) > 1 else block[:, 0]

    def _fire(self, last: int) -> None:
        """Add the firings of the list up to `last` to the tails."""
        usual = np.setbufsize(SHORT_BUFFER)
        try:
            while self._next < last:
                self._fire_batch(last)
        finally:
            np.setbufsize(usual)

    def _fire_batch(self, last: int) -> None:
        """Add the next firings, as many as have one speed step and room in the rows."""
        firings, first = self._firings, self._next
        shelf = self._bank.shelf(firings.step[first])
        if self._rows.shape[1] != shelf.length:
            self._rows = shelf.rows(max(1, BATCH_SAMPLES // shelf.length))
        self._next = min(last, first + len(self._rows), firings.same_step_until[first])
        now = slice(first, self._next)
        starts = [frame - self._frame for frame in firings.frame[now]]
        later_share = None if firings.later_share is None else firings.later_share[now]
        burst = None if firings.burst is None else firings.burst[now]
        rows = shelf.fill(self._rows, firings.pulse[now], later_share, burst)
        rows *= (firings.gain[now] * np.float32(self._level_gain(firings.step[first])))[:, None]
        if len(self._pulse_tails) == 1:
            self._pulse_tails[0].add(starts, rows)
            return
        for tail, pan in zip(self._pulse_tails, firings.pan, strict=True):
            tail.add(starts, rows * pan[now, None])

    def _tick(self, last: int) -> None:
        """Add the ticks of the list up to `last` to the tails."""
        ticks = self._tick_list
        for index in range(self._next_tick, last):
            wave, start = self._ticks.wave(ticks.key[index]), ticks.frame[index] - self._frame
            for tail, gain in zip(self._tick_tails, ticks.gain[index], strict=True):
                tail.add([start], (wave * gain)[None, :])
        self._next_tick = last

    def _end_span(self) -> float:
        """Return the crank angle turned since frame 0, once all that comes before it has begun.

        What comes just before it may have been rounded to this frame, and the next list begins at the angle.
        """
        angle_deg = self._angle_now()
        self._fire(bisect_left(self._firings.angle_deg, angle_deg, self._next))
        self._tick(bisect_left(self._tick_list.angle_deg, angle_deg, self._next_tick))
        return angle_deg

    def _begin_span(self, angle_deg: float) -> None:
        """List the firings of the next cycles, from a crank angle turned since frame 0.

        Where the span ends does not depend on how blocks are cut.
        """
        rate, since_s = self.sample_rate_hz, self._since(self._speed_frame)
        cycles = min(SPAN_CYCLES, SPAN_FIRINGS // len(self._layout.cylinders))
        turned_deg = self._speed.crank_deg(since_s) + cycles * self._layout.cycle_deg
        finish_s = float(self._speed.time_at_deg(turned_deg)[0])
        frames = max(int(min(finish_s - since_s, SPAN_S) * rate), 1)
        self._span_frame, self._span_end = self._frame, self._frame + frames
        self._curve = hunted(self._speed, self._life, self._seed, start_s=since_s, duration_s=frames / rate)
        self._angle_deg, self._turn_deg = angle_deg, float(self._curve.crank_deg(frames / rate)[0])
        self._next = self._next_tick = 0
        self._firings = list_firings(
            self._events(self._life), curve=self._curve, bank=self._bank, pan=self._pan, dropped=self._dropped,
            regular=not self._life.timing_sd_deg, first_frame=self._frame, first_deg=angle_deg, sample_rate_hz=rate,
            seed=self._seed, repeat_cycles=self._repeat_cycles,
        )  # fmt: skip
        self._tick_list = NO_TICKS
        if self._tick_db is not None:
            pan = self._ticks.pan if len(self._tick_tails) > 1 else np.ones((len(self._layout.cylinders), 1))
            self._tick_list = list_ticks(
                self._events(None), ticks=self._ticks, pan=pan, gain=ratio_from_db(self._tick_db),
                first_frame=self._frame, first_deg=angle_deg, sample_rate_hz=rate,
            )  # fmt: skip

    def _events(self, life: Liveliness | None) -> FiringEvents:
        return events_in_turn(
            self._layout, self._curve, self._angle_deg, self._turn_deg,
            life=life, seed=self._seed, repeat_cycles=self._repeat_cycles,
        )  # fmt: skip

    def _take_engine(self, layout: Layout, exhaust: Exhaust) -> None:
        checks.kind("layout", layout, Layout)
        checks.kind("exhaust", exhaust, Exhaust)
        check_life(self._life, layout)
        life, stereo = self._life, len(self._pulse_tails) > 1
        self._bank = pulse_bank(layout, exhaust, replace(life, misfire=()), self.sample_rate_hz)
        self._layout, self._exhaust = layout, exhaust
        self._pan = outlet_gains(layout, exhaust) if stereo else np.ones((len(layout.cylinders), 1))
        self._ticks = Ticks(layout, self.sample_rate_hz)
        self._step_gains: dict[int, float] = {}

    def _level_gain(self, step: int) -> float:
        """Return the factor that gives the usual loudness at a speed, less where peaks would pass the limit.

        Worked out when a firing needs it, so that a glide over many steps does not hold up the sound at its start.
        """
        if step not in self._step_gains:
            lufs, peak = self._bank.level(step)
            rise_db = RISE_DB_PER_OCTAVE * float(np.log2(step_rpm(step) / self._level_rpm))
            wanted = ratio_from_db(LEVEL_LUFS + min(rise_db, HIGHEST_RISE_DB) - lufs)
            self._step_gains[step] = min(wanted, ratio_from_db(PEAK_ROOM_DB) / peak)
        return self._step_gains[step]


def prepare(layout: Layout, exhaust: Exhaust, *, life: Liveliness, rpm: float, sample_rate_hz: int) -> None:
    """Make an engine's kernels ready at a speed, so that a `Synth` takes it up without a pause; from any thread."""
    bank = pulse_bank(layout, exhaust, replace(life, misfire=()), sample_rate_hz)
    bank.level(int(speed_step(np.array(rpm))))


def checked_rate(sample_rate_hz: object) -> int:
    """Return a sample rate, 8000 to 192000 Hz."""
    low, high = SAMPLE_RATES_HZ
    return checks.whole("sample_rate_hz", sample_rate_hz, low=low, high=high)


def _checked_tick(level_db: float | None) -> float | None:
    low, high = TICK_DB
    return None if level_db is None else checks.number("tick_db", level_db, low=low, high=high, unit="dB")


def highest_rpm(speed: SpeedCurve, duration_s: float) -> float:
    """Return the highest speed from time 0 on, for `duration_s`."""
    checks.kind("speed", speed, SpeedCurve)
    turns = speed.time_s[(speed.time_s > 0.0) & (speed.time_s < duration_s)]
    return float(np.max(speed.rpm_at(np.concatenate(([0.0], turns, [duration_s])))))


def render_blocks(synth: Synth, duration_s: float) -> Iterator[Floats]:
    """Yield the sound of an engine with a soft start and end, in blocks, for sound too long to hold.

    Parameters
    ----------
    duration_s : float
        0.01 s to an hour.

    Raises
    ------
    RangeError
        A duration out of range.
    """
    low, high = DURATIONS_S
    frames = round(checks.seconds("duration_s", duration_s, low=low, high=high) * synth.sample_rate_hz)
    for at in range(0, frames, FILE_BLOCK_FRAMES):
        block = synth.next_block(min(FILE_BLOCK_FRAMES, frames - at))
        soften(block, at, frames, synth.sample_rate_hz)
        yield block


def render(
    layout: Layout,
    speed: SpeedCurve,
    *,
    duration_s: float,
    sample_rate_hz: int,
    exhaust: Exhaust | None = None,
    life: Liveliness | None = None,
    seed: int = 0,
    stereo: bool = False,
    tick_db: float | None = None,
) -> Clip:
    """Return the sound of an engine, with a soft start and end and its peaks below -1 dBFS.

    Parameters
    ----------
    duration_s : float
        0.01 s to an hour.
    life : Liveliness or None
        None for a perfectly regular engine without noise.

    The others are those of `Synth`.

    Raises
    ------
    RangeError, ExhaustError
        A value out of range or of another kind, an exhaust whose groups do not fit the layout, or a misfire of a
        cylinder that it has not.
    """
    low, high = DURATIONS_S
    duration_s = checks.seconds("duration_s", duration_s, low=low, high=high)
    synth = Synth(
        layout, speed, sample_rate_hz=sample_rate_hz, exhaust=exhaust, life=life, seed=seed, stereo=stereo,
        tick_db=tick_db, level_rpm=highest_rpm(speed, duration_s),
    )  # fmt: skip
    frames = round(duration_s * synth.sample_rate_hz)
    samples = synth.next_block(frames)
    soften(samples, 0, frames, synth.sample_rate_hz)
    return Clip(samples=samples, sample_rate_hz=synth.sample_rate_hz)
