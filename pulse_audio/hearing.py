"""What the ear makes of a pulse rate: separate pulses, flutter or a tone, and whether uneven gaps can be heard.

The limits are published means over listeners, measured with clicks; a listener, a room or a dull pulse shifts them.
"""

from dataclasses import dataclass

from pulse_audio import checks
from pulse_audio.layout import Layout
from pulse_audio.units import cycle_hz, rpm_to_deg_per_s

# Front. Psychol. 2014, article 1453, abstract: clicks below 20 a second are heard as a tapping rhythm, above about
# 30 as one steady sound, above 50 they have a pitch.
RHYTHM_BELOW_HZ = 20.0
TONE_ABOVE_HZ = 50.0
# Timing & Time Perception 2021, doi 10.1163/22134468-bja10043: pulses stay apart if 80 to 90 ms lie between them.
COUNTABLE_GAP_S = 0.085
# Abstract of "Time discrimination in a monotonic, isochronous sequence" (JASA 98, 1995; volume from memory): a tone out
# of place is just noticed at 6 ms in gaps below about 240 ms, at 2.5 % of longer gaps.
JUST_HEARD_S = 0.006
JUST_HEARD_SHARE = 0.025

# Hirsh, J. Acoust. Soc. Am. 31 (1959) 759, from memory: two clicks are heard as two from about 2 ms on.
ONE_WITHIN_S = 0.002
NO_GAP_S = 1e-9  # rounding

SEPARATE = "separate pulses"
FLUTTER = "flutter"
TONE = "tone"


def heard_as(rate_hz: float) -> str:
    """Return ``separate pulses``, ``flutter`` or ``tone`` for a number of pulses a second."""
    if rate_hz < RHYTHM_BELOW_HZ:
        return SEPARATE
    return FLUTTER if rate_hz <= TONE_ABOVE_HZ else TONE


def just_heard_shift_s(gap_s: float) -> float:
    """Return the shift of one pulse in an even row that is just noticed, for gaps of 0.1 to 1 s."""
    return max(JUST_HEARD_S, JUST_HEARD_SHARE * gap_s)


@dataclass(frozen=True, kw_only=True, slots=True)
class Hearing:
    """What a listener hears of a layout at a steady speed.

    Attributes
    ----------
    rpm : float
    pulse_hz : float
        Mean pulses a second; cylinders that fire together make one pulse, and so do, where pulses are heard singly,
        those less than `ONE_WITHIN_S` apart.
    joined : bool
        Whether there are such.
    pattern_hz : float
        Rate at which the pattern of gaps repeats; equals `pulse_hz` for even firing.
    gaps_s : tuple of float
        Seconds between pulses over one working cycle, in firing order.
    kind : str
        ``separate pulses``, ``flutter`` or ``tone``, by the mean rate.
    off_even_s : float
        Largest difference between a gap and the mean gap; 0 for even firing.
    just_heard_s : float
        Difference that is just noticed at this mean gap.
    """

    rpm: float
    pulse_hz: float
    joined: bool
    pattern_hz: float
    gaps_s: tuple[float, ...]
    kind: str
    off_even_s: float
    just_heard_s: float

    @property
    def countable(self) -> bool:
        """Whether every pulse stands alone."""
        return min(self.gaps_s) >= COUNTABLE_GAP_S


def hearing(layout: Layout, rpm: float) -> Hearing:
    """Return what the ear makes of a layout at a steady speed (20 to 15000 rpm)."""
    speed = checks.rpm(rpm)
    fired_s = tuple(gap / rpm_to_deg_per_s(speed) for gap in layout.pulse_intervals_deg)
    gaps = _heard_gaps_s(fired_s)
    cycles_hz = cycle_hz(speed, layout.strokes)
    pulse_hz = cycles_hz * len(gaps)
    mean = 1 / pulse_hz
    off_even_s = max(abs(gap - mean) for gap in gaps)
    return Hearing(
        rpm=speed,
        pulse_hz=pulse_hz,
        joined=len(gaps) < len(fired_s),
        pattern_hz=cycles_hz * layout.patterns_per_cycle,
        gaps_s=gaps,
        kind=heard_as(pulse_hz),
        off_even_s=0.0 if layout.is_even or off_even_s < NO_GAP_S else off_even_s,
        just_heard_s=just_heard_shift_s(mean),
    )


def _heard_gaps_s(gaps_s: tuple[float, ...]) -> tuple[float, ...]:
    """Join pulses that are too near to each other to be heard as two, where what is left are separate pulses."""
    last = max(range(len(gaps_s)), key=gaps_s.__getitem__)
    joined: list[float] = []
    since_s = 0.0
    for gap_s in (*gaps_s[last + 1 :], *gaps_s[: last + 1]):
        since_s += gap_s
        if gap_s >= ONE_WITHIN_S:
            joined.append(since_s)
            since_s = 0.0
    if len(joined) == len(gaps_s) or not joined or heard_as(len(joined) / sum(gaps_s)) != SEPARATE:
        return gaps_s
    return tuple(joined)


def rate_text(rate_hz: float) -> str:
    """Return a rate with one decimal, or two where one would tell too little."""
    return f"{rate_hz:.{2 if 0 < rate_hz < 1 else 1}f}"


def sentences(heard: Hearing) -> tuple[str, ...]:
    """Say in words what is heard, and why."""
    one = (f"Pulses less than {1000 * ONE_WITHIN_S:g} ms apart are one to the ear.",) if heard.joined else ()
    return (*one, _rate_sentence(heard), *_gap_sentences(heard))


def _rate_sentence(heard: Hearing) -> str:
    rate = f"{rate_text(heard.pulse_hz)} pulses a second"
    if heard.kind == SEPARATE and heard.countable:
        return f"{rate}: separate pulses, slow enough to count."
    if heard.kind == SEPARATE:
        return f"{rate}: separate pulses, a quick tapping (a beat up to {RHYTHM_BELOW_HZ:.0f} a second)."
    if heard.kind == FLUTTER:
        return f"{rate}: a flutter, too fast for single pulses and too slow for a clear pitch."
    return f"{rate}: a tone (the ear finds a pitch above {TONE_ABOVE_HZ:.0f} a second)."


def _gap_sentences(heard: Hearing) -> tuple[str, ...]:
    repeat = f"The pattern comes round {rate_text(heard.pattern_hz)} times a second"
    if heard.off_even_s == 0:
        strong_and_weak = f"{repeat}: the gaps are alike, but strong and weak pulses take turns."
        return () if heard.pattern_hz == heard.pulse_hz else (strong_and_weak,)
    off_ms, limit_ms = 1000 * heard.off_even_s, 1000 * heard.just_heard_s
    if heard.kind == TONE:
        return (f"{repeat}: uneven gaps are no longer a rhythm but a rougher, deeper note under the tone.",)
    if off_ms < limit_ms:
        return (f"{repeat}. Gaps {off_ms:.1f} ms off even colour the sound; a limp needs {limit_ms:.1f} ms.",)
    limp = "a plain limp" if off_ms > 2 * limit_ms else "a slight limp"
    return (f"{repeat}. Gaps up to {off_ms:.1f} ms off even: {limp} ({limit_ms:.1f} ms can just be heard).",)
