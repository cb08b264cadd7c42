"""The words of the teaching page, from a language file that can be translated."""

import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from pathlib import Path

from pulse_audio.errors import PulseError
from pulse_audio.files import read_toml, shown

TOLD = 5  # faults in one message


class TextsError(PulseError, ValueError):
    """A language file that cannot be read, or lacks or misspells a text."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Texts:
    """The texts of one language.

    Attributes
    ----------
    tables : mapping
        Sections of the language file: section, key, text or list of texts.
    layouts : mapping
        Titles and notes of layouts in this language, by layout name; may be empty.
    """

    tables: Mapping[str, Mapping[str, str | list[str]]]
    layouts: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def __call__(self, section: str, key: str, **values: object) -> str:
        """Return one text with its places filled in."""
        text = self.tables[section][key]
        assert isinstance(text, str)
        return text.format(**{name: self.number(v) for name, v in values.items()})

    def lines(self, section: str, key: str) -> list[str]:
        """Return a list of texts."""
        lines = self.tables[section][key]
        assert isinstance(lines, list)
        return lines

    def number(self, value: object, digits: int = 2) -> str:
        """Return a number with this language's decimal mark; anything else as text."""
        if not isinstance(value, float):
            return str(value)
        mark = self.tables["language"]["decimal_mark"]
        assert isinstance(mark, str)
        return f"{round(value, digits):g}".replace(".", mark)

    def percent(self, share: float) -> str:
        """Return a share, 0 to 1, in per cent, never rounded to certainty."""
        if share < 0.005:
            return self("language", "percent_least")
        if share >= 0.995:
            return self("language", "percent_most")
        return self("language", "percent", number=round(100 * share))

    def count(self, number: int) -> str:
        """Return a whole number in words where the language has one for it."""
        words = self.lines("language", "number_words")
        return words[number] if number < len(words) else str(number)

    def together(self, parts: list[str]) -> str:
        """Join names as in a sentence: ``a, b and c``."""
        last = self("language", "and")
        return ", ".join(parts[:-1]) + last + parts[-1] if len(parts) > 1 else "".join(parts)

    def layout_text(self, name: str, key: str, otherwise: str) -> str:
        """Return a layout's title or note in this language, or the one it came with."""
        return self.layouts.get(name, {}).get(key, otherwise)


@cache
def english() -> Texts:
    """Return the texts that come with the program."""
    text = resources.files("pulse_audio.lesson").joinpath("english.toml").read_text(encoding="utf-8")
    return Texts(tables=tomllib.loads(text))


def read_texts(path: Path) -> Texts:
    """Read a translated language file.

    Raises
    ------
    TextsError
        It cannot be read, lacks a text, or a text has other {places} than the English one.
    """
    tables = read_toml(path, "language", TextsError)
    layouts = tables.pop("layouts", {})
    faults = [*_faults(tables), *_layout_faults(layouts)]
    if faults:
        more = [f"and {len(faults) - TOLD} more; begin with a copy of english.toml"] if len(faults) > TOLD else []
        raise TextsError(f"language file {shown(path)}: " + "; ".join(faults[:TOLD] + more))
    return Texts(tables=tables, layouts=layouts)


def _faults(tables: Mapping[str, object]) -> list[str]:
    faults = [f"the section [{shown(name)}] is unknown" for name in tables if name not in english().tables]
    for section, wanted in english().tables.items():
        given = tables.get(section)
        if not isinstance(given, dict):
            faults.append(f"the section [{section}] is missing")
            continue
        faults += [f"{section}.{shown(key)} is unknown" for key in given if key not in wanted]
        for key, text in wanted.items():
            faults += _text_faults(f"{section}.{key}", text, given.get(key))
    return faults


def _text_faults(name: str, text: str | list[str], given: object) -> list[str]:
    if isinstance(text, list):
        fits = isinstance(given, list) and all(isinstance(line, str) for line in given)
        return [] if fits else [f"{name} must be a list of texts"]
    if not isinstance(given, str):
        return [f"{name} is missing or no text"]
    try:
        differ = _places(text) != _places(given)
    except ValueError:
        return [f"{name} has a lone brace"]
    return [f"{name} must have the places {sorted(_places(text))}, no others"] if differ else []


def _layout_faults(layouts: object) -> list[str]:
    if not isinstance(layouts, dict):
        return ["[layouts] must hold one table a layout"]
    whole = all(
        isinstance(table, dict)
        and table.keys() <= {"title", "note"}
        and all(isinstance(v, str) for v in table.values())
        for table in layouts.values()
    )
    return [] if whole else ["[layouts] must hold tables of title and note"]


def _places(text: str) -> set[str]:
    """Return the names in braces; a place with a format or attribute in it counts as another name."""
    found = set()
    for _, name, spec, conversion in string.Formatter().parse(text):
        if name is not None:
            found.add(name + (f":{spec}" if spec else "") + (f"!{conversion}" if conversion else ""))
    return found
