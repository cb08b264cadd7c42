"""Keys from a real pseudo-terminal, and a terminal that is put back whatever happens."""

import os
import pty
import signal
import sys
import termios
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from pulse_audio import keys


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        # Control sequences: ECMA-48; cursor keys in normal and application mode: common practice of terminals.
        (b"\x1b[A\x1b[B\x1b[C\x1b[D", ["up", "down", "right", "left"]),
        (b"\x1bOA\x1bOD", ["up", "left"]),
        (b"q", ["q"]),
        (b"12\r", ["1", "2", "enter"]),
        (b"3\t\x1b[Z", ["3", "tab", "shift-tab"]),
        (b" +-\x7f", ["space", "+", "-", "backspace"]),
        (b"\x1b[15~\x1b[1;5Ct", ["t"]),  # a function key and Ctrl-right have no meaning here
        ("é".encode(), []),
        (b"", []),
    ],
)
def test_bytes_become_keys(typed: bytes, expected: list[str]) -> None:
    """Cursor keys arrive as several bytes, and what has no meaning is left out whole."""
    assert keys.split_keys(typed) == (expected, b"")


@pytest.mark.parametrize("at", range(1, 6))
def test_a_key_cut_between_two_reads_is_joined(at: int) -> None:
    """A sequence that arrives in two parts is one key."""
    typed = b"\x1b[1;5Cx"
    first, begun = keys.split_keys(typed[:at])
    second, rest = keys.split_keys(begun + typed[at:])
    assert first + second == ["x"]
    assert rest == b""


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Give the far end of a pseudo-terminal whose near end is standard input."""
    far, near = pty.openpty()
    with os.fdopen(near, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield far
    os.close(far)


def test_single_keys_need_no_enter_and_are_not_echoed(terminal: int) -> None:
    """In single-key mode a key is read at once, and the terminal is as before afterwards."""
    before = termios.tcgetattr(sys.stdin)
    with keys.single_keys() as keyboard:
        os.write(terminal, b"t\x1b[A")
        assert keyboard.read(5.0) == "t"
        assert keyboard.read(5.0) == "up"
        assert keyboard.read(0.01) is None
        os.write(terminal, b"\x1b")
        assert keyboard.read(5.0) == "escape"
    assert termios.tcgetattr(sys.stdin) == before


def test_keys_pressed_late_are_read_when_they_come(terminal: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The one wait ends because the key is there, not because the time allowed has run out."""
    ended_by_key: list[bool] = []

    def waiting(*args: Any) -> tuple[list[int], list[int], list[int]]:
        if not ended_by_key:
            threading.Timer(0.1, os.write, (terminal, b"x")).start()
        ready = wait(*args)
        ended_by_key.append(bool(ready[0]))
        return ready

    wait = keys.select.select
    monkeypatch.setattr(keys.select, "select", waiting)
    with keys.single_keys() as keyboard:
        assert keyboard.read(20.0) == "x"
    assert ended_by_key == [True]


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, SystemExit])
def test_terminal_is_put_back_after_an_error(terminal: int, error: type[BaseException]) -> None:
    """Whatever ends the block, the terminal echoes and waits for Enter again."""
    before = termios.tcgetattr(sys.stdin)
    with pytest.raises(error), keys.single_keys():
        assert termios.tcgetattr(sys.stdin) != before
        raise error
    assert termios.tcgetattr(sys.stdin) == before


@pytest.mark.parametrize("stream", ["stdin", "stdout"])
def test_closed_stream_has_no_keys(monkeypatch: pytest.MonkeyPatch, stream: str) -> None:
    """A command started with a closed stdin or stdout, as by ``<&-``, reads no keys."""
    monkeypatch.setattr(sys, stream, None)
    assert not keys.has_keys()


def test_terminal_that_goes_away_ends_the_keys() -> None:
    """A closed terminal reads as the end, not as an endless stream of nothing."""
    far, near = pty.openpty()
    os.close(far)
    assert keys.Keyboard(near).read(5.0) == "end"
    os.close(near)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_ending_signals_pass_through_every_finally(number: signal.Signals) -> None:
    """SIGTERM and SIGHUP leave the block as an exit with 128 + 15, and the old handler is back after it."""
    before = signal.getsignal(number)
    with pytest.raises(SystemExit) as leaving, keys.ended_by_signal():
        signal.raise_signal(number)
    assert leaving.value.code == 143
    assert signal.getsignal(number) == before
