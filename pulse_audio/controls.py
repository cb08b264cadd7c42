"""What each key of `play` does."""

from collections.abc import Callable
from dataclasses import dataclass

from pulse_audio.live import LiveEngine

SMALL_RPM, LARGE_RPM, LEVEL_STEP_DB = 50.0, 500.0, 2.0
MAX_TYPED = 7
DIGITS, QUITTING = "0123456789", ("q", "escape", "end")
KEYS = (
    ("left, right", "50 rpm slower, faster"),
    ("down, up", "500 rpm slower, faster"),
    ("number Enter", "go to that speed in rpm"),
    ("Tab, Shift-Tab", "next, previous layout; number Tab: that layout"),
    ("x", "next exhaust"),
    ("number c", "drop or restore that cylinder; c alone: restore all"),
    ("t", "crank ticks on or off"),
    ("s", "slow right down, and back"),
    ("space", "hold, and go on"),
    ("+, -", "2 dB louder, softer"),
    ("h", "show or hide the keys"),
    ("q, Escape", "quit"),
)

Action = Callable[[LiveEngine], object]

_AT_ONCE: dict[str, Action] = {
    "right": lambda engine: engine.change_speed(SMALL_RPM),
    "left": lambda engine: engine.change_speed(-SMALL_RPM),
    "up": lambda engine: engine.change_speed(LARGE_RPM),
    "down": lambda engine: engine.change_speed(-LARGE_RPM),
    "tab": lambda engine: engine.step_layout(1),
    "shift-tab": lambda engine: engine.step_layout(-1),
    "x": lambda engine: engine.next_exhaust(),
    "c": lambda engine: engine.restore_cylinders(),
    "t": lambda engine: engine.toggle_ticks(),
    "s": lambda engine: engine.slow_down(),
    "space": lambda engine: engine.toggle_hold(),
    "+": lambda engine: engine.change_level(LEVEL_STEP_DB),
    "=": lambda engine: engine.change_level(LEVEL_STEP_DB),  # the plus key without Shift on many keyboards
    "-": lambda engine: engine.change_level(-LEVEL_STEP_DB),
}
_WITH_NUMBER: dict[str, Callable[[int], Action]] = {
    "enter": lambda number: lambda engine: engine.set_speed(number),
    "tab": lambda number: lambda engine: engine.choose_layout(number),
    "c": lambda number: lambda engine: engine.toggle_cylinder(number),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Pressed:
    """What a key does.

    Attributes
    ----------
    typed : str
        Digits that now wait for their key.
    action : callable or None
        To be done to the engine.
    quits, turns_keys : bool
        Whether it ends playing, or shows or hides the keys.
    """

    typed: str = ""
    action: Action | None = None
    quits: bool = False
    turns_keys: bool = False


def press(typed: str, key: str) -> Pressed:
    """Return what a key does after the digits `typed`; a key that makes nothing of them forgets them.

    Capital letters, as Caps Lock makes them, are the same keys as small ones.
    """
    key = key.lower()
    if key in DIGITS:
        return Pressed(typed=(typed + key)[:MAX_TYPED])
    if key == "backspace":
        return Pressed(typed=typed[:-1])
    if key == "h":
        return Pressed(typed=typed, turns_keys=True)
    if key in QUITTING and not (typed and key == "escape"):
        return Pressed(quits=True)
    if key in _WITH_NUMBER and typed:
        return Pressed(action=_WITH_NUMBER[key](int(typed)))
    return Pressed(action=_AT_ONCE.get(key))
