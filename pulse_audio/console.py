"""Playing at a terminal: the keys, the screen and the sound, tied together."""

import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

from pulse_audio import keys
from pulse_audio.controls import press
from pulse_audio.live import LiveEngine, Scene
from pulse_audio.playback import Playback
from pulse_audio.screen import CAUTION, REFRESH_S, View, key_pages, plain_lines, screen
from pulse_audio.units import rpm_to_deg_per_s

END_WAIT_S = 1.0
CLEAR, CLEAR_LINE = "\x1b[2J", "\x1b[K"
OTHER_SCREEN, FIRST_SCREEN = "\x1b[?1049h", "\x1b[?1049l"
HIDE_CURSOR, SHOW_CURSOR = "\x1b[?25l", "\x1b[?25h"


def wants_colour() -> bool:
    """Return whether colour may be used: not with NO_COLOR set or a terminal that has none."""
    return not os.environ.get("NO_COLOR") and not is_dumb()


def is_dumb() -> bool:
    """Return whether the terminal says that it can only write lines."""
    return os.environ.get("TERM", "dumb") == "dumb"


def play_with_keys(playback: Playback[Scene], engine: LiveEngine, *, plain: bool) -> None:
    """Play until a key quits or the sound ends.

    Parameters
    ----------
    plain : bool
        Say changes in lines of text, for a screen reader, instead of drawing a screen; so it is at a terminal that
        can draw none.

    Raises
    ------
    DeviceError
        The device has gone away.
    """
    show = _Lines() if plain or is_dumb() else _Picture()
    with keys.ended_by_signal(), keys.single_keys() as keyboard, show.shown():
        typed, keys_page, caution_shown = "", 0, True
        while not playback.finished.is_set():
            playback.check()
            show.update(view_of(playback, typed=typed, keys_page=keys_page, caution_shown=caution_shown))
            key = keyboard.read(REFRESH_S)
            if key is None:
                continue
            pressed = press(typed, key)
            typed, caution_shown = pressed.typed, False
            if pressed.turns_keys:
                keys_page = (keys_page + 1) % (show.key_pages() + 1)
            playback.do(partial(engine.perform, pressed.action))
            if pressed.quits:
                break
        fade_out(playback, engine)
        playback.check()


def play_unattended(playback: Playback[Scene]) -> None:
    """Play to the end of the sound, or until a signal ends it.

    Raises
    ------
    DeviceError
        The device has gone away.
    """
    with keys.ended_by_signal():
        while not playback.finished.wait(REFRESH_S):
            playback.check()
        playback.check()  # what stops the sound also ends it: the loop may not have seen it


def fade_out(playback: Playback[Scene], engine: LiveEngine) -> None:
    """End the sound without a click."""
    playback.do(engine.end)
    until = time.monotonic() + END_WAIT_S
    while not playback.finished.wait(REFRESH_S / 5) and time.monotonic() < until:
        playback.check()


def view_of(playback: Playback[Scene], *, typed: str = "", keys_page: int = 0, caution_shown: bool = False) -> View:
    """Return what there is to show at the moment: the engine as it is heard, not as it is made."""
    scene, since_s = playback.heard()
    turned_deg = 0.0 if scene.held else rpm_to_deg_per_s(scene.rpm) * since_s
    return View(
        scene=scene,
        crank_deg=(scene.crank_deg + turned_deg) % scene.layout.cycle_deg,
        dropouts=playback.recent_dropouts,
        block_frames=playback.block_frames,
        typed=typed,
        keys_page=keys_page,
        caution_shown=caution_shown,
    )


class _Lines:
    """Says what changes."""

    def __init__(self) -> None:
        self._before: View | None = None

    @contextmanager
    def shown(self) -> Iterator[None]:
        print(CAUTION, "Press h for the keys, q to quit.", sep="\n", flush=True)
        yield

    def key_pages(self) -> int:
        return 1

    def update(self, view: View) -> None:
        for line in plain_lines(view, self._before):
            print(line, flush=True)
        self._before = view


class _Picture:
    """Draws the screen anew where a line of it has changed, on the terminal's second screen."""

    def __init__(self) -> None:
        self._lines: list[str] = []
        self._size = os.terminal_size((0, 0))

    @contextmanager
    def shown(self) -> Iterator[None]:
        write = _writer()
        write(OTHER_SCREEN + HIDE_CURSOR)
        try:
            yield
        finally:
            write(SHOW_CURSOR + FIRST_SCREEN)

    def key_pages(self) -> int:
        size = shutil.get_terminal_size()
        return len(key_pages(columns=size.columns, rows=size.lines))

    def update(self, view: View) -> None:
        size = shutil.get_terminal_size()
        lines = screen(view, columns=size.columns, rows=size.lines, colour=wants_colour())
        if (size, len(lines)) != (self._size, len(self._lines)):
            self._lines = []
        changed = "" if self._lines else CLEAR
        for row, line in enumerate(lines):
            if not self._lines or line != self._lines[row]:
                changed += f"\x1b[{row + 1};1H{line}{CLEAR_LINE}"
        if changed:
            _writer()(changed)
        self._lines, self._size = lines, size


def _writer() -> Callable[[str], object]:
    def write(text: str) -> None:
        sys.stdout.write(text)
        sys.stdout.flush()

    return write
