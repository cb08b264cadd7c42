"""An analysis as one JSON object, and as text that a person takes in at a glance. Pure functions.

The JSON object is a contract (docs/json.md): keys are added, never renamed.
"""

import math
import textwrap
from collections.abc import Sequence

from pulse_audio.analysis.result import Analysis, Reading
from pulse_audio.files import shown

CAUTION = (
    "This describes a sound. It is no diagnosis: have a qualified mechanic look at\nan engine before you rely on it."
)
TRACK_POINTS_SHOWN = 2
READINGS_SHOWN = 16
NAMES_COLUMNS = 44
LINE_COLUMNS = 79
SURENESS = ((0.98, "almost certain"), (0.9, "very likely"), (0.7, "likely"), (0.5, "more likely than not"))
STROKES = {2: "two-stroke", 4: "four-stroke"}
WEAK_SHARE_SHOWN = 0.05  # of the cycles; below this a pulse that falters now and then is common in a good engine


def to_json(file: str, analysis: Analysis) -> dict[str, object]:
    """Return the JSON object of one analysed clip, rounded to digits that carry meaning; infinities become null."""
    return {
        "file": file,
        "duration_s": _rounded(analysis.duration_s, 4),
        "sample_rate_hz": analysis.sample_rate_hz,
        "span_s": _rounded(analysis.span_s, 4),
        "verdict": analysis.verdict,
        "confidence": _rounded(analysis.confidence, 4),
        "firing_rate_hz": _rounded(analysis.firing_rate_hz, 6),
        "firing_rate_sd_hz": _rounded(analysis.firing_rate_sd_hz, 6),
        "cycle_rate_hz": _rounded(analysis.cycle_rate_hz, 6),
        "intervals_deg": _rounded(analysis.intervals_deg, 3),
        "intervals_sd_deg": _rounded(analysis.intervals_sd_deg, 3),
        "pulse_level_db": _rounded(analysis.pulse_level_db, 2),
        "weak_share": _rounded(analysis.weak_share, 4),
        "speed_track": _rounded(analysis.speed_track, 4),
        "readings": [
            {
                "layouts": list(reading.layouts),
                "strokes": reading.strokes,
                "cylinders": reading.cylinders,
                "rpm": _rounded(reading.rpm, 3),
                "probability": _rounded(reading.probability, 4),
                "agrees": reading.agrees,
            }
            for reading in analysis.readings
        ],
        "layout_match": _rounded(analysis.layout_match, 4),
        "notes": list(analysis.notes),
    }


def _rounded(value: object, digits: int) -> object:
    if isinstance(value, float):
        return round(value, digits) if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _rounded(item, digits) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_rounded(item, digits) for item in value]
    return value


def to_text(file: str, analysis: Analysis) -> str:
    """Return the answer about one clip as lines of text: the verdict first, what backs it up below."""
    facts = [*_pattern_facts(analysis), ("listened to", _span_text(analysis))]
    width = max(len(name) for name, _ in facts)
    lines = [shown(file), f"  {_headline(analysis)}", ""]
    for name, text in facts:
        lines += _wrapped(text, first=f"  {name:<{width}}  ", rest=" " * (width + 4))
    if analysis.readings:
        lines += ["", *(f"  {line}".rstrip() for line in _reading_lines(analysis))]
    if analysis.layout_match:
        lines += ["", *_wrapped(_match_text(analysis.layout_match))]
    if analysis.notes:
        lines += ["", *(line for note in analysis.notes for line in _wrapped(f"note: {note}"))]
    return "\n".join(lines)


def _wrapped(text: str, *, first: str = "  ", rest: str = "    ") -> list[str]:
    return textwrap.wrap(text, LINE_COLUMNS, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)


def sureness(confidence: float) -> str:
    """Return a probability in words and as a number."""
    words = next((words for least, words in SURENESS if confidence >= least), "a guess")
    return f"{words}, {percent(confidence)}"


def _headline(analysis: Analysis) -> str:
    sure = sureness(analysis.confidence)
    if analysis.verdict == "even":
        return f"Fires evenly ({sure})."
    if analysis.verdict == "uneven":
        intervals = "-".join(f"{degrees:.0f}" for degrees in analysis.intervals_deg or ())
        return f"Fires unevenly, {intervals} ({sure})."
    if analysis.verdict == "no-rhythm":
        return f"No firing rhythm in this sound ({sure})."
    return "Can't tell how this fires; the notes say why."


def _pattern_facts(analysis: Analysis) -> list[tuple[str, str]]:
    facts: list[tuple[str, str]] = []
    if analysis.verdict == "even" and analysis.cycle_rate_hz is None:
        facts.append(("intervals", "all alike; in degrees, each reading has its own"))
    elif analysis.intervals_deg:
        sd = analysis.intervals_sd_deg or (math.nan,) * len(analysis.intervals_deg)
        guess = f" ({sureness(analysis.confidence)})" if analysis.verdict == "undetermined" else ""
        facts.append(("intervals", _intervals_text(analysis.intervals_deg, sd) + guess))
    if analysis.firing_rate_hz is not None:
        facts.append(("firing rate", f"{_with_sd(analysis.firing_rate_hz, analysis.firing_rate_sd_hz)} a second"))
        hidden = "hidden: an even rhythm repeats with every pulse"
        repeats = hidden if analysis.cycle_rate_hz is None else f"{analysis.cycle_rate_hz:.4g} a second"
        facts.append(("pattern repeats", repeats))
    if analysis.pulse_level_db and len(analysis.pulse_level_db) > 1:
        levels = ", ".join("missing" if math.isinf(v) else f"{v:+.1f}" for v in analysis.pulse_level_db)
        facts.append(("pulse levels", f"{levels} (dB against the mean pulse)"))
    weak = [(k, share) for k, share in enumerate(analysis.weak_share or (), start=1) if share >= WEAK_SHARE_SHOWN]
    if weak:
        facts.append(("weak pulses", ", ".join(f"pulse {k} in {percent(share)} of cycles" for k, share in weak)))
    if len(analysis.speed_track) >= TRACK_POINTS_SHOWN:
        slowest, fastest = (f"{end(rpm for _, rpm in analysis.speed_track):.0f}" for end in (min, max))
        speeds = f"steady, {slowest}" if slowest == fastest else f"{slowest} to {fastest}"
        facts.append(("speed", f"{speeds} rpm, by the first reading"))
    return facts


def _intervals_text(intervals: Sequence[float], sd: Sequence[float]) -> str:
    parts = [
        f"{value:.1f}" + (f" ± {spread:.1f}" if spread >= 0.05 else "")
        for value, spread in zip(intervals, sd, strict=True)
    ]
    if len(parts) > 1 and len(set(parts)) == 1:
        return f"{parts[0]} degrees, {len(parts)} times"
    return ", ".join(parts) + " degrees"


def _with_sd(value: float, sd: float | None) -> str:
    """Return a value with its standard deviation, as many digits as the deviation allows."""
    if sd is None or not math.isfinite(sd) or sd < 5e-4:
        return f"{value:.3f}"
    digits = min(max(0, 1 - math.floor(math.log10(sd))), 3)
    return f"{value:.{digits}f} ± {sd:.{digits}f}"


def _span_text(analysis: Analysis) -> str:
    start, end = analysis.span_s
    length = f"{end - start:.1f} of {analysis.duration_s:.1f} s read"
    return f"{start:.1f} to {end:.1f} s: {length}, at {analysis.sample_rate_hz} Hz"


def _reading_lines(analysis: Analysis) -> list[str]:
    best = analysis.readings[:READINGS_SHOWN]
    rows = [("could be", "cylinders", "rpm", "odds"), *(_reading_row(r) for r in best if r.agrees)]
    if others := [_reading_row(r) for r in best if not r.agrees]:
        rows += [("or, if it fires otherwise", "", "", ""), *others]
    widths = [max(len(row[k]) for row in rows) for k in range(4)]
    lines = [
        f"{name:<{widths[0]}}  {cylinders:<{widths[1]}}  {rpm:>{widths[2]}}  {odds:>{widths[3]}}"
        for name, cylinders, rpm, odds in rows
    ]
    more = len(analysis.readings) - len(best)
    if more:
        lines.append(f"and {more} more; --json lists all")
    alike = best[0].layouts
    if len(alike) > 1:
        lines += ["", *(line[2:] for line in _wrapped(f"Sound can't tell apart: {', '.join(alike)}.", rest="  "))]
    return lines


def _reading_row(reading: Reading) -> tuple[str, str, str, str]:
    strokes = STROKES.get(reading.strokes, "")
    return _names(reading), f"{reading.cylinders} {strokes}", f"{reading.rpm:.0f}", percent(reading.probability)


def _names(reading: Reading) -> str:
    """Return as many names as fit, and how many more there are."""
    names = reading.layouts or ("no layout known by name",)
    for rest in range(len(names)):
        text = ", ".join(names[: len(names) - rest]) + (f" and {rest} more" if rest else "")
        if len(text) <= NAMES_COLUMNS:
            break
    return text


def _match_text(match: dict[str, object]) -> str:
    told, odds = f"Fires like {match['layout']}? {str(match['answer']).capitalize()}", match["odds"]
    if isinstance(odds, float):
        told += f" (odds that it does: {percent(odds)})"
    return told + (f": {str(match['where']).rstrip('.')}." if match["where"] else ".")


def percent(share: float) -> str:
    """Return a share, 0 to 1, in per cent, never rounded to certainty."""
    if share < 0.005:
        return "under 1 %"
    if share >= 0.995:
        return "over 99 %"
    return f"{100 * share:.0f} %"
