"""A command running in a real pseudo-terminal, with somebody at its keys."""

import contextlib
import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import termios
import time
from collections.abc import Iterator

CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
WAIT_S = 20.0


class Terminal:
    """The near end runs the command; this is the far end."""

    def __init__(self, command: list[str], env: dict[str, str], *, columns: int = 80) -> None:
        self._far, near = pty.openpty()
        fcntl.ioctl(near, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        self._near = near
        self.before = termios.tcgetattr(near)
        self._bytes = b""
        # A new session that opens a terminal gets it for its own, and with it Ctrl-C.
        shell = ["sh", "-c", 'exec "$@" <"$0" >"$0" 2>&1', os.ttyname(near), *command]
        self.process = subprocess.Popen(shell, env=env | {"TERM": "xterm"}, start_new_session=True)

    @property
    def text(self) -> str:
        """Everything that was written so far."""
        self._read(0.0)
        return self._bytes.decode(errors="replace")

    @property
    def lines(self) -> list[str]:
        """Every line that was drawn so far, without control sequences."""
        pieces = re.split(r"\r\n|\x1b\[[0-9;]*H", self.text)
        return [CONTROL.sub("", piece) for piece in pieces]

    @property
    def attributes(self) -> list[object]:
        """The terminal's settings now."""
        return termios.tcgetattr(self._near)

    def press(self, keys: str) -> None:
        """Press keys."""
        os.write(self._far, keys.encode())

    def wait_for(self, pattern: str) -> str:
        """Wait until something new is written that matches; return what was written since the last wait."""
        begin = getattr(self, "_seen", 0)
        until = time.monotonic() + WAIT_S
        while not (match := re.search(pattern, self.text[begin:])):
            assert self.process.poll() is None or self._read(0.1), f"{pattern!r} did not come; ended with:\n{self.text}"
            assert time.monotonic() < until, f"{pattern!r} did not come; there was:\n{self.text[begin:]}"
            self._read(0.02)
        found = self.text[begin : begin + match.end()]
        self._seen = begin + match.end()
        return found

    def wait(self) -> int:
        """Wait for the command to end and return its exit code."""
        until = time.monotonic() + WAIT_S
        while self.process.poll() is None:
            assert time.monotonic() < until, f"it does not end; there was:\n{self.text}"
            self._read(0.05)
        return self.process.returncode

    def _read(self, timeout_s: float) -> bool:
        got = False
        while select.select([self._far], [], [], 0.0 if got else timeout_s)[0]:
            try:
                piece = os.read(self._far, 1 << 16)
            except OSError:
                return got
            if not piece:
                return got
            self._bytes += piece
            got = True
        return got

    def close(self) -> None:
        """End the command if it still runs."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(5)
        os.close(self._far)
        os.close(self._near)


@contextlib.contextmanager
def terminal(command: list[str], env: dict[str, str], *, columns: int = 80) -> Iterator[Terminal]:
    """Run a command in a terminal while the block runs."""
    opened = Terminal(command, env, columns=columns)
    try:
        yield opened
    finally:
        opened.close()
