"""The teaching page as a file: what is in it, and that its sounds are what it says."""

import base64
import cmath
import hashlib
import html
import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from click.testing import Result

from pulse_audio.analysis.result import Analysis, Reading
from pulse_audio.catalogue import find_layout, layout
from pulse_audio.clip import Clip
from pulse_audio.errors import RangeError
from pulse_audio.layout import from_intervals
from pulse_audio.lesson import Recording, TextsError, build_page, english, read_texts
from pulse_audio.lesson.words import balance_facts, heard, intervals, listen

ENGLISH = Path(__file__).parents[1] / "pulse_audio" / "lesson" / "english.toml"
NAMES = ("boxer-twin", "v-twin-45", "v12-60")
HOSTILE = "<script>alert(1)</script>"


class Tags(HTMLParser):
    """Every start tag with its attributes, and the text of the headings."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.headings: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep a tag."""
        self.tags.append((tag, dict(attrs)))
        if tag in ("h1", "h2"):
            self.headings.append("")

    def handle_data(self, data: str) -> None:
        """Keep the text of a heading."""
        if self.headings and self.tags[-1][0] in ("h1", "h2"):
            self.headings[-1] += data


@pytest.fixture(scope="module")
def page() -> str:
    """Return a page of three layouts at the usual speeds."""
    return build_page([layout(name) for name in NAMES])


@pytest.fixture(scope="module")
def book(page: str) -> dict[str, object]:
    """Return the data that the page's script reads."""
    return read_book(page)


def read_book(page: str) -> dict[str, object]:
    found = re.search(r'<script type="application/json" id="book">(.*?)</script>', page, re.DOTALL)
    assert found
    book = json.loads(found[1])
    assert isinstance(book, dict)
    return book


def sound_of(loop: dict[str, object], margin: int) -> np.ndarray:
    """Return the samples of a loop without its margins."""
    samples, rate = soundfile.read(io.BytesIO(base64.b64decode(str(loop["data"]))))
    assert rate == 48_000
    assert len(samples) == int(str(loop["frames"])) + 2 * margin
    return np.asarray(samples[margin:-margin])


def test_three_layouts_stay_below_six_megabytes(page: str) -> None:
    """A page of three layouts at the usual speeds is smaller than 6 MB (the size asked for)."""
    assert len(page.encode()) < 6_000_000


def test_page_names_no_address(page: str) -> None:
    """Nothing in the page points outside it: no address in any attribute, no import, no url() in the style."""
    addressed = [
        (tag, value)
        for tag, attributes in Tags(page).tags
        for name, value in attributes.items()
        if name in ("src", "href", "action", "srcset", "data", "poster", "xlink:href")
    ]
    assert addressed == [("link", "data:,")]
    assert not re.search(r"https?:|url\(|@import|fetch\(|XMLHttpRequest|WebSocket", page)


def test_policy_allows_this_script_and_style_and_nothing_else(page: str) -> None:
    """The policy forbids all but the page's own script and style, told by SHA-256 (W3C CSP 3, section 2.3.1)."""
    policies = [a["content"] for _, a in Tags(page).tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert len(policies) == 1
    assert policies[0]
    rules = dict(rule.split(" ", 1) for rule in policies[0].split("; "))
    assert rules["default-src"] == "'none'"
    assert not set(rules) & {"connect-src", "frame-src", "font-src", "worker-src", "object-src"}
    for kind, pattern in (("script", r"<script>(.*?)</script>"), ("style", r"<style>(.*?)</style>")):
        (content,) = re.findall(pattern, page, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert rules[f"{kind}-src"] == f"'sha256-{digest}'"


def test_hostile_texts_are_shown_not_run() -> None:
    """Names, titles, notes and headings with markup in them appear as text; the page has its own two scripts only."""
    hostile = replace(
        layout("parallel-twin-270"), name=HOSTILE, title='"><img src=x onerror=alert(2)>', note="</script><b onload=x>"
    )
    page = build_page([hostile, layout("boxer-twin")], rpms=[900], title="</title><script>alert(4)</script>")
    tags = Tags(page)
    assert HOSTILE in tags.headings
    assert [tag for tag, _ in tags.tags].count("script") == 2
    assert not {"img", "b"} & {tag for tag, attributes in tags.tags if attributes}
    assert not any(name.startswith("on") for _, attributes in tags.tags for name in attributes)
    assert read_book(page)["layouts"][0]["name"] == HOSTILE  # type: ignore[index]


def test_loops_hold_whole_cycles(book: dict[str, object]) -> None:
    """Every loop lasts a whole number of working cycles at its speed, to a millionth of a cycle."""
    for one, loops in zip(book["layouts"], book["loops"], strict=True):  # type: ignore[call-overload]
        for loop, rpm in zip(loops, book["speeds"], strict=True):  # type: ignore[call-overload]
            cycles = loop["frames"] / 48_000 * 6 * loop["rpm"] / one["cycle"]
            assert cycles == pytest.approx(round(cycles), abs=1e-6)
            assert loop["rpm"] == pytest.approx(rpm, rel=1e-5)  # half a frame in 3.5 s is 3e-6


def test_loops_join_without_a_seam(book: dict[str, object]) -> None:
    """From a loop's last sample to its first is no larger a step than the steps inside it."""
    for loops in book["loops"]:  # type: ignore[attr-defined]
        for loop in loops:
            samples = sound_of(loop, int(str(book["margin"])))
            assert abs(samples[0] - samples[-1]) <= np.abs(np.diff(samples)).max()


def test_margins_repeat_the_loop(book: dict[str, object]) -> None:
    """What stands before and after a loop is the loop itself, so that an interpolating player finds what it expects."""
    margin = int(str(book["margin"]))
    loop = book["loops"][1][2]  # type: ignore[index]
    samples, _ = soundfile.read(io.BytesIO(base64.b64decode(loop["data"])))
    inner = samples[margin:-margin]
    assert np.array_equal(samples[:margin], inner[-margin:])
    assert np.array_equal(samples[-margin:], inner[:margin])


def test_layouts_are_equally_loud_at_one_speed(book: dict[str, object]) -> None:
    """An independent BS.1770 meter reads the same for all layouts at one speed, within 0.2 LU; peaks below -1 dBFS."""
    meter = pyloudnorm.Meter(48_000)
    for speed in range(len(book["speeds"])):  # type: ignore[arg-type]
        sounds = [sound_of(loops[speed], int(str(book["margin"]))) for loops in book["loops"]]  # type: ignore[attr-defined]
        levels = [meter.integrated_loudness(s) for s in sounds]
        assert max(levels) - min(levels) < 0.2
        assert max(np.abs(s).max() for s in sounds) <= 10 ** (-1 / 20) + 2**-15  # a step of 16 bits above


def test_slow_loops_pulse_where_the_layout_fires(book: dict[str, object]) -> None:
    """At 60 rpm each pulse of the 45-degree V-twin starts within 5 degrees (14 ms) of 0 and 315 (360 - 45)."""
    # 14 ms holds the front of the pulse and the way through pipes of up to 2 m.
    loop = book["loops"][1][0]  # type: ignore[index]
    samples = np.abs(sound_of(loop, int(str(book["margin"]))))
    level = np.sqrt(np.convolve(samples**2, np.ones(96) / 96, "same"))
    cycle = round(48_000 * 2.0)
    turned = np.arange(len(level)) % cycle * 720 / cycle
    loud = turned[level > 0.3 * level.max()]
    for fires in (0.0, 315.0):
        after = (loud - fires + 20) % 720 - 20
        assert -2 < after[np.abs(after) < 20].min() < 5
    quiet = (turned > 120) & (turned < 300)
    assert level[quiet].max() < 0.1 * level.max()


def test_words_give_the_intervals() -> None:
    """The words hold the published intervals: 270 and 450 for the 270-degree twin, 120 six times for an inline six."""
    # Intervals: table of crank and ignition angles in an encyclopaedia article on big-bang firing order; T. Denton,
    # Automobile Mechanical and Electrical Systems, p. 107, for the six and its order 1-5-3-6-2-4.
    twin = " ".join(intervals(layout("parallel-twin-270"), english()))
    assert "270 degrees" in twin
    assert "450 degrees" in twin
    six = " ".join(intervals(layout("inline-six"), english()))
    assert six.startswith("Six pulses, each 120 degrees")
    assert "1-5-3-6-2-4" in six


def test_words_tell_when_pulses_run_together() -> None:
    """An even twin is heard pulse by pulse up to 1200 rpm, where it reaches 20 pulses a second."""
    # Clicks below 20 a second are a rhythm: Front. Psychol. 2014, article 1453; 2 pulses in two turns at 1200 rpm.
    assert any("1200 rpm" in line for line in listen(layout("boxer-twin"), english()))


@pytest.mark.parametrize(("name", "cylinders"), [("boxer-twin", 2), ("inline-five", 5), ("v12-60", 12)])
def test_words_call_it_a_note_where_the_table_does(name: str, cylinders: int) -> None:
    """The note is said to begin at the speed from which the table says so, and its pitch to be n * rpm / 120 Hz."""
    # A pitch is heard above 50 clicks a second: Front. Psychol. 2014, article 1453. Nothing is called a note at a
    # speed at or below 50 * 120 / n.
    lines = " ".join(listen(layout(name), english()))
    begins_rpm = 50 * 120 / cylinders
    assert f"above about {begins_rpm:g} rpm they are a note" in lines
    assert f"its pitch in Hz is {cylinders / 2:g} × rpm / 60." in lines
    assert f"Hz at {begins_rpm:g} rpm" not in lines
    assert [heard(layout(name), begins_rpm + rpm, english())[1] for rpm in (-1, 1)] == ["flutter", "a note"]


@pytest.mark.parametrize(
    ("name", "fires_deg"),
    [
        # One crankpin: 360 less and plus the angle between the banks; two banks of two a turn apart; a crank of three
        # throws in a T (the catalogue's sources, not printed ones); 270-450 as above.
        ("v-twin-45", (0, 315)),
        ("parallel-twin-270", (0, 270)),
        ("parallel-twin-180", (0, 180)),
        ("v-twin-90-two-stroke", (0, 90)),
        ("v4-90-360", (0, 90, 360, 450)),
        ("triple-t-plane", (0, 180, 450)),
    ],
)
def test_words_name_the_low_orders_that_sound(name: str, fires_deg: tuple[int, ...]) -> None:
    """Told are the orders below the first overtone at which |S_m| is half its largest, half orders only if they are."""
    strokes = 2 if name.endswith("two-stroke") else 4
    overtone = 4 * len(fires_deg) // strokes
    orders = [4 / strokes * m / 2 for m in range(1, overtone * strokes // 2)]
    shares = {
        order: abs(sum(cmath.exp(-2j * cmath.pi * order * at / 360) for at in fires_deg)) / len(fires_deg)
        for order in orders
    }
    (line,) = (line for line in listen(layout(name), english()) if "low orders" in line)
    told = {float(order): int(percent) for order, percent in re.findall(r"([\d.]+) \((\d+) %\)", line)}
    assert told == {o: round(100 * s) for o, s in shares.items() if s >= max(shares.values()) / 2}
    halves = re.findall(r"Half orders among them: (.*)\.$", line)
    assert [float(o) for text in halves for o in text.split(" and ")] == [o for o in told if o % 1 == 0.5]
    assert "half order" not in line


@pytest.mark.parametrize(
    ("name", "values"),
    [
        # Handbook factors for equal pistons, rotating masses balanced, in m r omega^2 and cylinder spacings, rod ratio
        # 0.25 (R. Bosch, Automotive Handbook, free forces and moments; from memory). Secondary values times 0.25.
        # Crankcase in one-cylinder volumes: (1 - sqrt(1 - 1/16)) * 4 = 0.127 a pair from the slider-crank.
        ("boxer-twin", ["none", "none", "1", "0.25", "2"]),
        ("inline-four", ["none", "1", "none", "none", "0.25"]),
        ("parallel-twin-180", ["none", "0.5", "1", "none", "0.13"]),
        ("inline-six", ["none"] * 5),
    ],
)
def test_balance_facts_agree_with_the_handbook(name: str, values: list[str]) -> None:
    """The page's balance table shows the handbook's free forces and couples and the crankcase swing."""
    assert [fact.value for fact in balance_facts(layout(name), english())] == values


def test_one_bank_has_no_balance() -> None:
    """Half an engine is not judged for balance, which is a property of the whole crank."""
    assert balance_facts(layout("v8-crossplane-one-bank"), english()) == []


def test_translated_texts_replace_the_english(tmp_path: Path) -> None:
    """A translated language file changes the page's words and a layout's title, and escapes them."""
    text = ENGLISH.read_text(encoding="utf-8").replace('play = "Play"', 'play = "Soita <b>"').replace('"en"', '"fi"')
    translated = tmp_path / "finnish.toml"
    translated.write_text(text + '\n[layouts.boxer-twin]\ntitle = "Bokseri"\n', encoding="utf-8")
    page = build_page([layout("boxer-twin")], rpms=[900], texts=read_texts(translated))
    assert '<html lang="fi">' in page
    assert html.escape("Soita <b>") in page
    assert "Bokseri" in page


def test_text_with_an_apostrophe_is_escaped_once(tmp_path: Path) -> None:
    """What a browser reads back of every attribute and text is what the language file holds."""
    heading = english()("recording", "title")
    translated = tmp_path / "french.toml"
    text = ENGLISH.read_text(encoding="utf-8")
    translated.write_text(text.replace(f'title = "{heading}"', 'title = "L\'enregistrement"'), encoding="utf-8")
    page = build_page([layout("boxer-twin")], rpms=[900], recording=some_recording(), texts=read_texts(translated))
    assert page.count("L&#x27;enregistrement") == 2
    assert "&amp;#x27;" not in page


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('stop = "Stop"', "", r"player\.stop is missing"),
        ("{deg} degrees", "{degrees} degrees", r"player\.angle_value must have the places \['deg'\]"),
        ("{deg} degrees", "{deg!r} degrees", r"player\.angle_value must have the places"),
        ("{deg} degrees", "{deg degrees", r"player\.angle_value has a lone brace"),
        ("[quiz]", "[quizz]", r"the section \[quizz\] is unknown; the section \[quiz\] is missing"),
        ('stop = "Stop"', 'stop = "Stop"\nweight = nan', r"player\.weight is unknown"),
        (
            "[player]",
            '[layouts.boxer-twin]\ntitel = "Bokseri"\n[player]',
            r"\[layouts\] must hold tables of title and note",
        ),
        ("[player]", "[player", "no TOML"),
    ],
)
def test_faulty_language_files_are_refused(tmp_path: Path, old: str, new: str, fault: str) -> None:
    """A language file that lacks a text or changes its places is refused with the name of the text."""
    faulty = tmp_path / "faulty.toml"
    text = ENGLISH.read_text(encoding="utf-8")
    assert old in text
    faulty.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(TextsError, match=fault):
        read_texts(faulty)


def test_many_faults_of_a_language_file_are_counted(tmp_path: Path) -> None:
    """Five faults are told, the rest are counted, and the message says what to begin with."""
    faulty = tmp_path / "mine.toml"
    faulty.write_text('[language]\ncode = "fi"\n', encoding="utf-8")
    with pytest.raises(TextsError) as told:
        read_texts(faulty)
    sections = len(english().tables) - 1
    left_out = len(english().tables["language"]) - 1
    assert str(told.value).endswith(f"; and {sections + left_out - 5} more; begin with a copy of english.toml")


def some_recording(verdict: str = "uneven") -> Recording:
    """Return a second of clicks, and the answer that it fires like a 90-degree V-twin at 1800 rpm."""
    samples = np.zeros(16_000)
    samples[::400] = 0.5
    read = verdict != "no-rhythm"  # an undetermined answer lists readings, too, of which none is told
    reading = Reading(layouts=("v-twin-90", "parallel-twin-270"), strokes=4, cylinders=2, rpm=1803.2, probability=0.9)
    return Recording(
        name="<i>shed</i>.wav",
        clip=Clip(samples=samples, sample_rate_hz=16_000),
        analysis=Analysis(
            duration_s=1.0,
            sample_rate_hz=16_000,
            span_s=(0.0, 1.0),
            verdict=verdict,
            confidence=0.9,
            firing_rate_hz=30.0 if read else None,
            intervals_deg=(270.0, 450.0) if read else None,
            readings=(reading,) if read else (),
        ),
    )


def test_recording_stands_in_the_card_of_the_layout_it_fits() -> None:
    """A recording that fires like the 270-degree twin stands in that card, and its speed can be chosen."""
    page = build_page([layout("boxer-twin"), layout("parallel-twin-270")], rpms=[900], recording=some_recording())
    cards = re.findall(r"<article.*?</article>", page, re.DOTALL)
    assert ["It fits parallel-twin-270 at 1803 rpm" in card for card in cards] == [False, True]
    assert read_book(page)["speeds"] == [900, 1803]
    assert html.escape("<i>shed</i>.wav") in page
    sound, rate = soundfile.read(io.BytesIO(base64.b64decode(str(read_book(page)["recording"]))))
    assert len(sound) / rate == pytest.approx(1.0)


def read_as(intervals_deg: tuple[float, ...], *readings: tuple[str, int, float], verdict: str) -> Recording:
    """Return a recording with these readings: a layout or nothing, strokes, rpm."""
    recording = some_recording(verdict)
    found = tuple(
        Reading(layouts=(name,) if name else (), strokes=strokes, cylinders=len(intervals_deg), rpm=rpm, probability=p)
        for p, (name, strokes, rpm) in zip((0.4, 0.2, 0.1), readings, strict=False)
    )
    return replace(recording, analysis=replace(recording.analysis, intervals_deg=intervals_deg, readings=found))


@pytest.mark.parametrize(
    ("name", "recording", "rpm", "gaps"),
    [
        # 30 firings a second: rpm * n / 120 for n cylinders of a four-stroke.
        (
            "inline-four",
            read_as((120,) * 6, ("inline-six", 4, 601), ("inline-four", 4, 901.5), verdict="even"),
            902,
            [180] * 4,
        ),
        (
            "inline-six",
            read_as((720,), ("parallel-twin-360", 4, 1800), ("inline-six", 4, 600), verdict="even"),
            600,
            [120] * 6,
        ),
        # Both gaps last as long as before where the crank turns half as fast: half the degrees, in one turn of 360.
        (
            "v-twin-90-two-stroke",
            read_as((180, 540), ("parallel-twin-180", 4, 1800), ("v-twin-90-two-stroke", 2, 900), verdict="uneven"),
            900,
            [90, 270],
        ),
        # A third of the speed, a third of the degrees: the gaps of a V-twin come three times in the cycle of the six.
        (
            "v6-90-odd",
            read_as((270, 450), ("v-twin-90", 4, 1800), ("v6-90-odd", 4, 600), verdict="uneven"),
            600,
            [90, 150] * 3,
        ),
        (
            "v-twin-90",
            read_as((90, 150) * 3, ("v6-90-odd", 4, 600), ("v-twin-90", 4, 1800), verdict="uneven"),
            1800,
            [270, 450],
        ),
    ],
)
def test_recording_is_told_in_terms_of_the_layout_it_fits(
    name: str, recording: Recording, rpm: int, gaps: list[int]
) -> None:
    """Where another reading is likelier, speed, intervals and strip are still those of the layout on the page."""
    page = build_page([layout(name)], rpms=[800], recording=recording)
    assert f"To compare, choose above: {rpm} rpm." in page
    assert read_book(page)["speeds"] == sorted([800, rpm])
    told = "-".join(map(str, gaps))
    assert f"Intervals found in the recording: {told} degrees." in page
    assert (f"intervals {told} degrees," in page) == (recording.analysis.verdict == "uneven")
    strip = page.split("Intervals found in the recording")[1].split("</svg>")[0]
    bars = [float(x) for x in re.findall(r'<rect x="(\S+)"', strip)]
    turns = gaps * (720 // sum(gaps))
    assert np.diff(bars) == pytest.approx(turns[:-1], abs=0.5)


def test_reading_without_a_name_is_told_in_words() -> None:
    """A reading that no layout of the catalogue has is told as the text answer tells it."""
    recording = read_as((270, 450), ("v-twin-90", 4, 1800), ("", 4, 941), verdict="uneven")
    page = build_page([layout("v-twin-90")], rpms=[900], recording=recording)
    assert "Other readings: no layout known by name (941 rpm, 20 %)." in page


def test_recording_that_fits_several_layouts_is_not_given_to_one() -> None:
    """Even pulses fit a four at one speed and a five at 4/5 of it: both are told, each at its speed, in no card."""
    four, five = ("inline-four", 4, 1065), ("inline-five", 4, 852)  # 35.5 pulses a second: rpm = 120 x 35.5 / cylinders
    recording = read_as((180, 180, 180, 180), four, ("v8-crossplane", 4, 533), five, verdict="even")
    page = build_page([layout("inline-five"), layout("inline-four")], rpms=[900], recording=recording)
    shown = page.split("<script")[0]
    assert "It fits inline-four at 1065 rpm (40 %)." in shown
    assert "It fits inline-five at 852 rpm (10 %)." in shown
    assert "Other readings: v8-crossplane (533 rpm, 20 %)." in shown
    assert "To compare, choose above: 1065 and 852 rpm." in shown
    assert "Intervals found in the recording" not in shown  # degrees of which crank?
    assert not any("It fits" in card for card in re.findall(r"<article.*?</article>", page, re.DOTALL))
    assert read_book(page)["speeds"] == [852, 900, 1065]


@pytest.mark.parametrize("verdict", ["undetermined", "no-rhythm"])
def test_recording_that_cannot_be_read_says_so(verdict: str) -> None:
    """A recording without a verdict is shown without intervals, readings or a fit."""
    page = build_page([layout("v-twin-90")], rpms=[900], recording=some_recording(verdict))
    assert "Intervals found" not in page.split("<script")[0]
    assert "It fits" not in page.split("</main>")[0].split('id="book"')[0].replace("It fits {name}", "")
    assert read_book(page)["speeds"] == [900]


@pytest.mark.parametrize(("share", "told"), [(0.9999, "over 99 %"), (0.9, "90 %"), (0.0, "under 1 %")])
def test_no_share_is_told_as_certain(share: float, told: str) -> None:
    """Confidence and fit are given as the text answer gives them: never 100 %, never 0 %."""
    recording = some_recording()
    reading = replace(recording.analysis.readings[0], probability=share)
    recording = replace(recording, analysis=replace(recording.analysis, confidence=share, readings=(reading,)))
    page = build_page([layout("v-twin-90")], rpms=[900], recording=recording)
    assert f"It fires unevenly ({told} sure)" in page
    assert f"It fits v-twin-90 at 1803 rpm ({told})." in page


def test_recording_of_another_engine_fits_none() -> None:
    """A recording whose pattern none of the page's layouts has stands apart and says so."""
    page = build_page([layout("boxer-twin")], rpms=[900], recording=some_recording())
    assert "Read like this, it fits none of the layouts on this page." in page.split("<script")[0]


@pytest.mark.parametrize(("count", "rpms"), [(0, [900.0]), (10, [900.0]), (1, [float(100 * k) for k in range(1, 11)])])
def test_page_size_is_limited(count: int, rpms: list[float]) -> None:
    """No layout, more than nine, or more than nine speeds are refused."""
    with pytest.raises(RangeError, match="1 to 9 layouts"):
        build_page([layout("boxer-twin")] * count, rpms=rpms)


def test_layout_without_a_crank_has_a_strip_and_no_end_view() -> None:
    """A layout given by its intervals shows its strip, and says that the crank is not known."""
    page = build_page([from_intervals("270-450")], rpms=[900])
    assert 'class="strip"' in page
    assert 'class="end-view"' not in page
    assert english()("card", "no_crank") in page


def test_firings_a_hair_apart_are_told_as_one(run: Callable[..., Result], tmp_path: Path) -> None:
    """Cylinders that fire 0.015 degrees apart are one pulse, in the words as in the strip."""
    near = tmp_path / "near.toml"
    near.write_text("firing_deg = [0.0, 0.015, 300.0]")
    assert run("lesson", near, "-o", tmp_path / "near.html", "--rpm", 900).exit_code == 0
    assert "1+2" in (tmp_path / "near.html").read_text(encoding="utf-8")


def test_outline_of_a_stereo_clip_shows_peaks_of_either_sign() -> None:
    """A clip whose left channel swings down beside a steady right one has the outline of one that swings up as far."""
    swing, steady = 0.5 * np.abs(np.sin(np.arange(4_800) / 1000.0)), np.full(4_800, 0.1)
    down, up, mono = np.column_stack((-swing, steady)), np.column_stack((swing, steady)), np.maximum(swing, steady)
    shown = [
        build_page(
            [layout("boxer-twin")],
            rpms=[900],
            recording=replace(some_recording(), clip=Clip(samples=samples, sample_rate_hz=16_000)),
        )
        for samples in (down, up, mono)
    ]
    outlines = {re.findall(r'class="wave".*?<path d="(.*?)"', page, re.DOTALL)[0] for page in shown}
    assert len(outlines) == 1


def test_command_writes_the_page_and_tells_its_size(run: Callable[..., Result], tmp_path: Path) -> None:
    """The command writes one file and prints its size in megabytes; a second run without --force is refused."""
    target = tmp_path / "page.html"
    done = run("lesson", "boxer-twin", "270-450", "-o", target, "--rpm", 60, "--rpm", "900")
    assert done.exit_code == 0
    size = target.stat().st_size / 1e6
    assert done.stdout == f"wrote {target}: 2 layouts, {size:.1f} MB\n"
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]
    again = run("lesson", "boxer-twin", "-o", target)
    assert again.exit_code == 1
    assert "--force" in again.stderr


def test_command_puts_a_recording_on_the_page(
    run: Callable[..., Result], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The option --recording reads the file, has it analysed, and shows its name and what was found."""
    recording = some_recording()
    soundfile.write(tmp_path / "shed.wav", recording.clip.samples, recording.clip.sample_rate_hz)
    monkeypatch.setattr("pulse_audio.batch.analyse_file", lambda task: recording.analysis)
    target = tmp_path / "page.html"
    done = run("lesson", "v-twin-90", "-o", target, "--rpm", 900, "--recording", tmp_path / "shed.wav")
    assert done.exit_code == 0, done.stderr
    page = target.read_text(encoding="utf-8")
    assert "It fits v-twin-90 at 1803 rpm" in page
    assert "shed.wav" in page
    assert str(tmp_path) not in page


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("lesson", "boxer-twn", "-o", "page.html"), "boxer-twin"),
        (("lesson", "-o", "page.html"), "LAYOUT"),
        (("lesson", "boxer-twin"), "output"),
        (("lesson", "boxer-twin", "-o", "page.html", "--rpm", "5"), "20 to 15000"),
        (("lesson", "boxer-twin", "-o", "page.html", "--texts", "none.toml"), "none.toml"),
        (("lesson", "boxer-twin", "-o", "page.html", "--exhaust", "none-such"), "none-such"),
        (("lesson", "boxer-twin", "-o", "page.html", "--recording", "none.wav"), "none.wav"),
    ],
)
def test_wrong_command_lines_are_refused(
    refused: Callable[..., str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], says: str
) -> None:
    """A wrong argument is answered with one line that names it, and no page is written."""
    monkeypatch.chdir(tmp_path)
    assert says in refused(*arguments)
    assert list(tmp_path.iterdir()) == []


def _colours(style: str) -> list[dict[str, str]]:
    """Return the custom properties of the light, dark and print schemes."""
    return [
        dict(re.findall(r"--([\w-]+): (#\w+)", block)) for block in re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    ]


def _luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = [int(digits[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_recording_that_is_too_short_is_named(refused: Callable[..., str], tmp_path: Path) -> None:
    """The command says which file holds too little sound, as `analyse` does."""
    clip = tmp_path / "tick.wav"
    soundfile.write(clip, np.full(160, 0.1), 16_000)
    told = refused("lesson", "boxer-twin", "-o", tmp_path / "page.html", "--recording", clip)
    assert told.startswith(f"firing-pulse: {clip}: there are 0.01 s of sound")


def test_text_colours_have_contrast(page: str) -> None:
    """Text stands out by 4.5 to 1 or more in every scheme (WCAG 2.2, success criterion 1.4.3, level AA)."""
    schemes = _colours(page)
    assert len(schemes) == 3
    pairs = [(t, b) for t in ("ink", "soft", "accent", "fire") for b in ("paper", "panel")] + [("on-accent", "accent")]
    for scheme in schemes:
        for text, back in pairs:
            light, dark = sorted((_luminance(scheme[text]), _luminance(scheme[back])), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (text, back, scheme)


def test_a_strip_of_two_turns_names_the_firings_of_both() -> None:
    """A two-stroke fires once a turn (what a two-stroke is): its strip of two turns is told as firing at 0 and 360."""
    (label,) = (tag["aria-label"] for name, tag in Tags(build_page([layout("single-two-stroke")], rpms=[900])).tags
                if name == "svg" and tag["class"] == "strip")  # fmt: skip
    assert label == (
        "Firing strip of single-two-stroke over two turns of the crank: cylinder 1 at 0, cylinder 1 at 360."
    )


def test_strong_and_weak_pulses_in_turn_are_no_even_note() -> None:
    """Two cylinders at once and then one come round once in two turns: a single, which comes as often, is no match."""
    lines = " ".join(listen(from_intervals("0-360-360"), english()))
    assert "That note is order" not in lines
    assert "An even beat hides" not in lines
    assert "does not rest on order 1, their mean rate, alone" in lines


@pytest.mark.parametrize(("names", "asked"), [(("120 x6", "v6-60"), None), (("120 x6", "inline-four"), "inline-four")])
def test_no_order_is_asked_that_only_counts_up(names: tuple[str, ...], asked: str | None) -> None:
    """Cylinders of intervals alone are numbered as they fire: their order is no question. An inline four's is."""
    page = build_page([find_layout(name) for name in names], rpms=[900]).split("<script")[0]
    found = re.findall(r"In which order do the cylinders of (.*?) fire", page)
    assert set(found) == ({asked} if asked else set())
