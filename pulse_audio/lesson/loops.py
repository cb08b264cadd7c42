"""The sounds of the page: for each layout and speed whole cycles that repeat without a seam, at one loudness."""

import base64
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pulse_audio.clip import Clip, flac_bytes
from pulse_audio.exhaust import Exhaust
from pulse_audio.firing import Liveliness
from pulse_audio.layout import Layout
from pulse_audio.loop import fit_loop, render_loop
from pulse_audio.loudness import match
from pulse_audio.units import rpm_to_deg_per_s

SAMPLE_RATE_HZ = 48_000  # what most sound devices run at: then the browser does not resample
LEAST_S, LEAST_CYCLES = 3.5, 2
MARGIN_FRAMES = 960  # sound before and after the loop, for browsers that must resample


@dataclass(frozen=True, kw_only=True, slots=True)
class Loop:
    """One sound: `frames` that repeat, with `MARGIN_FRAMES` of the same round on either side.

    `data` is FLAC in base 64: lossless, decoded by all current browsers, and without padding at its ends.
    """

    data: str
    frames: int
    rpm: float


def make_loops(
    layouts: Sequence[Layout],
    rpms: Sequence[float],
    *,
    exhaust: Exhaust | None,
    seed: int,
    done: Callable[[], None],
) -> list[list[Loop]]:
    """Return the loops of each layout at each speed; all layouts are equally loud at one speed.

    Parameters
    ----------
    layouts, rpms
    exhaust : Exhaust or None
    seed : int
    done : callable
        Called after each loop.

    Returns
    -------
    list of list of Loop
        By layout, then by speed. A loop's exact speed differs from the one asked for by a few millionths, so that it
        lasts a whole number of frames.
    """
    by_speed = []
    for rpm in rpms:
        clips, exact_rpms = [], []
        for layout in layouts:
            duration_s = max(LEAST_S, LEAST_CYCLES * layout.cycle_deg / rpm_to_deg_per_s(rpm))
            whole = fit_loop(layout, rpm, duration_s=duration_s, sample_rate_hz=SAMPLE_RATE_HZ)
            clip = render_loop(
                layout, rpm, duration_s=duration_s, sample_rate_hz=SAMPLE_RATE_HZ, exhaust=exhaust, life=Liveliness(),
                seed=seed,
            )  # fmt: skip
            clips.append(clip)
            exact_rpms.append(whole.rpm)
            done()
        by_speed.append([_packed(clip, rpm) for clip, rpm in zip(match(clips), exact_rpms, strict=True)])
    return [list(loops) for loops in zip(*by_speed, strict=True)]


def _packed(clip: Clip, rpm: float) -> Loop:
    frames = len(clip.samples)
    around = clip.samples.take(range(-MARGIN_FRAMES, frames + MARGIN_FRAMES), mode="wrap")
    return Loop(data=as_text(flac_bytes(Clip(samples=around, sample_rate_hz=SAMPLE_RATE_HZ))), frames=frames, rpm=rpm)


def as_text(sound: bytes) -> str:
    """Return bytes in base 64."""
    return base64.b64encode(sound).decode("ascii")
