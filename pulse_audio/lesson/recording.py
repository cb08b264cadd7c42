"""A recording on the page: its sound, its outline, what was found in it, and which layout of the page it fits."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import cycle, islice

import numpy as np
from scipy.signal import resample_poly

from pulse_audio.analysis.result import Analysis, Reading
from pulse_audio.catalogue import fires_alike, layout_names
from pulse_audio.catalogue import layout as catalogue_layout
from pulse_audio.clip import Clip, flac_bytes
from pulse_audio.layout import Layout
from pulse_audio.lesson import svg
from pulse_audio.lesson.cards import text
from pulse_audio.lesson.loops import SAMPLE_RATE_HZ, as_text
from pulse_audio.lesson.texts import Texts
from pulse_audio.loudness import match
from pulse_audio.units import cycle_deg, rpm_to_deg_per_s

LONGEST_S = 8.0
SHORTEST_S = 0.4  # loudness needs a block of this length
WAVE_POINTS = 240
MAX_FITS, MAX_OTHERS, MAX_NAMES = 3, 6, 3


@dataclass(frozen=True, kw_only=True, slots=True)
class Recording:
    """A recording and what was found in it.

    Attributes
    ----------
    name : str
        As shown.
    clip : Clip
        The span that the answer is about.
    analysis : Analysis
    """

    name: str
    clip: Clip
    analysis: Analysis


def _told(analysis: Analysis) -> tuple[Reading, ...]:
    """Return the readings, none where the verdict is that it can't be told."""
    return analysis.readings if analysis.is_told else ()


def shown_readings(analysis: Analysis, layouts: Sequence[Layout]) -> list[Reading]:
    """Return the readings that the page shows: those that it fits, else the best; none where nothing was read."""
    return [reading for _, reading in fitting(analysis, layouts)] or list(_told(analysis)[:1])


def speeds_rpm(analysis: Analysis, layouts: Sequence[Layout]) -> list[int]:
    """Return the whole speeds at which the page's layouts can be compared with the recording, likeliest first."""
    return list(dict.fromkeys(round(reading.rpm) for reading in shown_readings(analysis, layouts)))


def intervals_as(analysis: Analysis, reading: Reading | None) -> tuple[float, ...]:
    """Return the intervals in degrees of a reading's own crank, over one of its cycles; none where none were found."""
    if not analysis.intervals_deg or not reading:
        return ()
    if analysis.verdict == "even" and analysis.firing_rate_hz:
        gaps = [rpm_to_deg_per_s(reading.rpm) / analysis.firing_rate_hz]
    else:
        gaps = [gap * reading.rpm / analysis.readings[0].rpm for gap in analysis.intervals_deg]
    count = round(len(gaps) * cycle_deg(reading.strokes) / sum(gaps))
    return tuple(islice(cycle(gaps), count))


def fitting(analysis: Analysis, layouts: Sequence[Layout]) -> list[tuple[int, Reading]]:
    """Return the layouts of the page that the recording fits and the readings that say so, at most 3, best first."""
    named = set(layout_names())
    found: dict[int, Reading] = {}
    for reading in (r for r in _told(analysis) if r.agrees):
        known = [catalogue_layout(name) for name in reading.layouts if name in named]
        for index, layout in enumerate(layouts):
            if layout.name in reading.layouts or any(fires_alike(layout, other) for other in known):
                found.setdefault(index, reading)
    return list(found.items())[:MAX_FITS]


def sound(recording: Recording, level_lufs: float) -> str:
    """Return at most 8 s of the recording as one channel of FLAC in base 64, as loud as the layouts."""
    mono, rate = recording.clip.mono(), recording.clip.sample_rate_hz
    mono = mono[: int(LONGEST_S * rate)]
    if len(mono) < SHORTEST_S * rate:
        mono = np.pad(mono, (0, int(SHORTEST_S * rate) + 1 - len(mono)))
    if rate != SAMPLE_RATE_HZ:
        common = int(np.gcd(rate, SAMPLE_RATE_HZ))
        mono = resample_poly(mono, SAMPLE_RATE_HZ // common, rate // common)
    (level,) = match([Clip(samples=mono, sample_rate_hz=SAMPLE_RATE_HZ)], level_lufs)
    return as_text(flac_bytes(level))


def section(recording: Recording, layouts: Sequence[Layout], texts: Texts) -> str:
    """Return the part of the page about the recording."""
    found = recording.analysis
    gaps_deg = intervals_as(found, next(iter(shown_readings(found, layouts)), None))
    parts = [
        text("h3", texts("recording", "title")),
        text("p", recording.name, class_="quiet"),
        text("button", texts("recording", "play"), type="button", id="recording-play", aria_pressed="false"),
        _outline(recording, texts),
        "".join(text("p", line) for line in _lines(found, layouts, gaps_deg, texts)),
        _found_strip(gaps_deg, texts) if len(speeds_rpm(found, layouts)) == 1 else "",
        text("p", texts("recording", "limits"), class_="quiet"),
    ]
    return svg.tag("section", "".join(parts), class_="recording", aria_label=texts("recording", "title"))


def _outline(recording: Recording, texts: Texts) -> str:
    samples = recording.clip.samples
    size = np.abs(samples) if samples.ndim == 1 else np.abs(samples).max(axis=1)
    edges = np.linspace(0, len(size), min(WAVE_POINTS, len(size)) + 1).astype(int)
    peaks = np.maximum.reduceat(size, edges[:-1])
    label = texts("recording", "wave_label", seconds=round(recording.clip.duration_s, 1))
    return svg.wave((peaks / max(float(peaks.max()), 1e-9)).tolist(), label)


def _lines(found: Analysis, layouts: Sequence[Layout], gaps_deg: Sequence[float], texts: Texts) -> list[str]:
    percent = texts.percent(found.confidence)
    gaps = _gaps(gaps_deg, texts)
    rate = texts.number(found.firing_rate_hz or 0.0, 1)
    lines = [
        {
            "even": lambda: texts("recording", "found_even", percent=percent, rate=rate),
            "uneven": lambda: texts("recording", "found_uneven", percent=percent, rate=rate, gaps=gaps),
            "undetermined": lambda: texts("recording", "found_undetermined"),
            "no-rhythm": lambda: texts("recording", "found_nothing"),
        }[found.verdict]()
    ]
    if not found.is_told:
        return lines
    fits = fitting(found, layouts)
    for index, reading in fits:
        name, rpm, share = layouts[index].name, round(reading.rpm), texts.percent(reading.probability)
        lines.append(texts("recording", "fits", name=name, rpm=rpm, percent=share))
    if not fits:
        lines.append(texts("recording", "fits_none"))
    fitted = [reading for _, reading in fits]
    others = [_named(reading, texts) for reading in found.readings if reading not in fitted]
    if others:
        lines.append(texts("recording", "others", names="; ".join(others[:MAX_OTHERS])))
    speeds = [texts.number(rpm) for rpm in speeds_rpm(found, layouts)]
    if speeds:
        lines.append(texts("recording", "compare", rpms=texts.together(speeds)))
    return lines


def _named(reading: Reading, texts: Texts) -> str:
    more = ("…",) if len(reading.layouts) > MAX_NAMES else ()
    names = ", ".join((*reading.layouts[:MAX_NAMES], *more)) or texts("recording", "nameless")
    return f"{names} ({round(reading.rpm)} rpm, {texts.percent(reading.probability)})"


def _gaps(gaps_deg: Sequence[float], texts: Texts) -> str:
    return "-".join(texts.number(gap, 0) for gap in gaps_deg)


def _found_strip(gaps_deg: Sequence[float], texts: Texts) -> str:
    if not gaps_deg:
        return ""
    label = texts("recording", "strip_label", gaps=_gaps(gaps_deg, texts))
    return svg.measured_strip(gaps_deg, label, texts("card", "strip_axis"))
