"""The page's parts as HTML: one card a layout, the self-test, the recording. All text is escaped here."""

from collections.abc import Sequence
from html import escape
from itertools import combinations

from pulse_audio.catalogue import fires_alike
from pulse_audio.drawing import ROD_RATIO, banks, firings, numbers_text, pins
from pulse_audio.hearing import rate_text
from pulse_audio.layout import Layout
from pulse_audio.lesson import svg, words
from pulse_audio.lesson.texts import Texts
from pulse_audio.units import rpm_to_deg_per_s

SMALL_CARD_GAPS = 8  # longer lists of gaps are cut in the table of times


def text(name: str, content: str, /, **attributes: object) -> str:
    """Return an element that holds plain text, escaped."""
    return svg.tag(name, escape(content), **attributes)


def bullets(lines: Sequence[str]) -> str:
    """Return a list of plain sentences."""
    return svg.tag("ul", "".join(text("li", line) for line in lines))


def card(layout: Layout, index: int, rpms: Sequence[float], texts: Texts, inset: str = "") -> str:
    """Return the article about one layout, with a ready piece of HTML under its drawings."""
    title = texts.layout_text(layout.name, "title", layout.title)
    note = texts.layout_text(layout.name, "note", layout.note)
    stroke = texts("card", "four_stroke" if layout.strokes == 4 else "two_stroke")
    parts = [
        svg.tag(
            "header",
            text("h2", layout.name, id=f"layout-{index}")
            + text("p", texts("card", "heard"), class_="badge", aria_hidden="true"),
        ),
        text("p", title, class_="title") if title else "",
        _drawings(layout, texts),
        inset,
        text("h3", texts("card", "intervals")),
        "".join(text("p", line) for line in words.intervals(layout, texts)),
        text("p", stroke, class_="quiet"),
        text("p", texts("card", "part_of", whole=layout.part_of), class_="quiet") if layout.part_of else "",
        _times(layout, rpms, texts),
        text("h3", texts("card", "listen")),
        bullets(words.listen(layout, texts)),
        _balance(layout, texts),
        text("h3", texts("card", "note")) + text("p", note) if note else "",
    ]
    return svg.tag("article", "".join(parts), class_="card", data_layout=index, aria_labelledby=f"layout-{index}")


def _drawings(layout: Layout, texts: Texts) -> str:
    fired = [
        texts(
            "card",
            "strip_firing" if len(f.cylinders) == 1 else "strip_firing_many",
            cylinders=numbers_text(f.cylinders),
            deg=turn_deg + f.angle_deg,
        )
        for turn_deg in range(0, round(svg.STRIP_DEG), round(layout.cycle_deg))
        for f in firings(layout)
    ]
    strip_label = texts("card", "strip_label", name=layout.name, firings=", ".join(fired))
    strip = svg.strip(layout, strip_label, texts("card", "strip_axis"))
    if not layout.has_geometry:
        return strip + text("p", texts("card", "no_crank"), class_="quiet")
    bank_texts = [
        texts("card", "bank_label", cylinders=numbers_text(b.cylinders), deg=b.angle_deg) for b in banks(layout)
    ]
    pin_texts = [texts("card", "pin_label", cylinders=numbers_text(p.cylinders), deg=p.angle_deg) for p in pins(layout)]
    label = texts("card", "crank_label", name=layout.name, banks=", ".join(bank_texts), pins=", ".join(pin_texts))
    return svg.crank(layout, label) + strip


def _times(layout: Layout, rpms: Sequence[float], texts: Texts) -> str:
    heads = ("times_speed", "times_gaps", "times_rate", "times_heard")
    head = svg.tag("tr", "".join(text("th", texts("card", key), scope="col") for key in heads))
    rows = []
    for rpm in rpms:
        heard, word = words.heard(layout, rpm, texts)
        length = len(heard.gaps_s) // layout.patterns_per_cycle
        gaps = [texts.number(1000 * gap, 1 if gap < 0.1 else 0) for gap in heard.gaps_s[:length]]
        shown = gaps[:SMALL_CARD_GAPS] + (["…"] if len(gaps) > SMALL_CARD_GAPS else [])
        cells = (", ".join(shown), texts.number(float(rate_text(heard.pulse_hz))), word)
        rows.append(
            svg.tag("tr", text("th", texts.number(rpm, 0), scope="row") + "".join(text("td", c) for c in cells))
        )
    return svg.tag(
        "details",
        text("summary", texts("card", "times"))
        + svg.tag("table", svg.tag("thead", head) + svg.tag("tbody", "".join(rows))),
    )


def _balance(layout: Layout, texts: Texts) -> str:
    facts = words.balance_facts(layout, texts)
    if not facts:
        return ""
    rows = "".join(
        svg.tag("dt", text("span", f.topic) + text("b", f.value)) + text("dd", f.text) for f in facts
    )  # fmt: skip
    return text("h3", texts("card", "balance")) + svg.tag("dl", rows)


def balance_units(layouts: Sequence[Layout], texts: Texts) -> str:
    """Return the sentence on what the balance numbers count, once for all cards."""
    if not any(words.balance_facts(one, texts) for one in layouts):
        return ""
    return text("p", texts("balance", "unit", ratio=ROD_RATIO), class_="quiet units")


def quiz(layouts: Sequence[Layout], asked: Sequence[tuple[str, str]], texts: Texts) -> str:
    """Return the self-test: by ear (moved by the script) and on paper, answers folded away."""
    ear = ""
    if len(layouts) > 1:
        choices = "".join(
            text("button", layout.name, type="button", data_guess=i, disabled="") for i, layout in enumerate(layouts)
        )
        ear = svg.tag(
            "section",
            text("h3", texts("quiz", "ear_title"))
            + text("p", texts("quiz", "ear_help"))
            + (text("p", texts("quiz", "ear_alike")) if _some_alike(layouts) else "")
            + text("button", texts("quiz", "ear_start"), type="button", id="secret")
            + svg.tag(
                "div",
                text("span", texts("quiz", "ear_choose"), id="choose") + choices,
                class_="choices",
                role="group",
                aria_labelledby="choose",
            )
            + svg.tag("p", "", id="verdict", role="status"),
            class_="ear",
        )
    folded = "".join(
        svg.tag(
            "li",
            text("p", question) + svg.tag("details", text("summary", texts("quiz", "answer")) + text("p", answer)),
        )
        for question, answer in asked
    )
    paper = svg.tag(
        "section",
        text("h3", texts("quiz", "paper_title"))
        + text("p", texts("quiz", "paper_help"), class_="screen-only")
        + text("p", texts("print", "questions"), class_="print-only")
        + svg.tag("ol", folded),
    )
    return svg.tag("section", text("h2", texts("quiz", "title")) + ear + paper, class_="quiz")


def answer_key(asked: Sequence[tuple[str, str]], texts: Texts) -> str:
    """Return the answers all together, for paper alone."""
    answers = "".join(
        svg.tag("li", text("p", question, class_="quiet") + text("p", answer)) for question, answer in asked
    )
    return svg.tag(
        "section", text("h2", texts("print", "answers")) + svg.tag("ol", answers), class_="answers print-only"
    )


def _some_alike(layouts: Sequence[Layout]) -> bool:
    return any(fires_alike(one, two) for one, two in combinations(layouts, 2))


def questions(layouts: Sequence[Layout], rpms: Sequence[float], texts: Texts) -> list[tuple[str, str]]:
    """Return the questions on paper and their answers."""
    rpm = rpms[len(rpms) // 2]
    asked = [(texts("quiz", "gaps", name=one.name), " ".join(words.intervals(one, texts))) for one in layouts]
    most = max(layouts, key=lambda one: len(one.pulse_intervals_deg))
    pulses = len(most.pulse_intervals_deg)
    asked.append(
        (
            texts("quiz", "rate", name=most.name, rpm=round(rpm)),
            texts(
                "quiz",
                "rate_answer",
                count=pulses,
                turns=texts("quiz", "turns_two" if most.strokes == 4 else "turns_one"),
                rpm=round(rpm),
                divisor=30 * most.strokes,
                rate=texts.number(float(rate_text(words.pulses_per_s(most, rpm)))),
            ),
        )
    )
    if len(layouts) > 1:
        even = [one.name for one in layouts if one.is_even]
        asked.append((texts("quiz", "evens"), _some(even, len(layouts), texts)))
    widest = max(layouts, key=lambda one: max(one.pulse_intervals_deg) / one.cycle_deg)
    gap, speed = max(widest.pulse_intervals_deg), rpm_to_deg_per_s(rpm)
    asked.append(
        (
            texts("quiz", "angle", name=widest.name, rpm=round(rpm)),
            texts("quiz", "angle_answer", gap=gap, rpm=round(rpm), speed=speed, ms=round(1000 * gap / speed, 1)),
        )
    )
    orders = [one for one in layouts if one.firing_order != tuple(sorted(one.firing_order))]
    longest = max(orders, key=lambda one: len(one.cylinders), default=None)
    if longest and len(longest.cylinders) > 2:
        first = longest.firing_order[0]
        asked.append((texts("quiz", "order", name=longest.name, first=first), words.pulse_order(longest)))
    calm = [words.breathes_little(one) for one in layouts]
    if len(layouts) > 1 and None not in calm:
        names = [one.name for one, little in zip(layouts, calm, strict=True) if little]
        asked.append((texts("quiz", "calm"), _some(names, len(layouts), texts)))
    return asked


def _some(names: list[str], of: int, texts: Texts) -> str:
    if not names:
        return texts("quiz", "nobody")
    return texts("quiz", "everybody") if len(names) == of else texts.together(names) + "."
