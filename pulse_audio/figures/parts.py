"""Panels that several pictures share: the firing strip, the order spectrum, the end view and the piston lanes."""

from typing import TYPE_CHECKING

import numpy as np

from pulse_audio.drawing import (
    BORE_ABOVE,
    BORE_BELOW,
    ROD_RATIO,
    banks,
    beyond_head,
    firings,
    half_bore,
    numbers_text,
    pins,
    piston_distance,
    piston_height,
    rows,
)
from pulse_audio.figures.style import BLUE, GREY, INK, ORANGE, PALE, crank_axis
from pulse_audio.layout import Layout
from pulse_audio.orders import order_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FULL_STRIP_DEG = 720.0
POINTS_PER_CHARACTER = 5.2  # at 8 points


def strip(axes: "Axes", layout: Layout, *, span_deg: float, width_in: float) -> None:
    """Draw every firing over `span_deg` of crank angle as a bar with its cylinder numbers, and the gaps between."""
    found = firings(layout)
    cycles = round(span_deg / layout.cycle_deg)
    angles = [f.angle_deg + c * layout.cycle_deg for c in range(cycles) for f in found]
    labels = [numbers_text(f.cylinders) for f in found] * cycles
    points_per_deg = 72.0 * width_in / span_deg
    following = [*angles[1:], span_deg + angles[0]]
    number_room = min(after - before for before, after in zip(angles, following, strict=True)) * points_per_deg
    axes.vlines(angles, 0, 1, colors=BLUE, linewidths=4 if number_room > 12 else 2, clip_on=False)
    size = 8.0 if number_room > 4 + POINTS_PER_CHARACTER * max(map(len, labels)) else 5.5
    for angle, label in zip(angles, labels, strict=True):
        axes.text(angle, 1.08, label, ha="center", va="bottom", fontsize=size, fontweight="bold")
    for before, after in zip(angles, following, strict=True):
        text = f"{round(after - before, 1):g}°"
        middle = (before + after) / 2 if after <= span_deg else before + (span_deg - before) / 2
        room = (min(after, span_deg) - before) * points_per_deg
        if room > 6 + POINTS_PER_CHARACTER * len(text):
            axes.text(middle, 0.5, text, ha="center", va="center", fontsize=8)
        axes.plot([before, min(after, span_deg)], [0.2, 0.2], color=GREY, lw=0.8, zorder=0)
    if angles[0] > 0:
        axes.plot([0, angles[0]], [0.2, 0.2], color=GREY, lw=0.8, zorder=0)
    axes.set_ylim(0, 1.55)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    crank_axis(axes, span_deg)


def spectrum(axes: "Axes", layout: Layout, *, top_order: int, label: bool = True) -> None:
    """Draw how strongly each order of the crank's turning is present, 1 meaning that all pulses add up."""
    table = order_table(layout, highest_order=top_order)
    orders, strength = np.array(table.order), np.array(table.share)
    whole = np.isclose(orders, np.round(orders))
    axes.vlines(orders[whole], 0, strength[whole], colors=BLUE, linewidths=2.2)
    axes.vlines(orders[~whole], 0, strength[~whole], colors=ORANGE, linewidths=2.2, linestyles="dashed")
    axes.plot(orders[whole], strength[whole], "o", color=BLUE, ms=5, label="whole order", clip_on=False)
    if not whole.all():
        axes.plot(
            orders[~whole],
            strength[~whole],
            "o",
            mfc="white",
            mec=ORANGE,
            mew=1.6,
            ms=5,
            label="half order",
            clip_on=False,
        )
    axes.axhline(0, color=INK, lw=0.8)
    axes.set_xlim(0, top_order + 0.5)
    axes.set_ylim(0, 1.12)
    axes.set_xticks(np.arange(0, top_order + 1, 1 if top_order <= 12 else 4))
    axes.set_yticks([0, 0.5, 1])
    axes.set_xlabel("Order (cycles per crank turn)")
    if label:
        axes.set_ylabel("Strength (1 = all pulses add up)")


def drawn_orders(layouts: tuple[Layout, ...]) -> int:
    """Return the highest order to draw: past the firing order of the engine with the most cylinders."""
    firing = max(len(layout.cylinders) * 2 / layout.strokes for layout in layouts)
    return max(6, int(np.ceil(firing * 1.25)))


def end_view(axes: "Axes", layout: Layout, *, crank_deg: float, rod_ratio: float = ROD_RATIO) -> None:
    """Draw crank, rods, pistons and bores seen along the crankshaft, the crank turned to `crank_deg`."""
    from matplotlib.patches import Circle, Polygon

    bank_list = banks(layout)
    top, bottom = piston_distance([0.0, 180.0], rod_ratio)
    wide = half_bore(layout, rod_ratio)
    reach = float(top) + max(beyond_head(rows(numbers_text(b.cylinders)), b.angle_deg)[1] for b in bank_list)
    for bank in bank_list:
        along, across = _unit(bank.angle_deg), _unit(bank.angle_deg + 90.0)
        for side in (-1.0, 1.0):
            edge = np.array(
                [along * s + across * side * wide for s in (float(bottom) - BORE_BELOW, float(top) + BORE_ABOVE)]
            )
            axes.plot(edge[:, 0], edge[:, 1], color=INK, lw=1.6)
        head = np.array([along * (float(top) + BORE_ABOVE) + across * side * wide for side in (-1.0, 1.0)])
        axes.plot(head[:, 0], head[:, 1], color=INK, lw=1.6)
        names = rows(numbers_text(bank.cylinders))
        x, y = along * (float(top) + beyond_head(names, bank.angle_deg)[0])
        axes.text(x, y, "\n".join(names), ha="center", va="center", fontsize=8, fontweight="bold")
    seen: set[tuple[float, float]] = set()
    for cylinder in layout.cylinders:
        assert cylinder.bank_deg is not None and cylinder.throw_deg is not None
        key = (round(cylinder.bank_deg % 360, 2), round(cylinder.throw_deg % 360, 2))
        if key in seen:
            continue
        seen.add(key)
        along, across = _unit(cylinder.bank_deg), _unit(cylinder.bank_deg + 90.0)
        pin = _unit(cylinder.throw_deg + crank_deg)
        distance = float(piston_distance(cylinder.throw_deg + crank_deg - cylinder.bank_deg, rod_ratio))
        corners = [
            along * (distance + up) + across * side * wide * 0.94
            for up, side in ((-0.35, -1), (-0.35, 1), (0.4, 1), (0.4, -1))
        ]
        axes.add_patch(Polygon(corners, closed=True, fc=PALE, ec=INK, lw=1.1, zorder=2))
        axes.plot(*np.transpose([pin, along * distance]), color=GREY, lw=3, solid_capstyle="round", zorder=3)
        axes.plot(*(along * distance), "o", color=INK, ms=3.5, zorder=4)
    axes.add_patch(Circle((0, 0), 1.0, fill=False, ec=GREY, lw=0.8, ls=(0, (3, 3)), zorder=4))
    for spoke in pins(layout):
        tip = _unit(spoke.angle_deg + crank_deg)
        axes.plot(*np.transpose([(0, 0), tip]), color=BLUE, lw=6, solid_capstyle="round", zorder=5)
        axes.plot(*tip, "o", color=ORANGE, mec=INK, ms=8, zorder=6)
        beside = "center" if abs(tip[0]) < 0.4 else "left" if tip[0] > 0 else "right"
        axes.text(
            1.5 * tip[0], 1.5 * tip[1], numbers_text(spoke.cylinders), ha=beside, va="center", fontsize=7.5, zorder=7,
            bbox={"boxstyle": "round,pad=0.2", "fc": "white", "ec": ORANGE, "lw": 0.9},
        )  # fmt: skip
    axes.plot(0, 0, "o", color=INK, ms=7, zorder=6)
    points = np.array(
        [_unit(b.angle_deg) * reach + _unit(b.angle_deg + 90) * s for b in bank_list for s in (-1.1, 1.1)]
    )
    points = np.concatenate([points, [(-2.1, -2.1), (2.1, 2.1)]])
    low, high = points.min(axis=0), points.max(axis=0)
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal")
    axes.axis("off")


def _unit(angle_deg: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the unit vector at an angle clockwise from straight up."""
    a = np.deg2rad(angle_deg)
    return np.array([np.sin(a), np.cos(a)])


def piston_lanes(axes: "Axes", layout: Layout, *, rod_ratio: float = ROD_RATIO) -> None:
    """Draw the travel of every piston over the cycle, one lane a cylinder, its firing marked."""
    angle = np.linspace(0.0, layout.cycle_deg, 361)
    for lane, cylinder in enumerate(layout.cylinders):
        assert cylinder.tdc_deg is not None
        base = -float(lane)
        height = base + 0.7 * piston_height(angle - cylinder.tdc_deg, rod_ratio)
        since = (angle - cylinder.firing_deg) % layout.cycle_deg
        axes.plot(angle, height, color=BLUE, lw=1.3)
        axes.fill_between(angle, base, height, where=(since < 180.0).tolist(), fc=ORANGE, hatch="////", ec=INK, lw=0.0)
        axes.plot(cylinder.firing_deg, base + 0.7, marker="v", color=INK, ms=6, clip_on=False, zorder=5)
    axes.set_yticks([0.35 - lane for lane in range(len(layout.cylinders))])
    axes.set_yticklabels([str(lane + 1) for lane in range(len(layout.cylinders))])
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(0.9 - len(layout.cylinders), 1.1)
    axes.set_ylabel("Cylinder")
    crank_axis(axes, layout.cycle_deg)
