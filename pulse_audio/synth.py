"""The engine's sound, block by block: kernels added at the firing times.

`Synth` is the one thing with state; file and loudspeaker use it alike. Pulses are placed to 1/128 sample and added in
the order in which they fire, so that the samples do not depend on how they are cut into blocks, and whatever changes in
mid-stream changes the pulses to come: those already fired ring on.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pulse_audio import chance, checks
from pulse_audio.clip import Clip
from pulse_audio.errors import RangeError
from pulse_audio.exhaust import Exhaust, find_exhaust
from pulse_audio.firing import Liveliness, events_in_turn, hunted
from pulse_audio.layout import Layout
from pulse_audio.pulse import BURSTS, SHIFTS, PulseBank, shape_rpm
from pulse_audio.speed import SpeedCurve
from pulse_audio.units import ratio_from_db

Floats = NDArray[np.float64]

DEFAULT_EXHAUST = "open-stubs"
LEVEL_LUFS = -23.0  # EBU R 128 programme loudness, at the highest speed asked for
RISE_DB_PER_OCTAVE = 3.0  # an engine that fires twice as often is that much louder
PEAK_ROOM_DB = -5.0  # peaks of the regular engine stay below this; scatter has the rest
KNEE, CEILING = ratio_from_db(-3.0), ratio_from_db(-1.05)  # louder peaks are bent to stay below -1 dBFS
CHUNK_FRAMES = 16_384
SPAN_CYCLES = 64
FADE_IN_S, FADE_OUT_S = 0.01, 0.05
TICK_S = 0.025
PAN_LIMIT = 0.7
SAMPLE_RATES_HZ = (8_000, 192_000)


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
    stereo : bool
        Two channels, with the open ends placed left to right as the layout lies; their mean is the mono sound.
    tick_db : float or None
        Peak of the crank ticks against full scale; None for none.
    level_rpm : float or None
        Speed at which the sound has the usual loudness; None for the highest of `speed`.
    repeat_cycles : int
        Scatter repeats after so many cycles; 0 for never.
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
        low, high = SAMPLE_RATES_HZ
        self.sample_rate_hz = checks.whole("sample_rate_hz", sample_rate_hz, low=low, high=high)
        self._life = Liveliness.ideal() if life is None else life
        self._seed, self._repeat_cycles = seed, repeat_cycles
        self._channels = 2 if stereo else 1
        self._level_rpm = float(np.max(speed.rpm)) if level_rpm is None else level_rpm
        self._dropped: frozenset[int] = frozenset()
        self._tick_db: float | None = None
        self._frame = 0
        self._speed, self._speed_frame = speed, 0
        self._angle_deg = 0.0  # turned at the start of the span, since frame 0
        self._tail = np.zeros((self._channels, 2 * CHUNK_FRAMES), dtype=np.float32)
        self._scratch = np.zeros((self._channels, CHUNK_FRAMES), dtype=np.float32)
        self._ringing = 0  # frames of the tail that hold sound
        self._layout, self._exhaust = layout, exhaust or find_exhaust(DEFAULT_EXHAUST)
        self._banks: dict[tuple[str, str], PulseBank] = {}
        self._take_bank()
        self.set_ticks(tick_db)
        self._begin_span()

    # Where the engine stands ------------------------------------------------------------------------------------

    @property
    def layout(self) -> Layout:
        """The layout that runs now."""
        return self._layout

    @property
    def exhaust(self) -> Exhaust:
        """The exhaust that sounds now."""
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
        """Go to another speed, evenly over `glide_s` seconds."""
        target = checks.rpm(rpm)
        now = float(self._speed.rpm_at(self._since(self._speed_frame)))
        self._angle_deg = self._angle_now()
        self._speed = SpeedCurve.ramp(now, target, max(glide_s, 1e-3))
        self._speed_frame = self._frame
        self._begin_span()

    def set_layout(self, layout: Layout) -> None:
        """Fire as another layout from now on; the crank turns on."""
        self._angle_deg = self._angle_now()
        self._layout = layout
        self._take_bank()
        self._begin_span()

    def set_exhaust(self, exhaust: Exhaust) -> None:
        """Send the firings to come through another exhaust."""
        self._angle_deg = self._angle_now()
        self._exhaust = exhaust
        self._take_bank()
        self._begin_span()

    def set_dropped(self, cylinders: frozenset[int]) -> None:
        """Name the cylinders (from 1) that do not fire from now on; the others do."""
        self._dropped = frozenset(cylinders)

    def set_ticks(self, level_db: float | None) -> None:
        """Turn the crank ticks on, with their peak at a level against full scale, or off."""
        self._tick_db = None if level_db is None else checks.number("tick_db", level_db, low=-80, high=-6, unit="dB")

    # Making sound -----------------------------------------------------------------------------------------------

    def next_block(self, n_frames: int) -> Floats:
        """Return the next frames, shape (n,) or (n, 2), full scale 1."""
        n_frames = checks.whole("n_frames", n_frames, low=0, high=1 << 31)
        block = np.empty((self._channels, n_frames))
        done = 0
        while done < n_frames:
            if self._frame == self._span_end:
                self._angle_deg += self._turn_deg
                self._begin_span()
            count = min(n_frames - done, CHUNK_FRAMES, self._span_end - self._frame)
            self._fire(self._frame + count)
            self._drain(block[:, done : done + count])
            self._frame += count
            done += count
        return block[0] if self._channels == 1 else np.ascontiguousarray(block.T)

    def _drain(self, out: Floats) -> None:
        """Move finished frames out of the tail; bend what would pass the ceiling."""
        count = out.shape[1]
        out[:] = self._tail[:, :count]
        if max(float(out.max()), -float(out.min())) > KNEE:
            over = np.abs(out) > KNEE
            size = np.abs(out[over])
            room = CEILING - KNEE
            out[over] = np.sign(out[over]) * (KNEE + room * (size - KNEE) / (size - KNEE + room))
        left = max(self._ringing - count, 0)
        self._tail[:, :left] = self._tail[:, count : count + left]
        self._tail[:, left : max(self._ringing, left)] = 0.0
        self._ringing = left

    def _fire(self, end_frame: int) -> None:
        """Add the firings that begin before `end_frame` to the tail."""
        places, limit = self._places, end_frame * SHIFTS
        while self._next < len(places) and places[self._next] < limit:
            index = self._next
            self._next += 1
            start, shift = places[index] // SHIFTS - self._frame, places[index] % SHIFTS
            cylinder = self._cylinders[index]
            if cylinder < 0:
                if self._tick_db is not None:
                    self._add(self._tick(-cylinder - 1, shift), start, self._tick_gain(-cylinder - 1))
                continue
            strength = self._strengths[index]
            if cylinder + 1 in self._dropped or not strength:
                continue
            step = self._steps[index]
            gain = self._pan[cylinder] * (strength * self._gain(step))
            voice = self._bank.voice[cylinder]
            self._add(self._bank.kernel(step, voice, shift), start, gain)
            if self._bank.has_noise:
                burst = self._burst_numbers[index]
                sign = 1.0 if burst % 2 else -1.0
                self._add(self._bank.burst(step, voice, burst // 2), start, gain * sign)

    def _add(self, kernel: NDArray[np.float32], start: int, gain: NDArray[np.float32]) -> None:
        end = start + kernel.size
        if end > self._tail.shape[1]:
            grown = np.zeros((self._channels, end + CHUNK_FRAMES), dtype=np.float32)
            grown[:, : self._tail.shape[1]] = self._tail
            self._tail = grown
        if kernel.size > self._scratch.shape[1]:
            self._scratch = np.zeros((self._channels, kernel.size), dtype=np.float32)
        scaled = np.multiply(kernel, gain, out=self._scratch[:, : kernel.size])
        room = self._tail[:, start:end]
        np.add(room, scaled, out=room)
        self._ringing = max(self._ringing, end)

    # The stretch of time whose firings are known ----------------------------------------------------------------

    def _begin_span(self) -> None:
        """List the firings of the next cycles; ends on a frame that does not depend on how blocks are cut."""
        layout, rate = self._layout, self.sample_rate_hz
        since_s = (self._frame - self._speed_frame) / rate
        begin_deg = float(self._speed.crank_deg(since_s)[0])
        finish_s = float(self._speed.time_at_deg(begin_deg + SPAN_CYCLES * layout.cycle_deg)[0])
        frames = max(int((finish_s - since_s) * rate), 1)
        self._span_frame, self._span_end = self._frame, self._frame + frames
        duration_s = frames / rate
        self._curve = hunted(self._speed, self._life, self._seed, start_s=since_s, duration_s=duration_s)
        self._turn_deg = float(self._curve.crank_deg(duration_s)[0])
        events = events_in_turn(
            layout, self._curve, self._angle_deg, self._turn_deg,
            life=self._life, seed=self._seed, repeat_cycles=self._repeat_cycles,
        )  # fmt: skip
        places = self._frame * SHIFTS + np.rint(events.time_s * (rate * SHIFTS)).astype(np.int64)
        steps = np.rint(12 * np.log2(self._curve.rpm_at(events.time_s))).astype(np.int64)
        counted = events.cycle % self._repeat_cycles if self._repeat_cycles else events.cycle
        bursts = chance.hashes(self._seed, 999, counted, events.cylinder) % np.uint64(2 * BURSTS)
        ticks = events_in_turn(layout, self._curve, self._angle_deg, self._turn_deg, life=None, seed=0)
        tick_places = self._frame * SHIFTS + np.rint(ticks.time_s * (rate * SHIFTS)).astype(np.int64)
        everything = np.concatenate((places, tick_places))
        order = np.argsort(everything, kind="stable")
        blank = np.zeros(tick_places.size)
        self._places: list[int] = everything[order].tolist()
        self._cylinders: list[int] = np.concatenate((events.cylinder, -1 - ticks.cylinder))[order].tolist()
        self._strengths: list[float] = np.concatenate((events.strength, blank))[order].tolist()
        self._steps: list[int] = np.concatenate((steps, blank.astype(np.int64)))[order].tolist()
        self._burst_numbers: list[int] = np.concatenate((bursts, blank.astype(np.uint64)))[order].tolist()
        self._next = 0

    def _take_bank(self) -> None:
        self._bank = PulseBank(
            self._layout, self._exhaust, self._life, sample_rate_hz=self.sample_rate_hz, seed=self._seed
        )
        self._gains: dict[int, float] = {}
        self._pan = outlet_gains(self._layout, self._exhaust, self._channels)
        self._ticks: dict[tuple[int, int], NDArray[np.float32]] = {}

    def _gain(self, step: int) -> float:
        """Return the factor that gives the usual loudness at a speed, less where peaks would pass the limit."""
        found = self._gains.get(step)
        if found is None:
            lufs, peak = self._bank.level(step)
            rise_db = RISE_DB_PER_OCTAVE * float(np.log2(shape_rpm(step) / self._level_rpm))
            wanted = ratio_from_db(LEVEL_LUFS + min(rise_db, 6.0) - lufs)
            found = self._gains[step] = min(wanted, ratio_from_db(PEAK_ROOM_DB) / peak)
        return found

    # Crank ticks ------------------------------------------------------------------------------------------------

    def _tick(self, cylinder: int, shift: int) -> NDArray[np.float32]:
        key = (cylinder, shift)
        if key not in self._ticks:
            time_s = (np.arange(int(TICK_S * self.sample_rate_hz)) - shift / SHIFTS) / self.sample_rate_hz
            count = len(self._layout.cylinders)
            pitch_hz = 1500.0 * 2.0 ** (cylinder / max(count, 6))
            time_s = np.maximum(time_s, 0.0)
            tone = np.sin(2 * np.pi * pitch_hz * time_s)
            if cylinder == self._layout.firing_order[0] - 1:
                tone = 0.5 * tone + 0.8 * np.sin(2 * np.pi * 600.0 * time_s)
            shape = (time_s / 0.001) ** 2 / (1 + (time_s / 0.001) ** 2) * np.exp(-time_s / 0.003)
            wave = tone * shape
            self._ticks[key] = (wave / np.abs(wave).max()).astype(np.float32)
        return self._ticks[key]

    def _tick_gain(self, cylinder: int) -> NDArray[np.float32]:
        assert self._tick_db is not None
        size = ratio_from_db(self._tick_db)
        if self._channels == 1:
            return np.array([[size]], dtype=np.float32)
        count = len(self._layout.cylinders)
        side = 0.0 if count == 1 else PAN_LIMIT * (2 * cylinder / (count - 1) - 1)
        return np.array([[size * (1 - side)], [size * (1 + side)]], dtype=np.float32)


def outlet_gains(layout: Layout, exhaust: Exhaust, channels: int) -> NDArray[np.float32]:
    """Return the channel gains of each cylinder's open end, shape (cylinders, channels, 1); channels average to 1.

    Open ends stand left to right by bank, and along the crank where the banks are alike.
    """
    count = len(layout.cylinders)
    if channels == 1:
        return np.ones((count, 1, 1), dtype=np.float32)
    side = np.zeros(count)
    for group in exhaust.groups(layout):
        across = [np.sin(np.radians(layout.cylinders[i].bank_deg or 0.0)) for i in group]
        along = [layout.cylinders[i].offset for i in group]
        side[list(group)] = np.mean(across) if np.ptp([c.bank_deg or 0.0 for c in layout.cylinders]) else np.mean(along)
    spread = np.ptp(side)
    side = PAN_LIMIT * (2 * (side - side.min()) / spread - 1) if spread > 1e-9 else 0 * side
    return np.stack((1 - side, 1 + side), axis=1)[:, :, None].astype(np.float32)


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
    """
    duration_s = checks.seconds("duration_s", duration_s, low=0.01, high=3600.0)
    synth = Synth(
        layout, speed, sample_rate_hz=sample_rate_hz, exhaust=exhaust, life=life, seed=seed, stereo=stereo,
        tick_db=tick_db,
    )  # fmt: skip
    frames = round(duration_s * sample_rate_hz)
    samples = synth.next_block(frames)
    _soften(samples, 0, frames, sample_rate_hz)
    return Clip(samples=samples, sample_rate_hz=sample_rate_hz)


def render_blocks(synth: Synth, frames: int) -> Iterator[Floats]:
    """Yield the same samples as `render`, in blocks, for sound too long to hold."""
    for at in range(0, frames, 1 << 16):
        block = synth.next_block(min(1 << 16, frames - at))
        _soften(block, at, frames, synth.sample_rate_hz)
        yield block


def _soften(block: Floats, at: int, frames: int, sample_rate_hz: int) -> None:
    """Fade the first and last frames of a whole of `frames`, of which `block` begins at `at`."""
    rise = min(round(FADE_IN_S * sample_rate_hz), frames // 2)
    fall = min(round(FADE_OUT_S * sample_rate_hz), frames // 2)
    index = at + np.arange(len(block))
    if at < rise:
        ease = 0.5 - 0.5 * np.cos(np.pi * np.minimum((index[:rise] + 0.5) / rise, 1.0))
        block[: ease.size] *= ease if block.ndim == 1 else ease[:, None]
    first = max(frames - fall - at, 0)
    if first < len(block):
        ease = 0.5 - 0.5 * np.cos(np.pi * (frames - index[first:] - 0.5) / fall)
        block[first:] *= ease if block.ndim == 1 else ease[:, None]


def render_loop(
    layout: Layout,
    rpm: float,
    *,
    duration_s: float,
    sample_rate_hz: int,
    exhaust: Exhaust | None = None,
    life: Liveliness | None = None,
    seed: int = 0,
    stereo: bool = False,
    tick_db: float | None = None,
) -> Clip:
    """Return whole cycles near `duration_s` long that repeat without a seam; the speed gives way by a few millionths.

    Raises
    ------
    RangeError
        Not even one cycle fits.
    """
    period_s = layout.cycle_deg / (6.0 * checks.rpm(rpm))
    cycles = round(duration_s / period_s)
    if cycles < 1:
        raise RangeError(
            f"duration_s={duration_s:g} is too short to loop; one cycle at {rpm:g} rpm takes {period_s:.3g} s"
        )
    frames = round(cycles * period_s * sample_rate_hz)
    exact_rpm = cycles * layout.cycle_deg / 6.0 * sample_rate_hz / frames
    calm = Liveliness.ideal() if life is None else life
    synth = Synth(
        layout, SpeedCurve.steady(exact_rpm), sample_rate_hz=sample_rate_hz, exhaust=exhaust, life=_unhunted(calm),
        seed=seed, stereo=stereo, tick_db=tick_db, repeat_cycles=cycles,
    )  # fmt: skip
    for _ in range(int(2.0 * sample_rate_hz / frames) + 1):
        synth.next_block(frames)  # until everything that rings into the loop is sounding
    return Clip(samples=synth.next_block(frames), sample_rate_hz=sample_rate_hz)


def _unhunted(life: Liveliness) -> Liveliness:
    from dataclasses import replace

    return replace(life, hunting=0.0)
