"""Pictures of layouts: one explained, or several compared at one scale."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pulse_audio import checks
from pulse_audio.drawing import MAX_ROD_RATIO, ROD_RATIO
from pulse_audio.errors import RangeError
from pulse_audio.figures import parts
from pulse_audio.figures.style import new_figure, styled
from pulse_audio.layout import Layout

if TYPE_CHECKING:
    from matplotlib.figure import Figure

WIDTH_IN = 10.0
MAX_COMPARED = 12


def explain_figure(layout: Layout, *, crank_deg: float = 0.0, rod_ratio: float = ROD_RATIO) -> "Figure":
    """Return a picture of one layout: end view of the crank, order spectrum, firing strip and piston travel.

    Parameters
    ----------
    layout : Layout
        Without geometry only the strip and the spectrum are drawn, and the picture says so.
    crank_deg : float
        Crank angle at which the end view is drawn, degrees.
    rod_ratio : float
        Crank radius over connecting-rod length.

    Raises
    ------
    RangeError
        An angle or ratio out of range.
    MissingExtraError
        matplotlib is not installed.
    """
    angle = checks.number("crank_deg", crank_deg, low=-100_000, high=100_000, unit="degrees") % layout.cycle_deg
    checks.number("rod_ratio", rod_ratio, low=0.0, high=MAX_ROD_RATIO)
    count = len(layout.cylinders)
    lanes_in = 0.45 + min(max(0.3 * count, 0.9), 8.0) if layout.has_geometry else 0.0
    top_in = 4.0 if layout.has_geometry else 2.6
    with styled():
        figure = new_figure(WIDTH_IN, 1.4 + top_in + 1.2 + lanes_in, _heading(layout), _facts(layout))
        rows = [top_in, 1.2] + ([lanes_in] if lanes_in else [])
        grid = figure.add_gridspec(len(rows), 2, height_ratios=rows, width_ratios=[1.0, 1.15])
        if layout.has_geometry:
            view = figure.add_subplot(grid[0, 0])
            parts.end_view(view, layout, crank_deg=angle, rod_ratio=rod_ratio)
            view.set_title(f"Crank seen from its end, turned {angle:g}° clockwise")
        orders = figure.add_subplot(grid[0, 1] if layout.has_geometry else grid[0, :])
        parts.spectrum(orders, layout, top_order=parts.drawn_orders((layout,)))
        orders.set_title("Order spectrum of equal pulses", pad=22)
        orders.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, frameon=False, borderaxespad=0.2)
        strip = figure.add_subplot(grid[1, :])
        parts.strip(strip, layout, span_deg=layout.cycle_deg, width_in=WIDTH_IN - 0.8)
        strip.set_title("Firings over one cycle: cylinder numbers above, crank degrees between")
        if lanes_in:
            lanes = figure.add_subplot(grid[2, :], sharex=strip)
            parts.piston_lanes(lanes, layout, rod_ratio=rod_ratio)
            lanes.set_title("Piston travel, up is towards the head: ▼ fires, hatched the half turn pushed by gas")
            strip.set_xlabel("")
    return figure


def compare_figure(layouts: Sequence[Layout]) -> "Figure":
    """Return a picture of several layouts above one another: firing strips and order spectra at one scale.

    A two-stroke is drawn twice over, so that every strip shows two turns of the crank.

    Raises
    ------
    RangeError
        No layout, or more than can be drawn.
    MissingExtraError
        matplotlib is not installed.
    """
    if not 1 <= len(layouts) <= MAX_COMPARED:
        raise RangeError(f"{len(layouts)} layouts to compare in one picture; give 1 to {MAX_COMPARED}")
    highest = parts.drawn_orders(tuple(layouts))
    with styled():
        figure = new_figure(WIDTH_IN, 1.2 + 1.75 * len(layouts), "Firing strips and order spectra at one scale")
        grid = figure.add_gridspec(len(layouts), 2, width_ratios=[1.55, 1.0])
        spectra = []
        for row, layout in enumerate(layouts):
            last = row == len(layouts) - 1
            strip = figure.add_subplot(grid[row, 0])
            parts.strip(strip, layout, span_deg=parts.FULL_STRIP_DEG, width_in=0.55 * WIDTH_IN)
            strip.set_title(_short(f"{layout.name}: {layout.intervals_text}", 62))
            orders = figure.add_subplot(grid[row, 1])
            parts.spectrum(orders, layout, top_order=highest, label=False)
            orders.set_ylabel("Strength")
            spectra.append(orders)
            if not last:
                strip.set_xlabel("")
                orders.set_xlabel("")
        kinds = max((axes.get_legend_handles_labels() for axes in spectra), key=lambda found: len(found[1]))
        spectra[0].legend(
            *kinds, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, frameon=False, borderaxespad=0.2
        )
    return figure


def _heading(layout: Layout) -> str:
    return f"{layout.name}: {layout.title}" if layout.title and layout.title != layout.name else layout.name


def _facts(layout: Layout) -> str:
    from pulse_audio.files import shown

    parts_of_text = [
        f"{'Four' if layout.strokes == 4 else 'Two'}-stroke, {len(layout.cylinders)} "
        f"cylinder{'s' if len(layout.cylinders) > 1 else ''}, fires {'evenly' if layout.is_even else 'unevenly'}",
        f"intervals {layout.intervals_text} degrees",
        f"firing order {'-'.join(str(n) for n in layout.firing_order)}",
    ]
    text = "; ".join(parts_of_text) + "."
    if layout.part_of:
        text += f" Part of {layout.part_of}: only the cylinders that one tailpipe hears."
    if not layout.has_geometry:
        text += " Its crank geometry is not given, so that no crank is drawn."
    return shown(text)


def _short(text: str, length: int) -> str:
    from pulse_audio.files import shown

    clean = shown(" ".join(text.split()))
    return clean if len(clean) <= length else clean[: length - 2] + " …"
