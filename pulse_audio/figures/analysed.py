"""The picture of an analysed recording."""

from typing import TYPE_CHECKING

import numpy as np

from pulse_audio.analysis.result import Analysis
from pulse_audio.clip import Clip
from pulse_audio.figures.folding import FLOOR_DB, RATE_HZ, Folded, fold, listened
from pulse_audio.figures.style import BLUE, GREY, INK, ORANGE, PALE_BLUE, crank_axis, new_figure, styled, wrapped
from pulse_audio.report import percent, sureness

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN = 10.0
SHOWN_PULSES, SHOWN_CYCLES = 12, 3
MOST_READINGS = 6
OUTLINE_POINTS = 1200


def analysis_figure(span: Clip, found: Analysis) -> "Figure":
    """Return a picture of what was found in a recording.

    Waveform with the pulses found, folded cycle with its intervals, order lines against the best reading, speed over
    time, and how sure each reading is. A recording that could not be read shows its outline and why.

    Parameters
    ----------
    span : Clip
        The part of the recording that the answer is about.
    found : Analysis

    Raises
    ------
    MissingExtraError
        matplotlib is not installed.
    """
    folded = fold(span, found)
    notes = " ".join(f"{note[:1].upper()}{note[1:].rstrip('.')}." for note in found.notes)
    with styled():
        if folded is None:
            figure = new_figure(WIDTH_IN, 5.6 if found.speed_track else 3.6, _heading(found), notes)
            grid = figure.add_gridspec(2 if found.speed_track else 1, 1)
            _outline(figure.add_subplot(grid[0, 0]), span, found)
            if found.speed_track:
                _speed(figure.add_subplot(grid[1, 0]), found)
            return figure
        figure = new_figure(WIDTH_IN, 9.4, _heading(found), notes)
        grid = figure.add_gridspec(3, 2, height_ratios=[1.0, 1.25, 1.0])
        _pulses(figure.add_subplot(grid[0, :]), folded, found)
        _cycle(figure.add_subplot(grid[1, 0]), folded, found)
        _orders(figure.add_subplot(grid[1, 1]), folded)
        _speed(figure.add_subplot(grid[2, 0]), found)
        _readings(figure.add_subplot(grid[2, 1]), found)
    return figure


def _heading(found: Analysis) -> str:
    sure = sureness(found.confidence)
    if found.verdict == "even":
        return f"Fires evenly, {found.firing_rate_hz or 0:.1f} times a second ({sure})"
    if found.verdict == "uneven":
        gaps = "-".join(f"{gap:.0f}" for gap in found.intervals_deg or ())
        return f"Fires unevenly at intervals of {gaps} degrees ({sure})"
    if found.verdict == "no-rhythm":
        return f"No engine rhythm found ({sure})"
    return "How it fires cannot be told" + (f"; what is drawn is {sure}" if found.readings else "")


def _outline(axes: "Axes", span: Clip, found: Analysis) -> None:
    wave = listened(span)
    edges = np.linspace(0, len(wave), min(OUTLINE_POINTS, len(wave)) + 1).astype(int)[:-1]
    time_s = edges / RATE_HZ + found.span_s[0]
    axes.fill_between(
        time_s, np.minimum.reduceat(wave, edges), np.maximum.reduceat(wave, edges), color=BLUE, lw=0.3, step="post"
    )
    axes.set_xlim(time_s[0], time_s[-1])
    axes.set_xlabel("Time (s)")
    axes.set_ylabel("Pressure (of full scale)")
    axes.set_title("The recording, 20 to 2500 Hz")


def _pulses(axes: "Axes", folded: Folded, found: Analysis) -> None:
    per_cycle = len(folded.pulse_deg)
    count = min(max(SHOWN_PULSES, SHOWN_CYCLES * per_cycle), len(folded.pulse_s) - 1)
    first = (len(folded.pulse_s) - count) // 2
    low, high = folded.pulse_s[first], folded.pulse_s[first + count]
    edge = (high - low) / max(count, 1) / 2
    inside = (folded.time_s >= low - edge) & (folded.time_s <= high + edge)
    wave = folded.wave[inside]
    peak = float(np.abs(wave).max()) or 1.0
    shown = folded.pulse_s[first : first + count + 1]
    one_cycle = per_cycle if found.cycle_rate_hz else 1  # what is hidden is not marked
    starts = (np.arange(first, first + len(shown)) + folded.first_pulse) % one_cycle == 0
    axes.vlines(shown, -peak, 1.15 * peak, colors=ORANGE, linewidths=1.0, linestyles="dashed", zorder=1)
    axes.plot(folded.time_s[inside], wave, color=BLUE, lw=0.9, zorder=2)
    axes.plot(shown[~starts], np.full(np.sum(~starts), 1.22 * peak), "v", mfc="white", mec=INK, ms=6)
    axes.plot(shown[starts], np.full(np.sum(starts), 1.22 * peak), "v", color=INK, ms=7)
    axes.set_xlim(low - edge, high + edge)
    axes.set_ylim(-1.1 * peak, 1.35 * peak)
    axes.set_xlabel("Time (s)")
    axes.set_ylabel("Pressure (of full scale)")
    axes.set_title(
        "Pulses found, in the middle of what was listened to" + (" (▼ first of each cycle)" if one_cycle > 1 else "")
    )


def _cycle(axes: "Axes", folded: Folded, found: Analysis) -> None:
    shift = folded.cycle_deg / len(folded.pulse_deg) / 3
    angle = (folded.angle_deg + shift) % folded.cycle_deg
    order = np.argsort(angle)
    size = float(np.abs(folded.mean_wave).max()) or 1.0
    level = folded.mean_level / (float(folded.mean_level.max()) or 1.0)
    axes.fill_between(angle[order], 0, level[order], color=PALE_BLUE, label="level")
    axes.plot(angle[order], folded.mean_wave[order] / size, color=BLUE, lw=1.1, label="mean wave")
    at = folded.pulse_deg + shift
    axes.vlines(at, -1.0, 1.15, colors=ORANGE, linewidths=1.2, linestyles="dashed")
    axes.plot(at, np.full(len(at), 1.2), "v", color=INK, ms=6)
    following = [*at[1:], folded.cycle_deg + at[0]]
    sds = found.intervals_sd_deg or (0.0,) * len(at)
    points_per_deg = 72 * 0.42 * WIDTH_IN / folded.cycle_deg
    for before, after, sd in zip(at, following, sds, strict=True):
        text = f"{after - before:.0f}°" + (f"±{sd:.1f}" if sd else "")
        end = min(after, folded.cycle_deg)
        if (end - before) * points_per_deg < 5.0 * len(text):
            text = f"{after - before:.0f}"
        if (end - before) * points_per_deg > 4.6 * len(text):
            axes.text((before + end) / 2, -1.13, text, ha="center", va="top", fontsize=7.5)
    axes.set_ylim(-1.4, 1.35)
    axes.set_yticks([-1, 0, 1])
    axes.set_ylabel("Part of its peak")
    crank_axis(axes, folded.cycle_deg, "Crank angle (degrees, from an unknown start)")
    axes.set_title("One cycle, mean of all" if found.cycle_rate_hz else "One cycle of the first reading", pad=20)
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, frameon=False, borderaxespad=0.2)


def _orders(axes: "Axes", folded: Folded) -> None:
    from matplotlib.ticker import MaxNLocator

    axes.vlines(folded.order, FLOOR_DB, folded.found_db, colors=BLUE, linewidths=3.0)
    axes.plot(folded.order, folded.found_db, "o", color=BLUE, ms=4, label="recording")
    axes.plot(folded.order, folded.fitted_db, "D", mfc="none", mec=ORANGE, mew=1.5, ms=6.5, label="best reading")
    axes.set_ylim(FLOOR_DB - 1, 4)
    axes.set_xlim(0, folded.order[-1] + 0.5)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.set_xlabel("Order (cycles per crank turn)")
    axes.set_ylabel("Level (dB, the strongest at 0)")
    axes.set_title(wrapped(f"Order lines against {folded.pattern}", 44, 1), pad=20)
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, frameon=False, borderaxespad=0.2)


def _speed(axes: "Axes", found: Analysis) -> None:
    """Draw the speed over the whole track, broken where the sound does not show it, and the part listened to."""
    time_s, rpm = np.array(found.speed_track).T
    gap = np.flatnonzero(np.diff(time_s) > 1.5 * np.min(np.diff(time_s), initial=np.inf)) + 1
    line = np.insert(time_s, gap, np.nan), np.insert(rpm, gap, np.nan)
    axes.plot(*line, color=BLUE, lw=1.4, marker="." if len(time_s) < 80 else None)
    a_part = found.span_s[0] > time_s[0] or found.span_s[1] < time_s[-1]
    if a_part:
        axes.axvspan(*found.span_s, color=BLUE, alpha=0.12, lw=0)
    middle, spread = float(np.mean(rpm)), float(np.ptp(rpm))
    room = 0.05 * spread
    half = max(spread * 0.6, middle * 0.05)
    axes.set_ylim(min(rpm.min() - room, middle - half), max(rpm.max() + room, middle + half))
    axes.set_xlim(min(time_s[0], found.span_s[0]), max(time_s[-1], found.span_s[1]))
    axes.set_xlabel("Time (s); shaded: listened to" if a_part else "Time (s)")
    axes.set_ylabel("Speed (rpm)")
    axes.ticklabel_format(useOffset=False)
    axes.set_title("Speed, if the first reading is right")


def _readings(axes: "Axes", found: Analysis) -> None:
    """Draw how probable each reading is; what is left over is none of them."""
    best, *others = found.readings
    shown = [best, *sorted(others, key=lambda r: -r.probability)[: MOST_READINGS - 1]]
    rest, left = max(1.0 - sum(r.probability for r in shown), 0.0), len(found.readings) - len(shown)
    names = [_reading_name(r.layouts, r.cylinders, r.strokes, r.rpm) for r in shown]
    bars = [*(r.probability for r in shown), rest]
    places = -np.arange(len(bars), dtype=float)
    filled = [BLUE if r.agrees else PALE_BLUE for r in shown]
    axes.barh(places, bars, height=0.36, color=[*filled, "white"], edgecolor=[BLUE] * len(shown) + [GREY])
    none = f"{left} more, or none of these" if left else "none of these"
    for place, name, bar in zip(places, [*names, none], bars, strict=True):
        axes.text(0.008, place + 0.22, f"{name}: {percent(bar)}", fontsize=7.5, va="bottom", ha="left")
    axes.set_xlim(0, 1)
    axes.set_ylim(places[-1] - 0.4, 0.9)
    axes.set_yticks([])
    axes.set_xlabel("Probability")
    axes.set_title("Readings that fit" + ("" if all(r.agrees for r in shown) else " (pale: if it fires otherwise)"))


def _reading_name(layouts: tuple[str, ...], cylinders: int, strokes: int, rpm: float) -> str:
    first = layouts[0] if layouts else f"{cylinders} cylinders, {'four' if strokes == 4 else 'two'}-stroke"
    more = f" and {len(layouts) - 1} like it" if len(layouts) > 1 else ""
    return wrapped(f"{first}{more}, {rpm:.0f} rpm", 56, 1)
