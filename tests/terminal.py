"""A command running in a real pseudo-terminal, with somebody at its keys."""

import contextlib
import fcntl
import os
import pty
import re
import struct
import subprocess
import termios
import threading
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
        self._seen = 0
        # A new session that opens a terminal gets it for its own, and with it Ctrl-C.
        shell = ["sh", "-c", 'exec "$@" <"$0" >"$0" 2>&1', os.ttyname(near), *command]
        self.process = subprocess.Popen(shell, env=env | {"TERM": "xterm"}, start_new_session=True)
        # Somebody always has to read, or the command stands still once the terminal is full.
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    @property
    def text(self) -> str:
        """Everything that was written so far."""
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
        until = time.monotonic() + WAIT_S
        while not (match := re.search(pattern, self.text[self._seen :])):
            assert self.process.poll() is None, f"{pattern!r} did not come; it ended with:\n{self.text}"
            assert time.monotonic() < until, f"{pattern!r} did not come; there was:\n{self.text[self._seen :]}"
            time.sleep(0.02)
        found = self.text[self._seen : self._seen + match.end()]
        self._seen += match.end()
        return found

    def wait(self) -> int:
        """Wait for the command to end and return its exit code; all it wrote has been read then."""
        code = self.process.wait(WAIT_S)
        time.sleep(0.1)
        return code

    def _read(self) -> None:
        with contextlib.suppress(OSError):  # the terminal was closed
            while piece := os.read(self._far, 1 << 16):
                self._bytes += piece

    def close(self) -> None:
        """End the command if it still runs."""
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(5)
        os.close(self._near)  # the far end reads an error then
        self._reader.join(5)
        os.close(self._far)


@contextlib.contextmanager
def terminal(command: list[str], env: dict[str, str], *, columns: int = 80) -> Iterator[Terminal]:
    """Run a command in a terminal while the block runs."""
    opened = Terminal(command, env, columns=columns)
    try:
        yield opened
    finally:
        opened.close()
