"""The look of all pictures, the lazy import of matplotlib, and writing a picture to a file.

Dark blue against light orange keeps its contrast in grey and for colour-blind eyes; shape, hatch and text carry the
meaning all the same.
"""

import contextlib
import io
import textwrap
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from pulse_audio.errors import MissingExtraError, OutputError
from pulse_audio.files import replaced_file, shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#1b1f24"
GREY = "#8b929b"
PALE = "#e4e7eb"
BLUE = "#1d4e89"
PALE_BLUE = "#d5e0ec"
ORANGE = "#e8932c"
FORMATS = {".png": "png", ".svg": "svg", ".pdf": "pdf"}
DPI = 150

_STYLE = {
    "text.parse_math": False,  # a dollar sign in a layout's name is a dollar sign
    "font.family": "sans-serif",
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "svg.hashsalt": "firing-pulse",  # the same picture gives the same file
    "pdf.fonttype": 42,
    "path.simplify": True,
}


@contextlib.contextmanager
def styled() -> Iterator[None]:
    """Apply the common look while a picture is made.

    Raises
    ------
    MissingExtraError
        matplotlib is not installed.
    """
    try:
        from matplotlib import style
    except ImportError as e:
        raise MissingExtraError("pictures need matplotlib; install it with: pip install 'firing-pulse[figures]'") from e
    with style.context(["default", _STYLE]), _quiet_fonts():
        yield


@contextlib.contextmanager
def _quiet_fonts() -> Iterator[None]:
    """Draw a name whose script the font lacks as boxes, without a warning on the terminal."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from")
        warnings.filterwarnings("ignore", message=r"Matplotlib is building the font cache")
        yield


def new_figure(width_in: float, height_in: float, title: str, subtitle: str = "") -> "Figure":
    """Return an empty figure with its heading; call inside `styled`."""
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    spacing = ConstrainedLayoutEngine(w_pad=0.08, h_pad=0.08, hspace=0.03, wspace=0.03)
    figure = Figure(figsize=(width_in, height_in), layout=spacing)
    heading = wrapped(title, width_in * 8.5, lines=2)
    figure.suptitle(heading, x=0.012, ha="left", fontsize=13, fontweight="bold")
    if subtitle:
        figure.supxlabel(wrapped(subtitle, width_in * 12.5, lines=8), x=0.012, ha="left", fontsize=8.5, color=INK)
    return figure


def wrapped(text: str, width: float, lines: int) -> str:
    """Break text to a width in characters, cut after so many lines; control characters become visible."""
    clean = shown(" ".join(text.split()))
    return "\n".join(textwrap.wrap(clean, int(width), max_lines=lines, placeholder=" …")) or clean[: int(width)]


def crank_axis(axes: "Axes", cycle_deg: float, label: str = "Crank angle (degrees)") -> None:
    """Lay out a horizontal axis over one working cycle, with a mark every quarter turn."""
    axes.set_xlim(0, cycle_deg)
    axes.set_xticks([90.0 * k for k in range(int(cycle_deg // 90) + 1)])
    axes.set_xlabel(label)


def check_name(path: Path) -> str:
    """Return the picture format of a file name.

    Raises
    ------
    OutputError
        The name ends in anything but .png, .svg or .pdf.
    """
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise OutputError(f"cannot tell the picture format of {shown(path)}; name it .png, .svg or .pdf")
    return kind


def write_figure(path: Path, figure: "Figure", *, force: bool = False) -> None:
    """Write a picture as PNG, SVG or PDF by its file name, whole or not at all.

    Raises
    ------
    OutputError
        Another file ending, the file exists and `force` is false, or it cannot be written.
    """
    kind = check_name(path)
    metadata = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind)
    drawn = io.BytesIO()
    with styled():
        figure.savefig(drawn, format=kind, dpi=DPI, metadata=metadata, facecolor="white")
    with replaced_file(path, force=force) as stream:
        stream.write(drawn.getvalue())
