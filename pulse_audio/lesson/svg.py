"""The drawings of the page as SVG: end view of the crank and firing strip, with what the script needs to move them."""

from collections.abc import Iterable
from html import escape

import numpy as np

from pulse_audio.drawing import (
    BORE_ABOVE,
    BORE_BELOW,
    banks,
    beyond_head,
    firings,
    half_bore,
    numbers_text,
    pins,
    piston_distance,
    rows,
)
from pulse_audio.layout import Layout

RADIUS = 40.0  # crank radius in drawing units
STRIP_DEG = 720.0
STRIP_TEXT_UNITS = 15.5  # width of a character of the strip's text


def tag(name: str, content: str = "", /, **attributes: object) -> str:
    """Return an element. Values are escaped, content is not; ``_`` in a name becomes ``-``, a last one goes."""
    pairs = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_plain(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    return f"<{name}{pairs}>{content}</{name}>"


def _plain(value: object) -> str:
    return f"{round(value, 2):g}" if isinstance(value, float) else str(value)


def _point(angle_deg: float, radius: float) -> tuple[float, float]:
    """Return the place at an angle clockwise from straight up; SVG's y grows downwards."""
    a = np.deg2rad(angle_deg)
    return float(radius * RADIUS * np.sin(a)), float(-radius * RADIUS * np.cos(a))


def crank(layout: Layout, label: str) -> str:
    """Return the end view at crank angle 0; the script turns it."""
    top, bottom = (float(d) for d in piston_distance([0.0, 180.0]))
    wide = half_bore(layout)
    bores, names = [], []
    for bank in banks(layout):
        low, high = bottom - BORE_BELOW, top + BORE_ABOVE
        outline = [(-wide, low), (-wide, high), (wide, high), (wide, low)]
        d = "M" + "L".join(f"{x * RADIUS:g} {-y * RADIUS:g}" for x, y in outline)
        bores.append(tag("path", d=d, transform=f"rotate({bank.angle_deg:g})"))
        names.append(_bank_name(numbers_text(bank.cylinders), bank.angle_deg, top))
    pistons = [_piston(bank, throw, fires, wide) for (bank, throw), fires in _pistons(layout).items()]
    throws = "".join(
        tag("path", d=f"M0 0V{-RADIUS:g}", transform=f"rotate({p.angle_deg:g})")
        + tag("circle", r=9, cy=-RADIUS, transform=f"rotate({p.angle_deg:g})")
        for p in pins(layout)
    )
    pin_names = "".join(
        tag("text", numbers_text(p.cylinders), class_="pin-name", data_throw=p.angle_deg, x=x, y=y)
        for p in pins(layout)
        for x, y in [_point(p.angle_deg, 1.55)]
    )
    parts = [
        tag("g", "".join(bores), class_="bores"),
        tag("g", "".join(pistons), class_="pistons"),
        tag("circle", class_="orbit", r=RADIUS),
        tag("g", throws, class_="crank"),
        tag("circle", class_="hub", r=8),
        tag("g", "".join(names) + pin_names, class_="names", aria_hidden="true"),
    ]
    return tag("svg", "".join(parts), class_="end-view", viewBox=_view_box(layout, top), role="img", aria_label=label)


def _bank_name(name: str, angle_deg: float, top: float) -> str:
    """Return a bank's cylinder numbers beyond its head, long ones in rows."""
    lines = rows(name)
    x, y = _point(angle_deg, top + beyond_head(lines, angle_deg)[0])
    first = f"{-0.5 * (len(lines) - 1):g}em"
    return tag("text", "".join(tag("tspan", t, x=x, dy="1em" if k else first) for k, t in enumerate(lines)), y=y)


def _pistons(layout: Layout) -> dict[tuple[float, float], list[float]]:
    """Return what the end view shows as one piston, (bank, throw), and when its cylinders fire."""
    found: dict[tuple[float, float], list[float]] = {}
    for cylinder in layout.cylinders:
        assert cylinder.bank_deg is not None and cylinder.throw_deg is not None
        place = (round(cylinder.bank_deg % 360.0, 2), round(cylinder.throw_deg % 360.0, 2))
        found.setdefault(place, []).append(cylinder.firing_deg)
    return found


def _piston(bank_deg: float, throw_deg: float, fires: Iterable[float], wide: float) -> str:
    distance = float(piston_distance(throw_deg - bank_deg))
    (px, py), (cx, cy) = _point(bank_deg, distance), _point(throw_deg, 1.0)
    width = 2 * wide * RADIUS * 0.94
    head = tag("rect", x=-width / 2, y=-0.4 * RADIUS, width=width, height=0.75 * RADIUS, rx=3)
    flame = tag("rect", class_="flame", x=-width / 2, y=-0.62 * RADIUS, width=width, height=0.22 * RADIUS, opacity=0)
    body = tag("g", flame + head, class_="piston", transform=f"translate({px:.2f} {py:.2f}) rotate({bank_deg:g})")
    rod = tag("line", class_="rod", x1=cx, y1=cy, x2=px, y2=py)
    fires_text = " ".join(f"{f:g}" for f in fires)
    return tag("g", body + rod, data_bank=bank_deg, data_throw=throw_deg, data_fires=fires_text)


def _view_box(layout: Layout, top: float) -> str:
    corners = [(-2.3, -2.3), (2.3, 2.3)]
    for bank in banks(layout):
        for side in (-1.2, 1.2):
            x, y = _point(bank.angle_deg, top + beyond_head(rows(numbers_text(bank.cylinders)), bank.angle_deg)[1])
            dx, dy = _point(bank.angle_deg + 90.0, side)
            corners.append(((x + dx) / RADIUS, (y + dy) / RADIUS))
    low, high = np.min(corners, axis=0) * RADIUS, np.max(corners, axis=0) * RADIUS
    return f"{low[0]:.0f} {low[1]:.0f} {high[0] - low[0]:.0f} {high[1] - low[1]:.0f}"


def strip(layout: Layout, label: str, axis_label: str) -> str:
    """Return the firing strip over two turns of the crank, a two-stroke drawn twice; the script moves the marker."""
    found = firings(layout)
    cycles = round(STRIP_DEG / layout.cycle_deg)
    angles = [f.angle_deg + c * layout.cycle_deg for c in range(cycles) for f in found]
    names = ["+".join(str(n) for n in f.cylinders) for f in found] * cycles
    return _strip(angles, names, label, axis_label, marker=True)


def measured_strip(intervals_deg: Iterable[float], label: str, axis_label: str) -> str:
    """Return a strip of intervals found in a recording, from its first pulse at 0; no marker."""
    gaps = list(intervals_deg)
    cycles = round(STRIP_DEG / sum(gaps)) or 1
    edges = np.concatenate(([0.0], np.cumsum(gaps * cycles)))[:-1]
    return _strip([float(e) for e in edges], [""] * len(edges), label, axis_label, marker=False)


def _strip(angles: list[float], names: list[str], label: str, axis_label: str, *, marker: bool) -> str:
    following = [*angles[1:], STRIP_DEG + angles[0]]
    room = min(after - before for before, after in zip(angles, following, strict=True))
    thick = 8 if room > 30 else 4
    bars = "".join(tag("rect", x=a - thick / 2, y=30, width=thick, height=60) for a in angles)
    labels = ""
    if room > STRIP_TEXT_UNITS * max(map(len, names)):
        labels += "".join(tag("text", escape(n), x=a, y=22) for a, n in zip(angles, names, strict=True) if n)
    for before, after in zip(angles, following, strict=True):
        text, end = f"{round(after - before, 1):g}°", min(after, STRIP_DEG)
        if end - before > STRIP_TEXT_UNITS * len(text) + thick:
            labels += tag("text", text, x=(before + end) / 2, y=68, class_="gap")
    ticks = "".join(
        tag("line", x1=t, y1=90, x2=t, y2=97) + tag("text", str(t), x=t, y=132, class_="axis")
        for t in range(0, 721, 180)
    )
    parts = [
        tag("line", x1=0, y1=90, x2=720, y2=90, class_="base"),
        tag("g", bars, class_="bars"),
        tag("g", labels + ticks, aria_hidden="true"),
        tag("text", escape(axis_label), x=360, y=158, class_="axis", aria_hidden="true"),
    ]
    if marker:
        parts.append(tag("g", tag("path", d="M0 30V94M-9 106H9L0 94Z"), class_="marker", transform="translate(0)"))
    return tag("svg", "".join(parts), class_="strip", viewBox="-24 0 768 166", role="img", aria_label=label)


def wave(levels: Iterable[float], label: str) -> str:
    """Return the outline of a recording: `levels` from 0 to 1, evenly spaced in time."""
    heights = list(levels)
    step = STRIP_DEG / max(len(heights), 1)
    up = "L".join(f"{k * step:.1f} {40 - 38 * h:.1f}" for k, h in enumerate(heights))
    down = "L".join(f"{k * step:.1f} {40 + 38 * h:.1f}" for k, h in reversed(list(enumerate(heights))))
    return tag(
        "svg", tag("path", d=f"M{up}L{down}Z"), class_="wave", viewBox="0 0 720 80", role="img", aria_label=label
    )
