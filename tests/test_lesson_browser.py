"""The teaching page in a real browser: it runs, keeps step with its sound, and is used from the keyboard alone."""

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pulse_audio.catalogue import layout
from pulse_audio.lesson import build_page
from tests.browser import Browser, chromium
from tests.test_lesson import HOSTILE, read_as, some_recording

FIRST, SECOND = "boxer-twin", "v-twin-45"
RPMS = (60.0, 900.0, 3000.0)
SLOW, IDLE, FAST = 0, 1, 3  # their places on the page; the third is the speed of the recording

# Keeps the page's audio contexts at hand, and listens to what goes to the loudspeaker.
TAP = """
window.contexts = [];
window.taps = [];
window.raised = [];
window.addEventListener("error", (e) => window.raised.push(e.message));
window.addEventListener("securitypolicyviolation", (e) => window.raised.push(e.violatedDirective));
window.alert = (text) => window.raised.push("alert " + text);
const Real = window.AudioContext;
window.AudioContext = class extends Real {
  constructor(...values) {
    super(...(window.name === "own rate" ? [{ sampleRate: 44100 }] : values));
    window.contexts.push(this);
  }
};
const connect = AudioNode.prototype.connect;
AudioNode.prototype.connect = function (target, ...rest) {
  if (target instanceof AudioDestinationNode) {
    const tap = this.context.createAnalyser();
    tap.fftSize = 32768;
    window.taps.push(tap);
    connect.call(this, tap);
  }
  return connect.call(this, target, ...rest);
};
window.wait = (ms) => new Promise((done) => setTimeout(done, ms));
// The loudness of the last 0.68 s in pieces of a millisecond, and the context time of the end of the last piece.
window.levels = () => {
  const tap = window.taps[0], data = new Float32Array(tap.fftSize);
  const end = tap.context.currentTime;
  tap.getFloatTimeDomainData(data);
  const size = Math.round(tap.context.sampleRate / 1000), found = [];
  for (let k = data.length; k >= size; k -= size) {
    let sum = 0;
    for (let j = k - size; j < k; j++) sum += data[j] * data[j];
    found.unshift(Math.sqrt(sum / size));
  }
  return { end, found };
};
window.heard = () => {
  const stamp = window.contexts[0].getOutputTimestamp();
  return stamp.contextTime + (performance.now() - stamp.performanceTime) / 1000;
};
window.degrees = (element) => Number(/translate\\(([\\d.]+)/.exec(element.getAttribute("transform"))[1]);
"""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a page with an even twin, an uneven twin, a hostile name and a recording."""
    hostile = replace(layout("parallel-twin-270"), name=HOSTILE, title="<img src=x onerror=alert(2)>")
    target = tmp_path_factory.mktemp("lesson") / "page.html"
    pages = [layout(FIRST), layout(SECOND), hostile]
    target.write_text(build_page(pages, rpms=RPMS, recording=some_recording()), encoding="utf-8")
    return target


@pytest.fixture(scope="module")
def single(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a page with one layout and a recording that it fits."""
    target = tmp_path_factory.mktemp("single") / "page.html"
    recording = read_as((360, 360), (FIRST, 4, 1800), verdict="even")
    target.write_text(build_page([layout(FIRST)], recording=recording), encoding="utf-8")
    return target


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """Run one browser for all tests of this module."""
    with chromium(tmp_path_factory.mktemp("profile")) as browser:
        browser.driver.get("about:blank")
        browser.before_page(TAP)
        yield browser


@pytest.fixture
def browser(opened: Browser, page: Path) -> Browser:
    """Return the browser with the page freshly loaded on a laptop's screen."""
    opened.screen(1366, 768)
    opened.media()
    opened.requests()
    opened.complaints()
    opened.open(page)
    return opened


def choose(browser: Browser, group: str, index: int) -> None:
    browser.run(f"""document.querySelectorAll('input[name="{group}"]')[{index}].click();""")


def turn_by_hand(browser: Browser, deg: int) -> None:
    browser.run(f"const a = document.getElementById('angle'); a.value = {deg}; a.dispatchEvent(new Event('input'));")


def play(browser: Browser, *, speed: int = SLOW) -> None:
    """Start the sound at a speed and wait until it is heard."""
    choose(browser, "speed", speed)
    browser.run("document.getElementById('play').click();")
    for _ in range(100):
        if browser.run("return document.getElementById('play').getAttribute('aria-pressed')") == "true":
            return
        time.sleep(0.05)
    raise AssertionError(browser.run("return document.getElementById('status').textContent"))


def test_page_loads_and_plays_without_complaint_or_request(browser: Browser, page: Path) -> None:
    """Loading, playing, switching and listening to the recording says nothing on the console and asks for nothing."""
    play(browser)
    choose(browser, "layout", 2)
    browser.run("await wait(300); document.getElementById('recording-play').click(); await wait(500);")
    assert browser.complaints() == []
    assert browser.run("return raised") == []
    assert browser.requests() == [page.resolve().as_uri()]


def test_policy_stops_a_request_made_by_hand(browser: Browser) -> None:
    """Even a script that tries cannot reach the network: the policy refuses it before a request is made."""
    browser.run("try { await fetch('https://example.org/'); } catch {}")
    assert any("connect-src" in text or "default-src" in text for text in browser.run("return raised"))
    assert not any("example.org" in address for address in browser.requests())
    browser.complaints()


def test_hostile_name_is_shown(browser: Browser) -> None:
    """A layout called <script>alert(1)</script> has that name on its card, and nothing has run."""
    assert HOSTILE in browser.run("return [...document.querySelectorAll('h2')].map((h) => h.textContent)")
    play(browser)
    choose(browser, "layout", 2)
    browser.run("await wait(300)")
    assert HOSTILE in browser.run("return document.getElementById('status').textContent")
    assert browser.run("return raised") == []


def test_sound_advances_and_is_heard(browser: Browser) -> None:
    """While it plays the media clock runs at the pace of the wall clock, and there is sound."""
    play(browser, speed=FAST)
    found = browser.run(
        "const a = contexts[0].currentTime, b = performance.now(); await wait(1500);"
        "return [contexts[0].currentTime - a, (performance.now() - b) / 1000, Math.max(...levels().found)];"
    )
    assert found[0] == pytest.approx(found[1], abs=0.15)  # a fake sound device is served in pieces of up to 0.1 s
    assert found[2] > 1e-3


def follow(browser: Browser, duration_s: float, then: str = "") -> tuple[list[list[float]], list[dict[str, Any]]]:
    """Return (heard context time, marker degrees) at each drawing, and the levels of the sound meanwhile."""
    found = browser.run(f"""
        const marker = document.querySelector(".marker"), seen = [], sound = [];
        const observer = new MutationObserver(() => seen.push([heard(), degrees(marker)]));
        observer.observe(marker, {{ attributes: true }});
        const end = performance.now() + {1000 * duration_s};
        let once = () => {{ {then} }};
        while (performance.now() < end) {{
          await wait(300);
          sound.push(levels());
          if (performance.now() > end - {500 * duration_s} && once) {{ once(); once = null; }}
        }}
        observer.disconnect();
        return [seen, sound];
    """)
    assert isinstance(found, list), found
    return found[0], found[1]


def joined(sound: list[dict[str, Any]]) -> tuple[np.ndarray, np.ndarray]:
    """Return context times and levels of all pieces, each once."""
    times, levels = [], []
    last = 0.0
    for piece in sound:
        at = piece["end"] - 0.001 * np.arange(len(piece["found"]), 0, -1)
        new = at > last
        times.append(at[new])
        levels.append(np.array(piece["found"])[new])
        last = piece["end"] - 0.001
    return np.concatenate(times), np.concatenate(levels)


def onsets(times: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Return the times at which pulses begin: the level passes a third of its peak after 0.15 s below."""
    loud = times[levels > levels.max() / 3]
    return loud[np.diff(loud, prepend=-1.0) > 0.15]


@pytest.mark.parametrize(("index", "name"), [(0, FIRST), (1, SECOND)])
def test_marker_stands_at_the_pulse_that_is_heard(browser: Browser, index: int, name: str) -> None:
    """At 60 rpm the marker is within 15 degrees of the event table's angle at the moment a pulse is heard."""
    choose(browser, "layout", index)
    play(browser)
    seen, sound = follow(browser, 5.0)
    times, degrees = np.array(seen).T
    turned = np.unwrap(degrees, period=720)
    pulses = onsets(*joined(sound))
    pulses = pulses[(pulses > times[0]) & (pulses < times[-1])]
    assert len(pulses) >= 4
    fires = np.array(layout(name).firing_deg)
    for at in np.interp(pulses, times, turned) % 720:
        assert np.abs((at - fires + 360) % 720 - 360).min() < 15


def test_switching_layout_keeps_speed_and_crank(browser: Browser) -> None:
    """Across a switch of layout the marker goes on at 360 degrees a second (60 rpm), never 15 degrees off."""
    play(browser)
    seen, _ = follow(browser, 3.0, then="document.getElementById('next').click();")
    times, degrees = np.array(seen).T
    degrees, times = degrees[times > times[0] + 0.3], times[times > times[0] + 0.3]  # once the first sound is out
    off = np.unwrap(degrees, period=720) - 360.0 * times
    assert np.ptp(off) < 15
    assert browser.run("return document.querySelector('.card.heard h2').textContent") == SECOND
    assert "60 rpm" in browser.run("return document.getElementById('status').textContent")


def test_switching_layout_draws_no_more_often(browser: Browser) -> None:
    """However often the layout is changed, the page asks for one drawing a frame."""
    play(browser)
    for index in (1, 0) * 5:
        choose(browser, "layout", index)
    browser.run("await wait(300)")
    asked, frames = browser.run("""
        const ask = window.requestAnimationFrame.bind(window);
        let asked = 0, frames = 0;
        const count = () => { frames += 1; ask(count); };
        window.requestAnimationFrame = (draw) => { asked += 1; return ask(draw); };
        ask(count);
        await wait(1000);
        return [asked, frames];
    """)
    assert 0 < asked <= frames + 1


def test_switching_layout_leaves_no_gap_and_keeps_the_level(browser: Browser) -> None:
    """At 3000 rpm no pulse of a switch is missing, and the power before and after is the same within 3 dB."""
    play(browser, speed=FAST)
    _, sound = follow(browser, 3.0, then="document.getElementById('next').click();")
    # Pieces overlap, so that the switch lies whole in one of them; where they join, some ms may be lost or doubled.
    pieces = [np.array(piece["found"]) for piece in sound[2:]]
    assert max(np.diff([piece["end"] for piece in sound])) < 0.6
    for levels in pieces:
        peaks = np.array([levels[k : k + 25].max() for k in range(len(levels) - 25)])  # pulses: 17.5 to 22.5 ms apart
        assert peaks.min() > 0.4 * np.median(peaks)
    # K-weighted loudness is the same; plain power may differ by as much as the spectra do.
    assert 0.5 < np.mean(pieces[0] ** 2) / np.mean(pieces[-1] ** 2) < 2


def test_loops_stay_whole_where_the_browser_resamples(browser: Browser, page: Path) -> None:
    """Where the browser keeps its own 44.1 kHz, a loop of 3.5 s comes round without a missing or doubled pulse."""
    browser.run("window.name = 'own rate'")
    try:
        browser.open(page)
        play(browser, speed=FAST)
        _, sound = follow(browser, 4.5)
        assert browser.run("return contexts[0].sampleRate") == 44_100
    finally:
        browser.run("window.name = ''")
    for piece in sound[2:]:
        levels = np.array(piece["found"])
        starts = np.flatnonzero((levels[1:] > 0.5 * levels.max()) & (levels[:-1] <= 0.5 * levels.max()))
        starts = starts[np.diff(starts, prepend=-20) > 10]
        # 20 ms apart at 3000 rpm, in pieces of a millisecond of 44 samples (44.1 in truth: 0.05 ms more in 20).
        assert set(np.diff(starts)) <= {19, 20, 21}


def test_changing_speed_changes_the_rate_of_pulses(browser: Browser) -> None:
    """Going from 60 to 900 rpm, an even twin goes from 1 to 15 pulses a second (two in two turns)."""
    play(browser)
    choose(browser, "speed", IDLE)
    browser.run("await wait(1000)")
    piece = browser.run("return levels()")
    levels = np.array(piece["found"])
    levels = np.convolve(levels, np.ones(10) / 10, "same")
    steps = np.fft.rfftfreq(1 << 14, 0.001)
    strength = np.abs(np.fft.rfft(levels - levels.mean(), 1 << 14))
    rate = steps[np.argmax(np.where((steps > 2) & (steps < 25), strength, 0))]
    assert rate == pytest.approx(15, abs=0.75)  # half the width of a line of 0.68 s


def test_crank_ticks_sound_at_each_firing(browser: Browser) -> None:
    """Crank ticks add sound above 1 kHz at the firings of a slow engine, and only when they are on."""
    play(browser)
    script = """
        const tap = taps[0], data = new Float32Array(tap.frequencyBinCount), low = [];
        for (let k = 0; k < 12; k++) {
          await wait(100);
          tap.smoothingTimeConstant = 0;
          tap.getFloatFrequencyData(data);
          const bin = tap.context.sampleRate / tap.fftSize;
          low.push(Math.max(...data.slice(1400 / bin, 1600 / bin)));
        }
        return Math.max(...low);
    """
    without = browser.run(script)
    browser.run("document.getElementById('ticks').click(); await wait(900)")
    assert browser.run(script) > without + 6


def focus_name(browser: Browser) -> str:
    return str(
        browser.run(
            "const e = document.activeElement;"
            "return e.tagName + ':' + (e.id || e.name || e.dataset.guess || e.textContent).trim();"
        )
    )


def test_every_control_is_reached_by_the_tab_key(browser: Browser) -> None:
    """Pressing Tab alone reaches every control and every folded answer, in the order in which they stand."""
    from selenium.webdriver.common.keys import Keys

    wanted = browser.run("""
        document.activeElement.blur();
        const all = [...document.querySelectorAll("button, input, summary")].filter((e) => !e.disabled);
        const seen = new Set();
        return all.filter((e) => e.type !== "radio" || e.checked)
          .map((e) => e.tagName + ":" + (e.id || e.name || e.dataset.guess || e.textContent).trim());
    """)
    reached = []
    for _ in wanted:
        browser.press(Keys.TAB)
        reached.append(focus_name(browser))
    assert reached == wanted
    assert len(wanted) > 15


def test_keyboard_alone_plays_switches_and_stops(browser: Browser) -> None:
    """Tab, Space and the arrow keys start the sound, change layout and speed, set ticks and stop it again."""
    from selenium.webdriver.common.keys import Keys

    browser.run("document.activeElement.blur()")
    while focus_name(browser) != "BUTTON:play":
        browser.press(Keys.TAB)
    browser.press(Keys.SPACE)
    browser.run("await wait(500)")
    assert browser.run("return document.querySelector('.card.heard h2').textContent") == FIRST
    browser.press(Keys.TAB, Keys.TAB)
    assert focus_name(browser) == "INPUT:layout"
    browser.press(Keys.ARROW_RIGHT)
    browser.run("await wait(300)")
    assert browser.run("return document.querySelector('.card.heard h2').textContent") == SECOND
    browser.press(Keys.TAB, Keys.ARROW_RIGHT)
    browser.run("await wait(300)")
    assert "900 rpm" in browser.run("return document.getElementById('status').textContent")
    browser.press(Keys.TAB)
    while focus_name(browser) != "INPUT:ticks":
        browser.press(Keys.TAB)
    browser.press(Keys.SPACE)
    assert browser.run("return document.getElementById('ticks').checked") is True
    browser.run("document.getElementById('play').focus()")
    browser.press(Keys.SPACE)
    browser.run("await wait(200)")
    assert browser.run("return document.querySelectorAll('.card.heard').length") == 0


def test_every_control_and_drawing_has_a_name(browser: Browser) -> None:
    """The browser's accessibility tree has a name for each button, radio button, checkbox, slider and drawing."""
    nodes = browser.command("Accessibility.getFullAXTree")["nodes"]
    named = ("button", "radio", "checkbox", "slider", "image", "article", "DisclosureTriangle")
    roles = [
        (n["role"]["value"], n.get("name", {}).get("value", ""))
        for n in nodes
        if n.get("role", {}).get("value") in named
    ]
    assert {"button", "radio", "checkbox", "slider", "image", "article"} <= {role for role, _ in roles}
    assert [role for role, name in roles if not name.strip()] == []
    names = [name for role, name in roles if role in ("radio", "slider")]
    assert FIRST in names  # without the ring that shows the choice
    assert "Crank angle" in names  # without its value, which is told by itself


def test_reader_who_asks_for_less_motion_gets_none(browser: Browser) -> None:
    """With prefers-reduced-motion the drawings stand still while the sound plays, and the angle can be set by hand."""
    browser.media(prefers_reduced_motion="reduce")
    browser.run("await wait(100)")
    play(browser)
    seen, sound = follow(browser, 1.5)
    assert seen == []
    assert joined(sound)[1].max() > 1e-3
    turn_by_hand(browser, 90)
    assert browser.run("return degrees(document.querySelector('.marker'))") == 90


def test_drawing_turns_with_the_hand_slider(browser: Browser) -> None:
    """At 90 degrees the boxer's crank is turned a quarter and its pistons stand where the slider-crank puts them."""
    turn_by_hand(browser, 90)
    assert browser.run("return document.querySelector('.crank').getAttribute('transform')") == "rotate(90.0)"
    place = browser.run("return document.querySelector('.card .piston').getAttribute('transform')")
    x = float(place.split("(")[1].split(" ")[0])
    # Slider-crank a quarter turn after top dead centre: sqrt(l^2 - r^2) with r = 40 and l = 160 drawing units.
    assert abs(x) == pytest.approx((160**2 - 40**2) ** 0.5, abs=0.06)


def test_secret_layout_is_hidden_until_it_is_guessed(browser: Browser) -> None:
    """While a layout plays in secret nothing on the page shows which; a guess is answered and counted."""
    browser.run("document.getElementById('secret').click(); await wait(600);")
    assert browser.run("return document.querySelectorAll('.card.heard').length") == 0
    status = browser.run("return document.getElementById('status').textContent")
    assert not any(name in status for name in (FIRST, SECOND, HOSTILE))
    seen, _ = follow(browser, 0.7)
    assert seen == []
    looks = browser.run("""
        return [...document.querySelectorAll('input[name="layout"] + span')].map((span) =>
          getComputedStyle(span).backgroundColor + getComputedStyle(span, "::before").content);
    """)
    assert len(set(looks)) == 1  # the choice of before is not shown as if it were the one that plays
    browser.run("document.querySelector('[data-guess]').click(); await wait(200);")
    verdict = browser.run("return document.getElementById('verdict').textContent")
    assert verdict.endswith("of 1 so far.")
    assert browser.run("return document.querySelector('.card.heard h2').textContent") in verdict


@pytest.mark.parametrize(
    ("width", "height"), [(320, 640), (390, 844), (844, 390), (1366, 768), (1920, 1080), (3840, 2160)]
)
def test_page_fits_every_screen(browser: Browser, width: int, height: int) -> None:
    """Nothing runs over the side of the screen, from 320 CSS pixels (WCAG 2.2, criterion 1.4.10) to a projector."""
    browser.screen(width, height)
    browser.run("await wait(100)")
    over = browser.run("""
        return [...document.querySelectorAll("body *")].filter((e) => e.getBoundingClientRect().right > innerWidth + 1
          && !e.closest("svg") && getComputedStyle(e).position !== "absolute").map((e) => e.outerHTML.slice(0, 80));
    """)
    assert over == []
    assert browser.run("return document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [390, 1200, 3840])
def test_lettering_of_a_drawing_is_no_larger_than_a_heading(browser: Browser, single: Path, width: int) -> None:
    """On a page of one layout, which has the whole width, the letters in its drawings stay below a card's heading."""
    browser.screen(width, 900)
    browser.open(single)
    largest, heading = browser.run("""
        const size = (e) => parseFloat(getComputedStyle(e).fontSize);
        const sizes = [...document.querySelectorAll("svg text")].map((e) => size(e) * e.getScreenCTM().a);
        return [Math.max(...sizes), size(document.querySelector("h2"))];
    """)
    assert 0 < largest < heading


def test_marker_leaves_the_axis_to_be_read(browser: Browser) -> None:
    """At each number of the axis the strip's marker stands clear of the number."""
    for deg in (0, 180, 360, 540):
        turn_by_hand(browser, deg)
        marker, number = browser.run(f"""
            const strip = document.querySelector(".strip");
            const number = [...strip.querySelectorAll(".axis")].find((e) => e.textContent === "{deg}");
            const box = (e) => {{ const b = e.getBoundingClientRect(); return [b.left, b.right, b.top, b.bottom]; }};
            return [box(strip.querySelector(".marker")), box(number)];
        """)
        assert marker[0] < number[1]  # one above the other
        assert number[0] < marker[1]
        assert marker[3] <= number[2]


def sheets(browser: Browser, path: Path) -> int:
    """Return how many sheets the page takes on paper."""
    browser.print(path)
    return path.read_bytes().count(b"/Type /Page\n")


def test_print_asks_with_room_to_write(browser: Browser, tmp_path: Path) -> None:
    """On paper the controls are gone, the tables are open, and below each question two lines are free for writing."""
    browser.command("Emulation.setEmulatedMedia", media="print")
    browser.run("window.dispatchEvent(new Event('beforeprint'))")
    assert browser.run("return getComputedStyle(document.querySelector('.player')).display") == "none"
    assert browser.run("return [...document.querySelectorAll('.card details')].every((d) => d.open)") is True
    rooms = browser.run("""
        return [...document.querySelectorAll(".quiz li")].map((li) =>
          li.getBoundingClientRect().bottom - li.querySelector("p").getBoundingClientRect().bottom);
    """)
    answers = browser.run("return [...document.querySelectorAll('.quiz details')].map((d) => d.checkVisibility())")
    browser.command("Emulation.setEmulatedMedia", media="")
    assert min(rooms) > 16 * 96 / 25.4  # lines of ruled paper stand 8 mm apart; 96 CSS pixels are 25.4 mm
    assert not any(answers)
    assert 3 <= sheets(browser, tmp_path / "page.pdf") <= 8


def test_print_has_the_answers_on_a_sheet_of_their_own(browser: Browser, tmp_path: Path) -> None:
    """The answer key is for paper alone, answers each question in turn, and takes one sheet, the last."""
    key = "document.querySelector('.answers')"
    assert browser.run(f"return {key}.checkVisibility()") is False
    folded, told = browser.run(f"""
        const texts = (list, question, answer) => [...list].map((li) =>
          [li.querySelector(question).textContent, li.querySelector(answer).textContent]);
        return [texts(document.querySelectorAll(".quiz li"), "p", "details p"),
          texts({key}.querySelectorAll("li"), "p", "p + p")];
    """)
    assert told == folded
    assert len(told) >= 3
    assert (
        browser.run("return [...document.querySelectorAll('main, .answers')].pop().className") == "answers print-only"
    )
    whole = sheets(browser, tmp_path / "whole.pdf")
    browser.run(f"{key}.remove()")
    assert sheets(browser, tmp_path / "without.pdf") == whole - 1


@pytest.mark.parametrize(
    ("names", "line"),
    [
        # Eight questions fill a sheet, and the line that names the program stood on the next.
        (("v4-90-180", "v4-90-360", "v4-60-even", "v4-90-two-stroke"), "footer"),
        # The last two cards fill a sheet, nine questions more than one, and what the numbers of balance count
        # stood between them.
        (("v8-crossplane", "v8-crossplane-one-bank", "v10-90-odd", "radial-nine", "square-four-two-stroke"), ".units"),
    ],
)
def test_print_has_no_sheet_for_one_line_alone(
    browser: Browser, tmp_path: Path, names: tuple[str, ...], line: str
) -> None:
    """A line that stands by itself takes no sheet: without it the page has as many."""
    path = tmp_path / "many.html"
    path.write_text(build_page([layout(name) for name in names], rpms=[20, 900, 12000]))
    browser.open(path)
    whole = sheets(browser, tmp_path / "whole.pdf")
    browser.run(f"document.querySelectorAll('{line}').forEach((e) => e.remove())")
    assert sheets(browser, tmp_path / "without.pdf") == whole


def test_print_begins_the_card_under_the_cautions(browser: Browser, single: Path) -> None:
    """A card with a recording, too long for the rest of the first sheet, still begins on it."""
    browser.open(single)

    def first_sheet() -> int:
        return len(str(browser.command("Page.printToPDF", pageRanges="1")["data"]))

    browser.run("document.querySelectorAll('main > :not(.cards), .answers, footer').forEach((e) => e.remove())")
    with_card = first_sheet()
    browser.run("document.querySelector('.card').remove()")
    assert with_card > first_sheet() + 4000  # bytes of its drawings and text; without them equal to a few
