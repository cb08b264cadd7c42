"""Pictures: what is drawn agrees with the layout and the recording, and every file is whole."""

import builtins
import re
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import Result

from pulse_audio import catalogue, drawing
from pulse_audio.analysis.result import Analysis, Reading
from pulse_audio.catalogue import layout
from pulse_audio.clip import Clip
from pulse_audio.errors import LayoutError, MissingExtraError, OutputError, RangeError
from pulse_audio.layout import from_intervals

pytest.importorskip("matplotlib")

from pulse_audio.figures import analysis_figure, compare_figure, explain_figure, write_figure
from pulse_audio.figures.folding import fold

SMALLEST, LARGEST = "single-four-stroke", "v12-60"


def drawn_texts(figure: Any) -> list[Any]:
    """Return every visible text of a figure after it has been laid out."""
    from matplotlib.text import Text

    from pulse_audio.figures.style import styled

    with styled():
        figure.draw_without_rendering()
    unseen = set()  # labels of tick marks beyond the ends of their axis are kept by matplotlib, but not drawn
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            unseen |= {id(t.label1) for t in axis.get_major_ticks() if not low - 1e-9 <= t.get_loc() <= high + 1e-9}
    shown = (t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip() and id(t) not in unseen)
    return [t for t in shown if t.get_window_extent().width > 0]


def overlapping(figure: Any) -> list[tuple[str, str]]:
    """Return the pairs of texts that lie over one another, and texts that run out of the picture."""
    texts = drawn_texts(figure)
    boxes = [t.get_window_extent() for t in texts]
    width, height = figure.bbox.width, figure.bbox.height
    pairs = [
        (texts[i].get_text(), "edge of the picture")
        for i, b in enumerate(boxes)
        if b.x0 < -1 or b.y0 < -1 or b.x1 > width + 1 or b.y1 > height + 1
    ]
    for i, one in enumerate(boxes):
        for j in range(i):
            two = boxes[j]
            across = min(one.x1, two.x1) - max(one.x0, two.x0)
            up = min(one.y1, two.y1) - max(one.y0, two.y0)
            if across > 1 and up > 1:
                pairs.append((texts[i].get_text(), texts[j].get_text()))
    return pairs


def clicks(intervals: tuple[float, ...], *, rpm: float, rng: np.random.Generator, duration_s: float = 4.0) -> Clip:
    """Return short rings at the given crank intervals of a four-stroke, in a little noise."""
    rate = 16_000
    samples = 0.01 * rng.standard_normal(int(duration_s * rate))
    ring = np.exp(-np.arange(300) / 20) * np.sin(np.arange(300) / 6)
    starts = np.concatenate(([0.0], np.cumsum(intervals)[:-1]))
    for cycle in range(int(duration_s * rpm / 120) - 1):
        for start in starts:
            at = int((0.02 + (cycle * 720 + start) / (6 * rpm)) * rate)
            samples[at : at + 300] += ring[: len(samples) - at]
    return Clip(samples=samples, sample_rate_hz=rate)


def answer(intervals: tuple[float, ...], rpm: float, *readings: Reading, duration_s: float = 4.0) -> Analysis:
    even = max(intervals) - min(intervals) < 1
    return Analysis(
        duration_s=duration_s,
        sample_rate_hz=16_000,
        span_s=(0.0, duration_s),
        verdict="even" if even else "uneven",
        confidence=0.9,
        firing_rate_hz=len(intervals) * rpm / 120,
        intervals_deg=intervals,
        intervals_sd_deg=tuple(1.0 for _ in intervals),
        speed_track=((0.0, rpm), (duration_s, rpm)),
        readings=readings,
        notes=("the recording is clipped", "the sound is short"),
    )


def reading(name: str, rpm: float, probability: float = 0.8) -> Reading:
    one = layout(name)
    return Reading(layouts=(name,), strokes=one.strokes, cylinders=len(one.cylinders), rpm=rpm, probability=probability)


@pytest.mark.parametrize(
    ("name", "crank_deg"),
    [
        (SMALLEST, 0.0),
        (SMALLEST, 77.0),
        (LARGEST, 77.0),
        ("v16-45", 0.0),
        ("v12-180", 77.0),
        ("boxer-six", 77.0),
        ("radial-nine", 0.0),
        ("square-four", 0.0),
    ],
)
def test_no_text_of_explain_lies_over_another(name: str, crank_deg: float) -> None:
    """In the picture of the smallest, the largest and the oddest layouts no two texts overlap and none is cut off."""
    assert overlapping(explain_figure(layout(name), crank_deg=crank_deg)) == []


@pytest.mark.parametrize("count", [1, 3, 12])
def test_no_text_of_compare_lies_over_another(count: int) -> None:
    """In a comparison of 1, 3 or 12 layouts no two texts overlap and none is cut off."""
    names = ("v12-60", "single-two-stroke", "v16-45", *catalogue.layout_names())[:count]
    assert overlapping(compare_figure([layout(n) for n in names])) == []


def test_the_key_of_a_comparison_names_every_kind_of_order() -> None:
    """A two-stroke has whole orders only; beside a four-stroke, whose half orders are drawn too, both are named."""
    for names in (("single-two-stroke", "v-twin-45"), ("v-twin-45", "single-two-stroke")):
        (key,) = (legend for axes in compare_figure([layout(n) for n in names]).axes if (legend := axes.get_legend()))
        assert [text.get_text() for text in key.get_texts()] == ["whole order", "half order"]


@pytest.mark.parametrize(("name", "rpm"), [(SMALLEST, 900.0), ("v-twin-45", 1500.0), (LARGEST, 3000.0)])
def test_no_text_of_analyse_lies_over_another(name: str, rpm: float, rng: np.random.Generator) -> None:
    """In the picture of an analysed recording of 1, 2 and 12 cylinders no two texts overlap and none is cut off."""
    gaps = layout(name).intervals_deg
    found = answer(gaps, rpm, *(reading(name, rpm, 0.4 / k) for k in range(1, 7)))
    assert overlapping(analysis_figure(clicks(gaps, rpm=rpm, rng=rng), found)) == []


def test_overlap_is_seen() -> None:
    """The check of overlapping texts above does see one that is put over another, and one that is cut off."""
    figure = explain_figure(layout(SMALLEST))
    figure.text(0.02, 0.975, "over the heading")
    figure.text(0.95, 0.5, "runs out of the picture")
    assert len(overlapping(figure)) >= 2


def test_strip_has_a_bar_at_each_firing() -> None:
    """The strip's bars stand at the published firing angles of the 270-degree twin, 0 and 270."""
    # Table of crank and ignition angles in an encyclopaedia article on big-bang firing order: 270-450.
    strip = explain_figure(layout("parallel-twin-270")).axes[2]
    bars = [segment[0][0] for segment in strip.collections[0].get_segments()]
    assert bars == [0.0, 270.0]


def test_spectrum_of_an_even_six_has_one_line() -> None:
    """The order spectrum of an even six shows order 3 and its multiples alone."""
    # Impulse train, MIT 6.003 Signals and Systems, lecture 6: six even pulses add up at every third order.
    axes = explain_figure(layout("inline-six")).axes[1]
    points = np.concatenate([np.array(line.get_xydata()) for line in axes.lines if line.get_marker() == "o"])
    assert sorted(points[points[:, 1] > 0.01, 0]) == [3.0, 6.0]


def test_end_view_puts_the_piston_where_the_slider_crank_does() -> None:
    """A quarter turn after top dead centre the piston pin of a single stands sqrt(l^2 - r^2) from the crank."""
    # Slider-crank of any mechanics text; rod ratio 0.25, so 3.873 crank radii.
    view = explain_figure(layout(SMALLEST), crank_deg=90.0, rod_ratio=0.25).axes[0]
    ends = [np.array(line.get_xydata()) for line in view.lines if len(line.get_xdata()) == 2]
    rod = next(e for e in ends if np.allclose(e[0], [1.0, 0.0], atol=1e-9))
    assert rod[1] == pytest.approx([0.0, 15**0.5])


@pytest.mark.parametrize(("ratio", "share"), [(0.25, 0.4365), (0.0, 0.5)])
def test_piston_height_halfway(ratio: float, share: float) -> None:
    """A quarter turn after top dead centre the piston is below mid-stroke, by the slant of the rod."""
    # (1 - (1 - sqrt(1 - L^2)) / L) / 2: L = 0.25 gives 0.43649, an endless rod 0.5.
    assert drawing.piston_height(90.0, ratio) == pytest.approx(share, abs=1e-4)


def test_pins_that_stand_behind_one_another_are_one() -> None:
    """A flat-plane inline four shows two pins, 1 with 4 and 2 with 3 (common practice)."""
    assert [p.cylinders for p in drawing.pins(layout("inline-four"))] == [(1, 4), (2, 3)]


@pytest.mark.parametrize("name", [n for n in catalogue.layout_names() if layout(n).has_geometry])
def test_bores_of_neighbouring_banks_do_not_cut_each_other(name: str) -> None:
    """The inner corner of a bore lies on its own side of the line half-way to the next bank (geometry)."""
    this = layout(name)
    half, axes = drawing.half_bore(this), sorted(bank.angle_deg for bank in drawing.banks(this))
    assert 0.2 < half <= 0.95
    inner = float(drawing.piston_distance(180.0)) - drawing.BORE_BELOW
    corner_deg = np.degrees(np.arctan2(half, inner))
    gaps_deg = np.diff([*axes, axes[0] + 360.0])
    assert corner_deg < gaps_deg.min() / 2
    assert half == 0.95 or corner_deg > 0.4 * gaps_deg.min()  # and no narrower than that asks for


def test_layout_without_crank_is_not_drawn() -> None:
    """Intervals alone give a strip and a spectrum; asking for the end view itself is refused."""
    assert len(explain_figure(from_intervals("270-450")).axes) == 2
    with pytest.raises(LayoutError, match="no crank geometry"):
        drawing.pins(from_intervals("270-450"))


@pytest.mark.parametrize(
    ("numbers", "text"), [((1,), "1"), ((4, 1), "1, 4"), ((1, 2, 3), "1-3"), ((1, 2, 5, 6, 7), "1, 2, 5-7")]
)
def test_cylinder_numbers_are_shortened(numbers: tuple[int, ...], text: str) -> None:
    """Three and more numbers in a row become a range."""
    assert drawing.numbers_text(numbers) == text


def test_pulses_are_drawn_where_they_are(rng: np.random.Generator) -> None:
    """Pulse marks of a made recording lie within 4 ms of its clicks, and the folded cycle has their spacing."""
    # The ring rises for 1.2 ms and its level is smoothed over some 3 ms: 4 ms is 22 of 720 degrees at 900 rpm.
    gaps, rpm = (270.0, 450.0), 900.0
    folded = fold(clicks(gaps, rpm=rpm, rng=rng), answer(gaps, rpm, reading("parallel-twin-270", rpm)))
    assert folded is not None
    true_s = np.add.outer(np.arange(29) * 720.0, [0.0, 270.0]).ravel() / (6 * rpm) + 0.02
    middle = folded.pulse_s[(folded.pulse_s > 0.5) & (folded.pulse_s < 3.5)]
    assert len(middle) == pytest.approx(45, abs=1)
    assert all(np.abs(true_s - at).min() < 0.004 for at in middle)
    assert list(folded.pulse_deg) == [0.0, 270.0]


def test_order_lines_agree_with_the_pattern(rng: np.random.Generator) -> None:
    """The measured lines of an even twin vanish at half orders, as the pattern's do (two equal pulses a cycle)."""
    gaps, rpm = (360.0, 360.0), 1200.0
    folded = fold(clicks(gaps, rpm=rpm, rng=rng), answer(gaps, rpm, reading("boxer-twin", rpm)))
    assert folded is not None
    half = folded.order % 1 > 0.25
    assert folded.found_db[half].max() < -15
    assert folded.fitted_db[half].max() < -35
    assert np.abs(folded.found_db[~half] - folded.fitted_db[~half]).max() < 6


@pytest.mark.parametrize("verdict", ["no-rhythm", "undetermined"])
def test_unread_recording_shows_its_outline(verdict: str, rng: np.random.Generator) -> None:
    """A recording without an answer is drawn as an outline in one panel, with a heading that says so."""
    found = Analysis(
        duration_s=4.0, sample_rate_hz=16_000, span_s=(0.0, 4.0), verdict=verdict, confidence=0.9, notes=("no pulses",)
    )
    figure = analysis_figure(clicks((720.0,), rpm=900, rng=rng), found)
    assert len(figure.axes) == 1
    assert overlapping(figure) == []


def test_likeliest_readings_are_drawn_and_those_that_fire_otherwise_are_pale(rng: np.random.Generator) -> None:
    """The first reading, then the likeliest, however they fire; what is left is counted; nothing is certain."""
    rpm, gaps = 1500.0, (360.0, 360.0)
    otherwise = replace(reading("v-twin-45", rpm, 0.3), agrees=False)
    small = [reading(name, rpm, 0.02) for name in ("inline-four", "triple-120", "inline-five", "inline-six")]
    sure = replace(answer(gaps, rpm, reading("boxer-twin", rpm, 0.9996)), confidence=0.9996)
    doubtful = answer(gaps, rpm, reading("boxer-twin", rpm, 0.4), *small, reading("v8-crossplane", rpm, 0.1), otherwise)
    texts = [t.get_text() for t in drawn_texts(analysis_figure(clicks(gaps, rpm=rpm, rng=rng), doubtful))]
    named = [text for text in texts if " rpm: " in text]
    assert [text.split(",")[0] for text in named[:3]] == ["boxer-twin", "v-twin-45", "v8-crossplane"]
    assert "1 more, or none of these: 14 %" in texts
    assert {"One cycle of the first reading", "Pulses found, in the middle of what was listened to"} <= set(texts)
    assert "Readings that fit (pale: if it fires otherwise)" in texts
    texts = [t.get_text() for t in drawn_texts(analysis_figure(clicks(gaps, rpm=rpm, rng=rng), sure))]
    assert "Fires evenly, 25.0 times a second (almost certain, over 99 %)" in texts
    assert {"boxer-twin, 1500 rpm: over 99 %", "none of these: under 1 %", "Readings that fit"} <= set(texts)


def test_figure_of_what_cannot_be_told_calls_it_a_guess(rng: np.random.Generator) -> None:
    """Pulses and intervals of an answer that is not given are drawn under a heading that says so."""
    found = answer((270.0, 450.0), 1500.0, reading("parallel-twin-270", 1500.0, 0.12))
    figure = analysis_figure(
        clicks((270.0, 450.0), rpm=1500.0, rng=rng), replace(found, verdict="undetermined", confidence=0.1)
    )
    assert "How it fires cannot be told; what is drawn is a guess, 10 %" in [t.get_text() for t in drawn_texts(figure)]


def test_dollar_signs_and_foreign_scripts_are_drawn_as_they_are(tmp_path: Path) -> None:
    """A name with dollar signs, control characters or a script that the font lacks gives a picture, no warning."""
    odd = replace(layout("boxer-twin"), name="a$_$\x1b[31m", title="漢字 $\\frac{$ " + "long " * 60)
    write_figure(tmp_path / "odd.svg", explain_figure(odd))
    assert overlapping(explain_figure(odd)) == []


@pytest.mark.parametrize(
    ("ending", "start"), [("png", b"\x89PNG\r\n\x1a\n"), ("svg", b"<?xml"), ("pdf", b"%PDF-"), ("PNG", b"\x89PNG")]
)
def test_pictures_have_the_format_of_their_name(tmp_path: Path, ending: str, start: bytes) -> None:
    """The file's first bytes are those of PNG (ISO 15948, 5.2), SVG as XML, and PDF (ISO 32000, 7.5.2)."""
    target = tmp_path / f"picture.{ending}"
    write_figure(target, explain_figure(layout("boxer-twin")))
    assert target.read_bytes().startswith(start)
    assert list(tmp_path.iterdir()) == [target]


def test_the_same_picture_gives_the_same_file(tmp_path: Path) -> None:
    """SVG files of one layout are equal byte for byte: no date and no random names in them."""
    for name in ("one.svg", "two.svg"):
        write_figure(tmp_path / name, explain_figure(layout("boxer-twin")))
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()


def test_pictures_keep_their_meaning_in_grey() -> None:
    """The two colours that tell whole from half orders differ in lightness by 3 to 1 (WCAG 2.2, criterion 1.4.11)."""
    from pulse_audio.figures.style import BLUE, ORANGE

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    assert (luminance(ORANGE) + 0.05) / (luminance(BLUE) + 0.05) >= 3


def test_existing_picture_and_wrong_ending_are_refused(tmp_path: Path) -> None:
    """A picture is not written over without force, and only .png, .svg and .pdf are known."""
    figure = explain_figure(layout("boxer-twin"))
    (tmp_path / "old.png").write_bytes(b"old")
    with pytest.raises(OutputError, match="--force"):
        write_figure(tmp_path / "old.png", figure)
    assert (tmp_path / "old.png").read_bytes() == b"old"
    with pytest.raises(OutputError, match=r"\.png, \.svg or \.pdf"):
        write_figure(tmp_path / "new.gif", figure)


def test_missing_matplotlib_is_told_with_the_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without matplotlib the error names the command that installs it."""
    real = builtins.__import__

    def refuse(name: str, *rest: Any) -> Any:
        if name.startswith("matplotlib"):
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(MissingExtraError, match=r"pip install 'firing-pulse\[figures\]'"):
        explain_figure(layout("boxer-twin"))


def test_wrong_numbers_are_refused() -> None:
    """A rod ratio above a half, an endless angle, and no or too many layouts are refused with their limits."""
    with pytest.raises(RangeError, match="rod_ratio"):
        explain_figure(layout("boxer-twin"), rod_ratio=0.6)
    with pytest.raises(RangeError, match="crank_deg"):
        explain_figure(layout("boxer-twin"), crank_deg=float("inf"))
    with pytest.raises(RangeError, match="1 to 12"):
        compare_figure([])
    with pytest.raises(RangeError, match="1 to 12"):
        compare_figure([layout("boxer-twin")] * 13)


def test_explain_writes_a_picture(run: Callable[..., Result], tmp_path: Path) -> None:
    """The option --figure writes the picture beside the text, whose first line stays the layout's name."""
    target = tmp_path / "boxer.pdf"
    done = run("explain", "boxer-twin", "--figure", target, "--crank-angle", 30)
    assert done.exit_code == 0
    assert done.stdout.startswith("boxer-twin")
    assert done.stderr == f"wrote {target}\n"
    content = target.read_bytes()
    streams = [zlib.decompress(s) for s in re.findall(rb"stream\n(x.*?)\nendstream", content, re.DOTALL)]
    assert any(b"BT" in s for s in streams)  # text objects, ISO 32000, 9.4


def test_explain_refuses_a_picture_before_it_prints(refused: Callable[..., str], tmp_path: Path) -> None:
    """A picture that cannot be written is refused with one line and nothing on stdout."""
    assert ".png, .svg or .pdf" in refused("explain", "boxer-twin", "--figure", tmp_path / "boxer.doc")
    assert "no folder" in refused("explain", "boxer-twin", "--figure", tmp_path / "none" / "boxer.png")
