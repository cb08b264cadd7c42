"""Which layouts stand for all that fire alike, and so sound alike (tests/test_catalogue.py)."""

from collections.abc import Iterable

from pulse_audio.catalogue import layout


def one_of_each(names: Iterable[str]) -> list[str]:
    """Return the first name of each rhythm."""
    first: dict[tuple[float, tuple[float, ...]], str] = {}
    for name in names:
        gaps = layout(name).pulse_intervals_deg
        turned = max(gaps[k:] + gaps[:k] for k in range(len(gaps)))
        first.setdefault((layout(name).cycle_deg, turned), name)
    return list(first.values())
