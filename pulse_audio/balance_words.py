"""Balance and breathing in plain sentences: what is left, why, and what could take it away."""

from dataclasses import dataclass

from pulse_audio.balance import NOTHING, Balance, Shaking
from pulse_audio.layout import Cylinder, Layout

CALM_SWING = 0.2  # of the volume swept by all cylinders: below this, words call the breathing small
IN_STEP = 0.99
_TIMES = {2: "twice", 3: "three times", 4: "four times"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """One line of a balance table and the sentence that explains it.

    Attributes
    ----------
    topic : str
        ``primary force``, ``secondary force``, ``primary couple``, ``secondary couple`` or ``crankcase``.
    value : float
        Largest force or couple in one cylinder's m r omega^2 (couples times the cylinder spacing), or the swing of
        crankcase volume in volumes swept by one cylinder.
    value_text : str
        The value as shown, ``none`` for nothing.
    text : str
        The sentence.
    """

    topic: str
    value: float
    value_text: str
    text: str


def facts(layout: Layout, found: Balance) -> tuple[Fact, ...]:
    """Return the five facts about a layout, forces first."""
    boxer = is_boxer(layout)
    return (
        _shaking_fact("primary force", found.primary_force, 1.0, _primary_force(layout, found, boxer)),
        _shaking_fact("secondary force", found.secondary_force, found.rod_ratio, _secondary_force(found)),
        _shaking_fact("primary couple", found.primary_couple, 1.0, _primary_couple(layout, found, boxer)),
        _shaking_fact("secondary couple", found.secondary_couple, found.rod_ratio, _secondary_couple(found, boxer)),
        Fact(
            topic="crankcase",
            value=found.crankcase_swing,
            value_text="none" if found.crankcase_is_still else f"{found.crankcase_swing:.2f}",
            text=_breathing(layout, found, boxer),
        ),
    )


def in_short(layout: Layout, found: Balance) -> str:
    """Say in one sentence what the crank does to the engine."""
    forces = (found.primary_force, found.secondary_force)
    couples = (found.primary_couple, found.secondary_couple)
    if all(s.is_nothing for s in (*forces, *couples)):
        steady = "no force and no rocking couple is left up to twice a turn"
    elif all(s.is_nothing for s in forces):
        steady = f"the forces balance, but it rocks end to end {_how_often(*couples)}"
    elif all(s.is_nothing for s in couples):
        steady = f"it shakes {_how_often(*forces)}, but does not rock end to end"
    else:
        steady = f"it shakes {_how_often(*forces)} and rocks end to end {_how_often(*couples)}"
    if layout.strokes == 2:
        return f"In short: {steady}."
    share = found.crankcase_swing / len(layout.cylinders)
    if share > CALM_SWING:
        return f"In short: {steady}, and it pumps its crankcase."
    return f"In short: {steady}, and the crankcase stays calm."


def is_boxer(layout: Layout) -> bool:
    """Whether every cylinder has an opposite one whose piston moves out when it moves out."""

    def opposite(a: float | None, b: float | None) -> bool:
        return a is not None and b is not None and abs((a - b) % 360 - 180) < 1

    def partners(one: Cylinder, two: Cylinder) -> bool:
        return opposite(one.bank_deg, two.bank_deg) and opposite(one.throw_deg, two.throw_deg)

    return all(any(partners(one, two) for two in layout.cylinders) for one in layout.cylinders)


def _how_often(once: Shaking, twice: Shaking) -> str:
    if once.is_nothing:
        return "twice a turn"
    if once.backward < NOTHING:
        return "once a turn (a counterweight takes that)" + ("" if twice.is_nothing else " and twice a turn")
    return "once a turn" if twice.is_nothing else "once and twice a turn"


def _shaking_fact(topic: str, shaking: Shaking, unit: float, text: str) -> Fact:
    value = shaking.largest * unit
    return Fact(topic=topic, value=value, value_text="none" if shaking.is_nothing else f"{value:.2f}", text=text)


def _direction(shaking: Shaking) -> str:
    if shaking.axis_deg is None:
        return "equal all round"
    turned = shaking.axis_deg
    if min(turned, 180 - turned) < 1:
        return "largest up and down"
    if abs(turned - 90) < 1:
        return "largest sideways"
    return f"largest along {turned if turned < 90 else turned - 180:.0f} degrees, counted as the banks are"


def _remedy(shaking: Shaking) -> str:
    """Say what takes a primary force or couple away."""
    if shaking.backward < NOTHING:
        return "It turns with the crank at one size, so a counterweight on the crank can take all of it."
    if shaking.forward < NOTHING:
        return "It turns against the crank: only a shaft turning backwards at crank speed can take it."
    half = "half" if abs(shaking.forward - shaking.backward) < NOTHING else f"{shaking.forward:.2f}"
    rest = "other half" if half == "half" else f"other {shaking.backward:.2f}"
    return (
        f"A counterweight can take the {half} that turns with the crank; the {rest} turns against it and needs a "
        "shaft turning backwards at crank speed."
    )


def _shafts(shaking: Shaking) -> str:
    """Say what takes a secondary force or couple away."""
    if shaking.backward < NOTHING:
        shafts = "a shaft turning with the crank at twice its speed"
    elif shaking.forward < NOTHING:
        shafts = "a shaft turning against the crank at twice its speed"
    else:
        shafts = "two shafts at twice crank speed, one each way"
    return f"A counterweight can't remove it; that takes {shafts}."


def _primary_force(layout: Layout, found: Balance, boxer: bool) -> str:
    force = found.primary_force
    if force.is_nothing and boxer:
        return "Opposite pistons move out and in together, so their once-a-turn forces cancel."
    if force.is_nothing:
        return "While some pistons pull one way, others pull as hard the other way: the once-a-turn forces cancel."
    count = len(layout.cylinders)
    if count == 1:
        cause = "The one piston's force has no counterpart"
    else:
        most_is_left = force.largest > count / 2 - NOTHING
        cause = f"The pistons' once-a-turn forces {'add up' if most_is_left else 'do not all cancel'}"
    return f"{cause}, {_direction(force)}. {_remedy(force)}"


def _secondary_force(found: Balance) -> str:
    force = found.secondary_force
    if force.is_nothing:
        return "The slant of the rods gives each piston a twice-a-turn force too; together these cancel."
    return (
        f"The slant of the rods makes pistons turn back more sharply at the top than at the bottom: a force twice a "
        f"turn, {_direction(force)}. {_shafts(force)}"
    )


def _primary_couple(layout: Layout, found: Balance, boxer: bool) -> str:
    couple = found.primary_couple
    if couple.is_nothing:
        if len({c.offset for c in layout.cylinders}) == 1:
            return "All pistons act at one place along the crank, so nothing rocks end to end."
        if boxer:
            return "Each opposed pair would rock the engine, but the pairs rock it different ways and cancel."
        return "The forces balance about the middle of the crank, so nothing rocks end to end once a turn."
    if boxer and len(layout.cylinders) == 2:
        cause = "The two pistons are not in line: they stand one cylinder spacing apart along the crank, so their "
        cause += "equal and opposite forces still rock the engine."
    else:
        cause = "The forces act at different places along the crank and rock the engine end to end."
    return f"{cause} {_remedy(couple)}"


def _secondary_couple(found: Balance, boxer: bool) -> str:
    couple = found.secondary_couple
    if couple.is_nothing:
        return "Nothing rocks end to end twice a turn."
    cause = "The twice-a-turn forces of each opposed pair act at two places" if boxer else "The twice-a-turn forces act"
    where = "" if boxer else " at different places along the crank"
    return f"{cause}{where} and rock the engine. {_shafts(couple)}"


def _breathing(layout: Layout, found: Balance, boxer: bool) -> str:
    if layout.strokes == 2:
        return (
            "A two-stroke that draws its charge through the crankcase seals it off for each cylinder, so each one pumps"
            " its own volume; the sum given here is that of one common case."
        )
    share = found.crankcase_swing / len(layout.cylinders)
    if len(layout.cylinders) == 1:
        return "The one piston pumps its whole swept volume in and out of the crankcase once a turn."
    if share > IN_STEP:
        moves = "move out and in together" if boxer else "rise and fall together"
        return (
            f"All pistons {moves}, so the whole displacement is pumped in and out of the crankcase once a turn: "
            "the breather has to let it pass."
        )
    if share > CALM_SWING or found.crankcase_order == 1:
        return f"The pistons are partly in step: {_percent(share)} of the displacement is pumped once a turn."
    if found.crankcase_is_still:
        return "What one piston takes from the crankcase the others give: its volume stays as it is."
    parts = "one opposed pair moves out the other" if boxer else "one piston moves out another"
    return (
        f"As {parts} moves in. Only the slant of the rods leaves a little: {_percent(share)} of the displacement, "
        f"{_TIMES[found.crankcase_order]} a turn."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"
