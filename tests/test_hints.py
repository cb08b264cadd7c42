"""Hints check themselves: one that no engine can have would make every answer undetermined."""

import pytest

from pulse_audio import Hints
from pulse_audio.errors import RangeError


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"strokes": 3}, "strokes=3 must be 2 or 4"),
        ({"strokes": "4"}, "strokes='4' must be 2 or 4"),
        ({"cylinders": 0}, "cylinders=0 is out of range; give 1 to 48"),
        ({"cylinders": -2}, "cylinders=-2 is out of range"),
        ({"cylinders": 49}, "cylinders=49 is out of range"),
        ({"cylinders": 2.5}, "cylinders=2.5 must be a whole number"),
        ({"rpm": (2000, 900)}, r"rpm=.2000, 900.: give the lowest speed first, such as .900, 2000."),
        ({"rpm": (5, 10)}, "rpm=5 is out of range; give 20 to 15000 rpm .did you give hertz"),
        ({"rpm": (900, float("nan"))}, "rpm=nan is out of range"),
        ({"rpm": 900}, "rpm=900 must be a lowest and a highest speed"),
        ({"rpm": (900, 1000, 1100)}, "rpm=.900, 1000, 1100. must be a lowest and a highest speed"),
        ({"layout": 5}, "layout is of type int; give a name or a path as text"),
    ],
)
def test_hints_that_no_engine_has_are_refused(wrong: dict[str, object], said: str) -> None:
    """A hint out of range is refused by its name when it is made."""
    with pytest.raises(RangeError, match=f"^{said}"):
        Hints(**wrong)  # type: ignore[arg-type]


def test_hints_hold_clean_values() -> None:
    """Speeds may be equal; numbers given as text are kept as numbers."""
    typed = Hints(strokes=2, cylinders="3", rpm=["900", "900"])  # type: ignore[arg-type]
    assert typed == Hints(strokes=2, cylinders=3, rpm=(900.0, 900.0))
    assert (Hints(strokes=4, cylinders=1).strokes, Hints(cylinders=48).cylinders) == (4, 48)


def test_which_hints_say_that_it_is_an_engine() -> None:
    """Strokes, cylinders and speed do; to ask whether it fires like a layout does not."""
    assert not Hints().describe_engine and not Hints(layout="boxer-twin").describe_engine
    for told in (Hints(strokes=2), Hints(cylinders=2), Hints(rpm=(900, 1000))):
        assert told.describe_engine is True
