"""Writing files so that a stopped run leaves the old file or the new one, never half of one."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from pulse_audio.errors import OutputError

try:
    import fcntl
except ImportError:  # not a POSIX system: two runs writing one file at once are not told apart
    fcntl = None  # type: ignore[assignment]


def shown(name: object) -> str:
    """Return a file name fit for a terminal: control characters become visible escapes."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in str(name))


@contextlib.contextmanager
def replaced_file(path: Path, *, force: bool) -> Iterator[IO[bytes]]:
    """Open a file beside `path` for writing and rename it to `path` once the block ends without an error.

    The side file has one fixed name, so what a killed run left is reused and renamed by the next; a lock on it
    keeps two runs apart. A link at `path` is replaced, never followed.

    Raises
    ------
    OutputError
        `path` exists and `force` is false, is a folder, its folder is missing or unwritable, another run is writing
        the same file, or the disk is full.
    """
    side = path.with_name(f".{path.name}.part")
    if path.is_dir():
        raise OutputError(f"cannot write {shown(path)}: it is a folder; name a file in it")
    if not force and os.path.lexists(path):
        raise OutputError(f"{shown(path)} exists already; give --force to replace it, or another name")
    try:
        handle = os.open(side, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
    except OSError as e:
        raise OutputError(f"cannot write {shown(path)}: {e.strerror}") from e
    with os.fdopen(handle, "w+b") as stream:
        if fcntl is not None:
            try:
                fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as e:
                raise OutputError(f"cannot write {shown(path)}: another run is writing it now") from e
        try:
            stream.truncate(0)
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
            os.replace(side, path)
        except BaseException as e:
            with contextlib.suppress(OSError):
                os.unlink(side)
            if isinstance(e, OSError) and not isinstance(e, OutputError):
                raise OutputError(f"cannot write {shown(path)}: {e.strerror or e}") from e
            raise


def write_text(path: Path, text: str, *, force: bool) -> None:
    """Write a UTF-8 text file whole or not at all."""
    with replaced_file(path, force=force) as stream:
        stream.write(text.encode())
