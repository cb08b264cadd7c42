"""What the page says about a layout: intervals, what to listen for, balance and breathing. Plain text, not HTML."""

from dataclasses import dataclass

from pulse_audio.balance import NOTHING, Balance, Shaking, balance
from pulse_audio.balance_words import CALM_SWING, IN_STEP, is_boxer
from pulse_audio.catalogue import same_sound
from pulse_audio.drawing import firings
from pulse_audio.hearing import FLUTTER, RHYTHM_BELOW_HZ, SEPARATE, TONE, TONE_ABOVE_HZ, Hearing, hearing
from pulse_audio.layout import Layout
from pulse_audio.lesson.texts import Texts
from pulse_audio.orders import order_table, pulse_rate_order
from pulse_audio.units import cycle_hz, rpm_from_cycle_hz

STEP_BY_STEP = 4  # up to so many pulses the gaps are told one by one
SLIGHT, STRONG = 1.4, 2.0  # ratio of two gaps: a slight limp below, two quick beats and a wait above
MAX_ALIKE = 6
LOUD_ORDER = 0.5  # of the strongest order: 6 dB below it


@dataclass(frozen=True, kw_only=True, slots=True)
class FactRow:
    """One balance fact: what, how much, and why."""

    topic: str
    value: str
    text: str


def capital(text: str) -> str:
    """Return a sentence with a capital letter."""
    return text[:1].upper() + text[1:]


def pulse_order(layout: Layout) -> str:
    """Return the firing order as text, cylinders that fire together joined by +: ``1-3-4-2``, ``1+2``."""
    return "-".join("+".join(str(n) for n in f.cylinders) for f in firings(layout))


def gaps_text(layout: Layout, texts: Texts) -> str:
    """Return the gaps between pulses in firing order: ``270-450``."""
    return "-".join(texts.number(gap) for gap in layout.pulse_intervals_deg)


def intervals(layout: Layout, texts: Texts) -> list[str]:
    """Return the intervals in words and numbers."""
    gaps, names = layout.pulse_intervals_deg, pulse_order(layout).split("-")
    count = texts.count(len(gaps))
    if len(gaps) == 1:
        lines = [texts("rhythm", "only", gap=gaps[0])]
    elif layout.is_even:
        lines = [texts("rhythm", "even", count=count, gap=gaps[0], order=pulse_order(layout))]
    elif len(gaps) <= STEP_BY_STEP:
        following = [*names[1:], names[0]]
        steps = [
            texts("rhythm", "step", before=a, after=b, gap=gap)
            for a, b, gap in zip(names, following, gaps, strict=True)
        ]
        lines = [texts("rhythm", "uneven", count=count, steps=" ".join(steps))]
    else:
        order = pulse_order(layout)
        lines = [texts("rhythm", "uneven_many", count=count, gaps=gaps_text(layout, texts), order=order)]
    if not layout.is_even:
        lines.append(texts("rhythm", "would_be", gap=layout.cycle_deg / len(gaps)))
    if any("+" in name for name in names):
        lines.append(texts("rhythm", "together"))
    return [capital(line) for line in lines]


def listen(layout: Layout, texts: Texts) -> list[str]:
    """Return what to listen for."""
    pulses = len(layout.pulse_intervals_deg)
    slow, fast = (rpm_from_cycle_hz(rate / pulses, layout.strokes) for rate in (RHYTHM_BELOW_HZ, TONE_ABOVE_HZ))
    lines = [
        _beat(layout, texts),
        texts("listen", "melt", slow=_rounded(slow), fast=_rounded(fast)),
        texts("listen", "even_note", order=pulse_rate_order(layout))
        if layout.pulses_are_alike
        else _orders(layout, texts),
    ]
    if layout.pulses_are_alike and pulse_rate_order(layout) > 1:
        rpm = 600
        lines.append(texts("listen", "even_alike", rpm=rpm, single=round(rpm * pulses * 4 / layout.strokes)))
    alike = same_sound(layout)
    if alike:
        names, more = ", ".join(alike[:MAX_ALIKE]), len(alike) - MAX_ALIKE
        many = {"count": texts.count(more)} if more > 0 else {}
        lines.append(texts("listen", "alike_many" if many else "alike", names=names, **many))
    return [capital(line) for line in lines]


def _beat(layout: Layout, texts: Texts) -> str:
    gaps = layout.pulse_intervals_deg
    if len(gaps) == 1:
        return texts("listen", "single" if layout.strokes == 4 else "single_two_stroke")
    if layout.is_even:
        return texts("listen", "even")
    ratio = max(gaps) / min(gaps)
    if len(gaps) // layout.patterns_per_cycle == 2:
        key = "limp_slight" if ratio < SLIGHT else "limp" if ratio < STRONG else "limp_strong"
        return texts("listen", key, ratio=round(ratio, 1))
    length = len(gaps) // layout.patterns_per_cycle
    pattern = "-".join(texts.number(gap) for gap in gaps[:length])
    if layout.patterns_per_cycle > 1:
        return texts("listen", "pattern_often", gaps=pattern, times=layout.patterns_per_cycle, short=min(gaps))
    return texts("listen", "pattern", gaps=pattern, short=min(gaps), long=max(gaps))


def loud_orders(layout: Layout) -> list[tuple[float, float]]:
    """Return the strongest orders below the first overtone of the pulse rate, and the share of the pulses in step."""
    overtone = 2.0 * pulse_rate_order(layout)
    table = order_table(layout, highest_order=overtone)
    low = [(order, share) for order, share in zip(table.order, table.share, strict=True) if order < overtone]
    least = LOUD_ORDER * max(share for _, share in low)
    return [(order, share) for order, share in low if share >= least]


def _orders(layout: Layout, texts: Texts) -> str:
    loud = loud_orders(layout)
    listed = [f"{texts.number(order)} ({round(100 * share)} %)" for order, share in loud]
    line = texts("listen", "orders", mean=pulse_rate_order(layout), orders=texts.together(listed))
    halves = [texts.number(order) for order, _ in loud if order % 1]
    return f"{line} {texts('listen', 'half_orders', orders=texts.together(halves))}" if halves else line


def _rounded(rpm: float) -> int:
    """Return a speed to two figures: the limits of hearing are no sharper."""
    digits = len(str(int(rpm)))
    return int(round(rpm, 2 - digits))


def heard(layout: Layout, rpm: float, texts: Texts) -> tuple[Hearing, str]:
    """Return what the ear makes of a layout at a speed, and the word for it."""
    found = hearing(layout, rpm)
    word = {SEPARATE: "heard_separate", FLUTTER: "heard_flutter", TONE: "heard_tone"}[found.kind]
    return found, texts("card", word)


def pulses_per_s(layout: Layout, rpm: float) -> float:
    """Return pulses a second, cylinders that fire together as one."""
    return cycle_hz(rpm, layout.strokes) * len(layout.pulse_intervals_deg)


def balance_facts(layout: Layout, texts: Texts) -> list[FactRow]:
    """Return the balance and breathing facts, empty where the whole crank is not known."""
    if not layout.has_geometry or layout.part_of:
        return []
    found = balance(layout)
    boxer = is_boxer(layout)
    rows = (
        ("primary_force", found.primary_force, 1.0),
        ("secondary_force", found.secondary_force, found.rod_ratio),
        ("primary_couple", found.primary_couple, 1.0),
        ("secondary_couple", found.secondary_couple, found.rod_ratio),
    )
    facts = [
        FactRow(
            topic=texts("balance", topic),
            value=texts("balance", "none") if shaking.is_nothing else texts.number(shaking.largest * unit),
            text=_shaking_text(topic, shaking, boxer, len(layout.cylinders), texts),
        )
        for topic, shaking, unit in rows
    ]
    value = texts("balance", "none") if found.crankcase_is_still else texts.number(found.crankcase_swing)
    facts.append(FactRow(topic=texts("balance", "crankcase"), value=value, text=_breathing(layout, found, texts)))
    return facts


def _shaking_text(topic: str, shaking: Shaking, boxer: bool, cylinders: int, texts: Texts) -> str:
    if shaking.is_nothing:
        return texts("balance", f"{topic}_{'boxer' if boxer and topic == 'primary_force' else 'none'}")
    if topic.startswith("secondary"):
        return texts("balance", "secondary_some")
    cause = ""
    if topic == "primary_couple":
        cause = (
            texts("balance", "primary_couple_boxer_two" if boxer and cylinders == 2 else "primary_couple_some") + " "
        )
    if shaking.backward < NOTHING:
        return cause + texts("balance", "all_counterweight")
    if shaking.forward < NOTHING:
        return cause + texts("balance", "all_shaft")
    return cause + texts("balance", "half_each", forward=shaking.forward, backward=shaking.backward)


def _breathing(layout: Layout, found: Balance, texts: Texts) -> str:
    share = found.crankcase_swing / len(layout.cylinders)
    percent = round(100 * share)
    if layout.strokes == 2:
        return texts("balance", "breathing_two_stroke")
    if len(layout.cylinders) == 1:
        return texts("balance", "breathing_single")
    if share > IN_STEP:
        return texts("balance", "breathing_together")
    if share > CALM_SWING:
        return texts("balance", "breathing_partly", percent=percent)
    if found.crankcase_is_still:
        return texts("balance", "breathing_none")
    return texts("balance", "breathing_calm", percent=percent)


def breathes_little(layout: Layout) -> bool | None:
    """Whether the crankcase volume of a four-stroke stays nearly as it is; None where that is not known."""
    if not layout.has_geometry or layout.part_of or layout.strokes == 2:
        return None
    return balance(layout).crankcase_swing / len(layout.cylinders) <= CALM_SWING
