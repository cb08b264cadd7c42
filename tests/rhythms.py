"""Which layouts stand for all that fire alike, and so sound alike."""

from collections.abc import Iterable

from pulse_audio.catalogue import fires_alike, layout


def one_of_each(names: Iterable[str]) -> list[str]:
    """Return the first name of each rhythm, two- and four-strokes apart."""
    chosen: list[str] = []
    for this in map(layout, names):
        if not any(fires_alike(this, other) and this.strokes == other.strokes for other in map(layout, chosen)):
            chosen.append(this.name)
    return chosen
