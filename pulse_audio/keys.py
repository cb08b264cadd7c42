"""Single keys from a terminal, and a terminal that is always put back as it was."""

import contextlib
import os
import re
import select
import signal
import sys
import time
from collections.abc import Iterator
from types import FrameType

try:
    import termios
    import tty
except ImportError:  # no POSIX terminal here: commands play without keys
    termios = None  # type: ignore[assignment]

ESCAPE_WAIT_S = 0.03  # the rest of an arrow key's bytes arrives together; a lone Escape does not go on
TERMINATED = 128 + signal.SIGTERM
_NAMES = {
    b"\x1b[A": "up",
    b"\x1b[B": "down",
    b"\x1b[C": "right",
    b"\x1b[D": "left",
    b"\x1bOA": "up",
    b"\x1bOB": "down",
    b"\x1bOC": "right",
    b"\x1bOD": "left",
    b"\x1b[Z": "shift-tab",
    b"\t": "tab",
    b"\r": "enter",
    b"\n": "enter",
    b"\x1b": "escape",
    b"\x7f": "backspace",
    b"\x08": "backspace",
    b" ": "space",
}
_KEY = re.compile(rb"\x1b\[[0-9;?]*[ -/]*[@-~]|\x1bO.|\x1b|[^\x1b]", re.DOTALL)
_BEGUN = re.compile(rb"\x1b(\[[0-9;?]*[ -/]*|O)?")


def split_keys(typed: bytes) -> tuple[list[str], bytes]:
    """Split bytes from a terminal into key names, and what may be the beginning of one more key.

    A key that has no name here (a function key, a letter outside ASCII) is left out.

    Returns
    -------
    keys : list of str
        ``up``, ``enter`` and so on, or the character itself.
    begun : bytes
        Starts with Escape; a lone Escape key if nothing follows it soon.
    """
    keys: list[str] = []
    at = 0
    while at < len(typed):
        if typed[at : at + 1] == b"\x1b" and _BEGUN.fullmatch(typed, at):
            return keys, typed[at:]
        match = _KEY.match(typed, at)
        assert match is not None
        code = match.group()
        if code in _NAMES:
            keys.append(_NAMES[code])
        elif len(code) == 1 and b"!" <= code <= b"~":
            keys.append(code.decode())
        at = match.end()
    return keys, b""


class Keyboard:
    """Reads keys from a terminal that is in single-key mode."""

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self._begun = b""
        self._waiting: list[str] = []

    def read(self, timeout_s: float) -> str | None:
        """Return the next key, or None if none is pressed within `timeout_s`; ``end`` where the terminal has gone."""
        until = time.monotonic() + timeout_s
        while not self._waiting:
            left = max(until - time.monotonic(), 0.0)
            if not select.select([self._handle], [], [], ESCAPE_WAIT_S if self._begun else left)[0]:
                if not self._begun:
                    return None
                alone, self._begun = self._begun, b""
                self._waiting = ["escape"] if alone == b"\x1b" else []
                continue
            try:
                typed = os.read(self._handle, 256)
            except OSError:
                typed = b""
            if not typed:
                return "end"
            self._waiting, self._begun = split_keys(self._begun + typed)
        return self._waiting.pop(0)


def has_keys() -> bool:
    """Whether single keys can be read: input and output are a POSIX terminal."""
    return termios is not None and all(s is not None and s.isatty() for s in (sys.stdin, sys.stdout))


@contextlib.contextmanager
def single_keys() -> Iterator[Keyboard]:
    """Put the terminal into single-key mode, and back however the block ends.

    Ctrl-C still interrupts. Ctrl-Z and the quit key are switched off: both would leave the terminal as it is now.
    """
    handle = sys.stdin.fileno()
    before = termios.tcgetattr(handle)
    try:
        tty.setcbreak(handle, termios.TCSADRAIN)
        now = termios.tcgetattr(handle)
        for stop in (termios.VSUSP, termios.VQUIT):
            now[6][stop] = bytes([os.fpathconf(handle, "PC_VDISABLE")])
        termios.tcsetattr(handle, termios.TCSADRAIN, now)
        yield Keyboard(handle)
    finally:
        with contextlib.suppress(termios.error):  # the terminal may have gone
            termios.tcsetattr(handle, termios.TCSAFLUSH, before)


@contextlib.contextmanager
def ended_by_signal() -> Iterator[None]:
    """Let SIGTERM and SIGHUP end the block as an error would, so that everything is put back."""

    def leave(_number: int, _frame: FrameType | None) -> None:
        raise SystemExit(TERMINATED)

    numbers = [signal.SIGTERM] + ([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])
    before = {number: signal.signal(number, leave) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
