"""One self-contained HTML file from layouts, speeds and words."""

import base64
import hashlib
import json
import string
from collections.abc import Callable, Sequence
from html import escape
from importlib import resources

from pulse_audio import __version__, checks
from pulse_audio.catalogue import fires_alike
from pulse_audio.drawing import ROD_RATIO
from pulse_audio.errors import RangeError
from pulse_audio.exhaust import Exhaust
from pulse_audio.layout import Layout
from pulse_audio.lesson import cards, svg
from pulse_audio.lesson import recording as recordings
from pulse_audio.lesson.cards import text
from pulse_audio.lesson.loops import MARGIN_FRAMES, SAMPLE_RATE_HZ, make_loops
from pulse_audio.lesson.recording import Recording
from pulse_audio.lesson.texts import Texts, english

SPEEDS_RPM = (60.0, 120.0, 300.0, 900.0, 3000.0)
MAX_LAYOUTS = 9
MAX_SPEEDS = 9
RECORDING_LUFS = -23.0
SCRIPTS = ("sound.js", "motion.js", "page.js")


def build_page(
    layouts: Sequence[Layout],
    *,
    rpms: Sequence[float] = SPEEDS_RPM,
    exhaust: Exhaust | None = None,
    recording: Recording | None = None,
    texts: Texts | None = None,
    title: str | None = None,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> str:
    """Return the teaching page.

    Parameters
    ----------
    layouts : sequence of Layout
        1 to 9.
    rpms : sequence of float
        Speeds to choose from, 1 to 9 of them; sorted, and doubles dropped.
    exhaust : Exhaust or None
        None for the synthesiser's own.
    recording : Recording or None
        Shown beside the layout that it fits; its speed is added to the speeds.
    texts : Texts or None
        None for English.
    title : str or None
        Heading of the page.
    seed : int
        Start of the random numbers of the sounds.
    progress : callable or None
        Called with the number of sounds made and to be made.

    Raises
    ------
    RangeError
        Too few or too many layouts or speeds, or a speed out of range.
    """
    words = english() if texts is None else texts
    speeds = sorted({checks.rpm(r) for r in rpms})
    if recording:
        speeds = sorted({*speeds, *map(float, recordings.speeds_rpm(recording.analysis, layouts))})
    if not 1 <= len(layouts) <= MAX_LAYOUTS or not 1 <= len(speeds) <= MAX_SPEEDS:
        raise RangeError(
            f"{len(layouts)} layouts at {len(speeds)} speeds: a page holds 1 to {MAX_LAYOUTS} layouts "
            f"and 1 to {MAX_SPEEDS} speeds"
        )
    total, made = len(layouts) * len(speeds), 0

    def done() -> None:
        nonlocal made
        made += 1
        if progress:
            progress(made, total)

    loops = make_loops(layouts, speeds, exhaust=exhaust, seed=seed, done=done)
    heading = title or _heading(layouts, words)
    book = {
        "rate": SAMPLE_RATE_HZ,
        "margin": MARGIN_FRAMES,
        "radius": svg.RADIUS,
        "rodRatio": ROD_RATIO,
        "speeds": speeds,
        "layouts": [
            {
                "name": one.name,
                "cycle": one.cycle_deg,
                "fires": [c.firing_deg for c in one.cylinders],
                "alike": next(k for k, other in enumerate(layouts) if fires_alike(one, other)),
            }
            for one in layouts
        ],
        "loops": [[{"data": lo.data, "frames": lo.frames, "rpm": lo.rpm} for lo in of_layout] for of_layout in loops],
        "recording": recordings.sound(recording, RECORDING_LUFS) if recording else None,
        "texts": {section: words.tables[section] for section in ("player", "quiz", "recording")},
    }
    style, script = _read("page.css"), _script()
    return string.Template(_read("page.html")).substitute(
        lang=escape(words("language", "code")),
        policy=_policy(style, script),
        title=escape(heading),
        style=style,
        lead=escape(words("page", "lead")),
        no_script=escape(words("page", "no_script")),
        safe=_safety(words),
        player=_player(layouts, speeds, words),
        **_body(layouts, speeds, recording, words),
        made_by=escape(words("page", "made_by", version=__version__)),
        print_note=escape(words("print", "note")),
        book=_json(book),
        script=script,
    )


def _safety(words: Texts) -> str:
    """Return the cautions: the first always in sight."""
    more = text("summary", words("page", "safe_title")) + cards.bullets(words.lines("page", "safe"))
    return svg.tag("div", text("strong", words("page", "safe_first")) + svg.tag("details", more), class_="safe")


def _heading(layouts: Sequence[Layout], words: Texts) -> str:
    if len(layouts) == 1:
        return words("page", "title_one", name=layouts[0].name)
    return words("page", "title_many", count=words.count(len(layouts)))


def _body(
    layouts: Sequence[Layout], speeds: Sequence[float], recording: Recording | None, words: Texts
) -> dict[str, str]:
    """Return cards, recording and self-test; the recording stands in the card of the one layout that it fits."""
    section = recordings.section(recording, layouts, words) if recording else ""
    fits = recordings.fitting(recording.analysis, layouts) if recording else []
    at = fits[0][0] if len(fits) == 1 else None
    apart = section if at is None else ""
    articles = [
        cards.card(one, index, speeds, words, inset=section if index == at else "") for index, one in enumerate(layouts)
    ]
    asked = cards.questions(layouts, speeds, words)
    return {
        "cards": "\n".join(articles),
        "units": cards.balance_units(layouts, words),
        "recording": apart,
        "quiz": cards.quiz(layouts, asked, words),
        "answers": cards.answer_key(asked, words),
    }


def _player(layouts: Sequence[Layout], speeds: Sequence[float], words: Texts) -> str:
    """Return the controls: all native, so that the keyboard and screen readers know them."""
    play = text(
        "button", words("player", "play"), type="button", id="play", class_="main", aria_pressed="false", disabled=""
    )
    swap = text("button", words("player", "next"), type="button", id="next") if len(layouts) > 1 else ""
    names = _choices("layout", words("player", "layout"), [one.name for one in layouts])
    rates = _choices("speed", words("player", "speed"), [words.number(rpm, 0) for rpm in speeds])
    settings = svg.tag(
        "div",
        _setting("checkbox", "ticks", words("player", "ticks"), words("player", "ticks_help"))
        + _setting("checkbox", "moving", words("player", "motion"), words("player", "motion_help"))
        + svg.tag(
            "label",
            text("span", words("player", "volume")) + _input("range", id="volume", min=0, max=100, value=30),
        )
        + svg.tag(
            "label",
            text("span", words("player", "angle"))
            + _input("range", id="angle", min=0, max=719, step=1, value=0)
            + svg.tag("span", "", id="angle-text", aria_hidden="true"),
        ),
        class_="settings",
    )
    status = svg.tag("p", "", id="status", role="status")
    row = svg.tag("div", play + swap + names + rates + status)
    return svg.tag("section", row, class_="player", aria_label=words("player", "region")) + svg.tag(
        "div", settings, class_="top more"
    )


def _choices(name: str, legend: str, labels: Sequence[str]) -> str:
    choices = "".join(
        svg.tag(
            "label",
            _input("radio", name=name, value=k, checked="" if k == 0 else None) + text("span", label),
            class_="choice",
        )
        for k, label in enumerate(labels)
    )
    return svg.tag("fieldset", text("legend", legend) + choices)


def _setting(kind: str, name: str, label: str, help_text: str) -> str:
    return svg.tag("label", _input(kind, id=name, title=help_text) + text("span", label), title=help_text)


def _input(kind: str, **attributes: object) -> str:
    return svg.tag("input", type=kind, **attributes).removesuffix("</input>")


def _read(name: str) -> str:
    return resources.files("pulse_audio.lesson").joinpath(name).read_text(encoding="utf-8")


def _script() -> str:
    return '(() => {\n"use strict";\n' + "\n".join(_read(name) for name in SCRIPTS) + "})();\n"


def _json(book: object) -> str:
    """Return data for a script element: no ``<`` in it, so that no text can end the element."""
    return json.dumps(book, separators=(",", ":")).replace("<", "\\u003c")


def _policy(style: str, script: str) -> str:
    """Return a content security policy that runs this page's own script and style and forbids the network."""
    own = {
        kind: "'sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode() + "'"
        for kind, content in (("script", script), ("style", style))
    }
    return escape(
        f"default-src 'none'; script-src {own['script']}; style-src {own['style']}; img-src data:; "
        "base-uri 'none'; form-action 'none'",
        quote=False,
    )
