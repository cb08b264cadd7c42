"""Sound that repeats without a seam: whole cycles, taken once everything that rings into them sounds."""

from dataclasses import dataclass, replace

from pulse_audio import checks
from pulse_audio.clip import Clip
from pulse_audio.errors import RangeError
from pulse_audio.exhaust import Exhaust
from pulse_audio.firing import FiringEvents, Liveliness, checked_seed, events_in_turn
from pulse_audio.layout import Layout
from pulse_audio.speed import DURATIONS_S, SpeedCurve
from pulse_audio.synth import Synth, checked_rate
from pulse_audio.units import rpm_to_deg_per_s

LONGEST_RING_S = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Loop:
    """Whole cycles that fill whole frames.

    Attributes
    ----------
    cycles, frames : int
    rpm : float
        Within a few millionths of the speed that was asked for.
    """

    cycles: int
    frames: int
    rpm: float


def fit_loop(layout: Layout, rpm: float, *, duration_s: float, sample_rate_hz: int) -> Loop:
    """Return the loop nearest to a duration.

    Parameters
    ----------
    layout : Layout
    rpm : float
    duration_s : float
        0.01 to 3600, and at least half a cycle.
    sample_rate_hz : int
        8000 to 192000.

    Raises
    ------
    RangeError
        A value out of range, or not even one cycle fits.
    """
    low, high = DURATIONS_S
    sample_rate_hz = checked_rate(sample_rate_hz)
    rpm, duration_s = checks.rpm(rpm), checks.seconds("duration_s", duration_s, low=low, high=high)
    period_s = layout.cycle_deg / rpm_to_deg_per_s(rpm)
    cycles = round(duration_s / period_s)
    if cycles < 1:
        raise RangeError(
            f"duration_s={duration_s:g} is too short to loop: one cycle at {rpm:g} rpm takes {period_s:.3g} s; "
            "give that or more"
        )
    frames = round(cycles * period_s * sample_rate_hz)
    return Loop(cycles=cycles, frames=frames, rpm=rpm * cycles * period_s * sample_rate_hz / frames)


def loop_events(layout: Layout, loop: Loop, *, life: Liveliness | None = None, seed: int = 0) -> FiringEvents:
    """Return the firings that `render_loop` sounds."""
    return events_in_turn(
        layout, SpeedCurve.steady(loop.rpm), 0.0, loop.cycles * layout.cycle_deg,
        life=life, seed=checked_seed(seed), repeat_cycles=loop.cycles,
    )  # fmt: skip


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
    """Return whole cycles near `duration_s` long that repeat without a seam, the crank at 0 at the first frame.

    Speed does not hunt, and gives way by a few millionths so that the cycles fill whole frames.

    Parameters
    ----------
    layout : Layout
    rpm : float
    duration_s : float
        0.01 to 3600, and at least half a cycle.
    sample_rate_hz : int
        8000 to 192000.
    exhaust : Exhaust or None
        None for open stubs.
    life : Liveliness or None
        None for a perfectly regular engine.
    seed : int
        Start of the random numbers, 0 to 4294967295.
    stereo : bool
    tick_db : float or None
        Peak of the crank ticks against full scale, -80 to -6; None for none.

    Returns
    -------
    Clip
        Samples of shape (frames,), or (frames, 2) in stereo.

    Raises
    ------
    RangeError, ExhaustError
        A value out of range, not even one cycle fits, or an exhaust whose groups do not fit the layout.
    """
    loop = fit_loop(layout, rpm, duration_s=duration_s, sample_rate_hz=sample_rate_hz)
    synth = Synth(
        layout, SpeedCurve.steady(loop.rpm), sample_rate_hz=sample_rate_hz, exhaust=exhaust,
        life=None if life is None else replace(life, hunting=0.0), seed=seed, stereo=stereo, tick_db=tick_db,
        repeat_cycles=loop.cycles,
    )  # fmt: skip
    for _ in range(int(LONGEST_RING_S * synth.sample_rate_hz / loop.frames) + 1):
        synth.next_block(loop.frames)  # until everything that rings into the loop sounds
    return Clip(samples=synth.next_block(loop.frames), sample_rate_hz=synth.sample_rate_hz)
