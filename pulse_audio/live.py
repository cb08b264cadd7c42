"""An engine under somebody's hands: what `play` plays, and what its keys change.

All methods but `close` are called by the thread that makes the sound; a `Scene` is what others may look at. Helper
threads only make kernels, of layouts, exhausts and a speed that they are given when they are sent off.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pulse_audio import checks
from pulse_audio.errors import PulseError, RangeError
from pulse_audio.exhaust import Exhaust
from pulse_audio.fader import FADE_S, LEVEL_DB, LEVEL_MAX_DB, LEVEL_MIN_DB, Fader, PeakHold
from pulse_audio.firing import Liveliness
from pulse_audio.hurry import step_back
from pulse_audio.layout import Layout
from pulse_audio.pipework import check_heard
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import Synth, prepare
from pulse_audio.units import cycle_hz, db_from_ratio, rpm_from_cycle_hz

Floats = NDArray[np.float64]

SILENT_DB = -80.0
TICK_DB = -14.0
# At the usual loudness from here on, and 3 dB an octave softer below: so soft that the peak limit holds back no layout,
# and all are equally loud (a single through open stubs may have -28.3 LUFS at 900 rpm and -24.1 at 3000).
LEVEL_RPM = 4000.0
PEAK_HOLD_S = 1.0  # or one cycle where that is longer
SLOW_PULSES_HZ = 3.0  # one by one: gaps of 85 ms and more can be counted, and 330 ms without hurry
GLIDE_S_PER_OCTAVE = 0.35
DURATIONS_S = (0.01, 12 * 3600.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Scene:
    """The engine as it is at one frame.

    Attributes
    ----------
    layout : Layout
    layout_number, layout_count : int
        Which of the named layouts, from 1.
    exhaust : str
    rpm, wanted_rpm : float
        Speed now, and the speed it is going to.
    crank_deg : float
        In the cycle.
    dropped : frozenset of int
        Cylinders (from 1) that do not fire.
    ticks, held, slow, gliding : bool
        `gliding` while a key's change of speed is on its way.
    level_db : float
        Level asked for; 0 is the loudest allowed.
    peak_db : float
        Highest sample of the last second, or cycle if that is longer, against full scale.
    note : str
        Why the last key did nothing; empty if it did something.
    """

    layout: Layout
    layout_number: int
    layout_count: int
    exhaust: str
    rpm: float
    wanted_rpm: float
    crank_deg: float
    dropped: frozenset[int] = frozenset()
    ticks: bool = False
    held: bool = False
    slow: bool = False
    gliding: bool = False
    level_db: float = LEVEL_DB
    peak_db: float = SILENT_DB
    note: str = ""


class LiveEngine:
    """A synthesiser with a level, a list of layouts and exhausts, and things to do to it.

    Parameters
    ----------
    layouts, exhausts : sequence
        The first of each sounds first.
    rpm : float
    sample_rate_hz : int
    life : Liveliness or None
    seed : int
    stereo, ticks : bool
    level_db : float
        -40 to 0.
    duration_s : float or None
        Ends by itself after so long, 0.01 s to 12 hours; None for never.

    Raises
    ------
    RangeError, SpeedError, ExhaustError
        A value out of range, or the first exhaust's groups do not fit one of the layouts.
    """

    def __init__(
        self,
        layouts: Sequence[Layout],
        exhausts: Sequence[Exhaust],
        *,
        rpm: float,
        sample_rate_hz: int,
        life: Liveliness | None = None,
        seed: int = 0,
        stereo: bool = False,
        ticks: bool = False,
        level_db: float = LEVEL_DB,
        duration_s: float | None = None,
    ) -> None:
        self._layouts, self._exhausts = tuple(layouts), tuple(exhausts)
        self._layout, self._exhaust = 0, 0
        self._channels = (2,) if stereo else ()
        self._ticks = ticks
        self._synth = Synth(
            self._layouts[0],
            SpeedCurve.steady(rpm),
            sample_rate_hz=sample_rate_hz,
            exhaust=self._exhausts[0],
            life=life,
            seed=seed,
            stereo=stereo,
            tick_db=TICK_DB if ticks else None,
            level_rpm=LEVEL_RPM,
        )
        self._life, self._prepared = life or Liveliness.ideal(), {(0, 0)}
        self._wanted = (0, 0)
        self._helpers = ThreadPoolExecutor(2, "sound helper", initializer=step_back)
        for layout in self._layouts:
            check_heard(self._exhausts[0], layout)  # what does not fit is told now, not at a key
        self._wanted_rpm, self._glide_end = rpm, 0
        self._slow_from: float | None = None
        self._dropped: frozenset[int] = frozenset()
        self._held = self._ending = False
        self._fader = Fader(level_db, sample_rate_hz)
        self._peaks, self._peak_db = PeakHold(), SILENT_DB
        self._note = ""
        self._frames_left: int | None = None
        if duration_s is not None:
            low, high = DURATIONS_S
            clean_s = checks.seconds("duration_s", duration_s, low=low, high=high)
            self._frames_left = round(clean_s * self._synth.sample_rate_hz)
            self._fade_frames = min(round(FADE_S * self._synth.sample_rate_hz), self._frames_left // 2)

    # What is heard ----------------------------------------------------------------------------------------------

    def scene(self) -> Scene:
        """Return how the engine is at the next frame."""
        return Scene(
            layout=self._layouts[self._layout],
            layout_number=self._layout + 1,
            layout_count=len(self._layouts),
            exhaust=self._exhausts[self._exhaust].name,
            rpm=self._synth.rpm,
            wanted_rpm=self._wanted_rpm,
            crank_deg=self._synth.crank_deg,
            dropped=self._dropped,
            ticks=self._ticks,
            held=self._held,
            slow=self._slow_from is not None,
            gliding=self._synth.frame < self._glide_end,
            level_db=self._fader.wanted_db,
            peak_db=self._peak_db,
            note=self._note,
        )

    def next_block(self, n_frames: int) -> Floats:
        """Return the next frames at the level asked for, shape (n,) or (n, 2); fewer than asked for at the end."""
        if self._frames_left is None:
            return self._part(n_frames)
        n_frames = min(n_frames, self._frames_left)
        before_fade = min(max(self._frames_left - self._fade_frames, 0), n_frames)
        self._frames_left -= n_frames
        if before_fade == n_frames > 0:
            return self._part(n_frames)
        before = self._part(before_fade)
        self._ending = True
        return np.concatenate((before, self._part(n_frames - before_fade)))

    def _part(self, n_frames: int) -> Floats:
        if self._wanted != (self._layout, self._exhaust) and self._wanted in self._prepared:
            self._switch()
        sounding = not (self._held or self._ending)
        if self._fader.is_shut and not sounding:
            self._peaks, self._peak_db = PeakHold(), SILENT_DB
            return np.zeros((0 if self._ending else n_frames, *self._channels))
        samples = self._synth.next_block(n_frames)
        gain = self._fader.gains(n_frames, sounding=sounding)
        samples = samples * (gain if samples.ndim == 1 else gain[:, None])
        cycle_s = 1.0 / cycle_hz(self._synth.rpm, self._layouts[self._layout].strokes)
        peak = self._peaks.after(samples, max(PEAK_HOLD_S, cycle_s) * self._synth.sample_rate_hz)
        self._peak_db = max(db_from_ratio(peak), SILENT_DB)
        return samples

    # What the keys do -------------------------------------------------------------------------------------------

    def perform(self, action: Callable[["LiveEngine"], object] | None) -> None:
        """Do something to the engine, or nothing; what cannot be done becomes the scene's note, till the next key."""
        self._note = ""
        try:
            if action:
                action(self)
        except PulseError as e:
            self._note = str(e)

    def change_speed(self, by_rpm: float) -> None:
        """Go so much faster or slower; at the ends of the range it stays there."""
        self.set_speed(min(max(self._wanted_rpm + by_rpm, checks.RPM_MIN), checks.RPM_MAX))

    def set_speed(self, rpm: float) -> None:
        """Go to a speed, in a time that grows with the ratio of the speeds; at once while it is held."""
        if not checks.RPM_MIN <= rpm <= checks.RPM_MAX:
            raise RangeError(f"{rpm:.10g} rpm is out of range; give {checks.RPM_MIN:g} to {checks.RPM_MAX:g} rpm")
        octaves = abs(float(np.log2(rpm / self._synth.rpm)))
        glide_s = 0.0 if self._held else 0.05 + GLIDE_S_PER_OCTAVE * octaves
        self._synth.set_speed(rpm, glide_s)
        self._wanted_rpm = rpm
        self._glide_end = self._synth.frame + round(glide_s * self._synth.sample_rate_hz)
        if self._slow_from is not None and rpm >= self._slow_from:
            self._slow_from = None

    def slow_down(self) -> None:
        """Go to a speed at which the pulses can be counted, or from there back to the speed before."""
        if self._slow_from is not None:
            self.set_speed(self._slow_from)
            return
        before = self._wanted_rpm
        if self._slow_rpm() >= before:
            raise RangeError("it already runs so slowly that the pulses can be counted")
        self.set_speed(self._slow_rpm())
        self._slow_from = before

    def _slow_rpm(self) -> float:
        layout = self._layouts[self._layout]
        slow_hz = SLOW_PULSES_HZ / len(layout.pulse_intervals_deg)
        return max(rpm_from_cycle_hz(slow_hz, layout.strokes), checks.RPM_MIN)

    def choose_layout(self, number: int) -> None:
        """Switch to one of the layouts, from 1; all its cylinders fire."""
        self._want(_checked("layout", number, len(self._layouts)) - 1, self._wanted[1])

    def step_layout(self, by: int) -> None:
        """Switch to the next or previous layout."""
        if len(self._layouts) == 1:
            raise RangeError("only one layout was named; name several to switch between them")
        self._want((self._wanted[0] + by) % len(self._layouts), self._wanted[1])

    def next_exhaust(self) -> None:
        """Switch to the next exhaust."""
        self._want(self._wanted[0], (self._wanted[1] + 1) % len(self._exhausts))

    def _want(self, layout: int, exhaust: int) -> None:
        """Switch as soon as the kernels are ready; the sound goes on as it is until then."""
        check_heard(self._exhausts[exhaust], self._layouts[layout])
        self._wanted = (layout, exhaust)
        if self._wanted not in self._prepared:
            self._helpers.submit(self._prepare, self._wanted, self._synth.rpm)

    def _switch(self) -> None:
        layout, exhaust = self._wanted
        if layout != self._layout:
            self._dropped = frozenset()
            self._synth.set_dropped(self._dropped)
            self._synth.set_layout(self._layouts[layout])
        if exhaust != self._exhaust:
            self._synth.set_exhaust(self._exhausts[exhaust])
        self._layout, self._exhaust = layout, exhaust
        if self._slow_from is not None:
            self.set_speed(min(self._slow_rpm(), self._slow_from))
        self.prepare_neighbours()

    def prepare_neighbours(self) -> None:
        """Begin to make ready, in the background, what the next key may ask for."""
        others = [(n, self._exhaust) for n in range(len(self._layouts))]
        others += [(self._layout, n) for n in range(len(self._exhausts))]
        self._prepared &= set(others)  # the kept kernels are too few for all pairs: others may be gone when asked for
        self._helpers.submit(self._prepare_all, others, self._synth.rpm)

    def _prepare_all(self, pairs: Sequence[tuple[int, int]], rpm: float) -> None:
        for pair in pairs:
            if self._ending:
                return
            with suppress(PulseError):  # an exhaust that does not fit this layout is told when it is asked for
                self._prepare(pair, rpm)

    def _prepare(self, pair: tuple[int, int], rpm: float) -> None:
        layout, exhaust = pair
        prepare(
            self._layouts[layout],
            self._exhausts[exhaust],
            life=self._life,
            rpm=rpm,
            sample_rate_hz=self._synth.sample_rate_hz,
        )
        self._prepared.add(pair)

    def toggle_cylinder(self, number: int) -> None:
        """Drop a cylinder, or let it fire again."""
        self._dropped ^= {_checked("cylinder", number, len(self._layouts[self._layout].cylinders))}
        self._synth.set_dropped(self._dropped)

    def restore_cylinders(self) -> None:
        """Let all cylinders fire."""
        self._dropped = frozenset()
        self._synth.set_dropped(self._dropped)

    def toggle_ticks(self) -> None:
        """Turn the crank ticks on or off."""
        self._ticks = not self._ticks
        self._synth.set_ticks(TICK_DB if self._ticks else None)

    def toggle_hold(self) -> None:
        """Stand still without a sound, or go on from there."""
        self._held = not self._held

    def change_level(self, by_db: float) -> None:
        """Play louder or softer within the limits."""
        wanted = self._fader.wanted_db + by_db
        self._fader.wanted_db = min(max(wanted, LEVEL_MIN_DB), LEVEL_MAX_DB)
        if wanted > LEVEL_MAX_DB:
            raise RangeError("this is the loudest it plays; use the loudspeaker's own control for more")

    def end(self) -> None:
        """Fade out and end."""
        self._ending = True

    def close(self) -> None:
        """Stop what is being made ready; from any thread, once nothing is played any more."""
        self._ending = True
        self._helpers.shutdown(wait=False, cancel_futures=True)


def _checked(what: str, number: int, count: int) -> int:
    """Return a number from 1 to `count` as somebody typed it."""
    if 1 <= number <= count:
        return number
    there = f"1 to {count} are" if count > 1 else "only 1 is"
    raise RangeError(f"there is no {what} {number}; {there} there")
