"""Files: small ones read within limits, all written so that a stopped run leaves the old one or the new one whole."""

import contextlib
import os
import stat
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from pulse_audio.errors import OutputError, PulseError

try:
    import fcntl
except ImportError:  # not a POSIX system: two runs writing one file at once are not told apart
    fcntl = None  # type: ignore[assignment]

TOML_BYTES = 100_000
KEYS_TOLD = 5  # of those that are unknown: a file of another kind has hundreds
TOML_LINE = 4_000  # characters; the parser's time grows with the square of the dots or brackets in a line


def shown(name: object) -> str:
    """Return a text fit for a terminal: control characters become visible escapes."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in str(name))


def read_toml(path: Path, kind: str, error: type[PulseError]) -> dict[str, Any]:
    """Read a TOML file that a user wrote.

    Parameters
    ----------
    path : Path
    kind : str
        What it holds, for the message: ``layout``.
    error : type of PulseError
        What is raised if it cannot be read, is too large, or is no TOML.
    """
    where = f"{kind} file {shown(path)}"
    try:
        with path.open("rb") as stream:
            raw = stream.read(TOML_BYTES + 1)
        if len(raw) > TOML_BYTES:
            raise error(f"{where}: larger than {TOML_BYTES} bytes; that is no {kind}")
        text = raw.decode("utf-8-sig")  # some editors put a byte-order mark before the text
        if any(len(line) > TOML_LINE for line in text.splitlines()):
            raise error(f"{where} is no TOML for us: a line has more than {TOML_LINE} characters")
        return tomllib.loads(text)
    except UnicodeDecodeError as e:
        raise error(f"{where} is no TOML: its text is not in UTF-8; save it as UTF-8") from e
    except OSError as e:
        raise error(f"{where}: {unread_reason(e)}") from e
    except error:
        raise
    except (ValueError, RecursionError) as e:  # no TOML, a number of thousands of digits, or too deep
        raise error(f"{where} is no TOML: {shown(' '.join(str(e).split()))}") from e


def unread_reason(error: OSError) -> str:
    """Say why a file could not be opened for reading, and what to do."""
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return "there is no such file; check its name and folder"
    if isinstance(error, IsADirectoryError):
        return "it is a folder; name a file in it"
    return f"{_reason(error)}; see that the file can be read, or name another"


def same_file(one: str | Path, two: str | Path) -> bool:
    """Whether two paths lead to one file, links followed; files that are not there yet count too."""
    try:
        return os.path.samefile(one, two)
    except (OSError, ValueError):  # one of them is not there, or can be no path at all
        first, second = (os.path.normcase(os.path.realpath(path)) for path in (one, two))
        return first == second


def read_named_toml(path: Path, kind: str, error: type[PulseError]) -> tuple[str, dict[str, Any]]:
    """Read a TOML file as `read_toml` does, and return the name in it, or that of the file, and the whole table."""
    table = read_toml(path, kind, error)
    name = table.get("name", path.stem)
    if not isinstance(name, str) or not name:
        raise error(f"{kind} file {shown(path)}: name must be text")
    return name, table


def unknown_keys(table: Mapping[str, object], legal: Iterable[str]) -> list[str]:
    """Say which keys of a table are none of the legal ones, each with the nearest; all of these if one has none."""
    import difflib

    legal, faults, strange = tuple(legal), [], False
    unknown = [key for key in table if key not in legal]
    for key in unknown[:KEYS_TOLD]:
        near = difflib.get_close_matches(key, legal, n=1)
        heading = isinstance(table[key], Mapping)
        cure = f", did you mean {near[0]}?" if near else f": leave out the heading [{key}]" if heading else ""
        faults.append(f"unknown key {key!r}{cure}")
        strange |= not near
    if len(unknown) > KEYS_TOLD:
        faults.append(f"{len(unknown) - KEYS_TOLD} more unknown keys")
    return [*faults, f"the keys are {', '.join(legal)}"] if strange else faults


def is_path(text: str) -> bool:
    """Whether a text that may be a name means a file: it ends in ``.toml``, has a folder in it, or is there."""
    path = Path(text)
    return path.suffix.lower() == ".toml" or path.name != text or os.path.isfile(text)


@contextlib.contextmanager
def replaced_file(path: Path, *, force: bool) -> Iterator[IO[bytes]]:
    """Open a file beside `path` for writing and rename it to `path` once the block ends without an error.

    The side file has one fixed name, so what a killed run left is reused and renamed by the next; a lock on it
    keeps two runs apart. A link at `path` is replaced, never followed.

    Raises
    ------
    OutputError
        `path` exists and `force` is false, is a folder or a device, its folder is missing or unwritable, another
        run is writing the same file, or the disk is full.
    """
    check_target(path, force=force)
    side = path.with_name(f".{path.name}.part")
    try:
        handle = os.open(side, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666)
    except (OSError, ValueError) as e:
        raise OutputError(f"cannot write {shown(path)}: {_reason(e)}") from e
    with os.fdopen(handle, "w+b") as stream:
        _claim(stream, side, path)
        try:
            stream.truncate(0)
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
            check_target(path, force=force)
            os.replace(side, path)
        except BaseException as e:
            with contextlib.suppress(OSError):
                os.unlink(side)
            with contextlib.suppress(OSError):  # what it still holds in memory may not fit on the disk either
                stream.close()
            if isinstance(e, OSError) and not isinstance(e, OutputError):
                raise OutputError(f"cannot write {shown(path)}: {_reason(e)}") from e
            raise


def check_target(path: Path, *, force: bool) -> None:
    """Raise `OutputError` if `path` cannot be written: so long work is refused before it is done."""
    if os.path.isdir(path):
        raise OutputError(f"cannot write {shown(path)}: it is a folder; name a file in it")
    if not os.path.isdir(path.parent):
        raise OutputError(f"cannot write {shown(path)}: there is no folder {shown(path.parent)}; make it first")
    if os.path.lexists(path):
        if not force:
            raise OutputError(f"{shown(path)} exists already; give --force to replace it, or another name")
        if not os.path.islink(path) and not os.path.isfile(path):
            raise OutputError(f"cannot write {shown(path)}: it is a device or a pipe; name a plain file")


def _claim(stream: IO[bytes], side: Path, path: Path) -> None:
    """Lock the side file, and make sure that the file locked is the one that still has its name."""
    try:
        if fcntl is not None:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        mine, named = os.fstat(stream.fileno()), os.lstat(side)
    except (BlockingIOError, FileNotFoundError) as e:
        raise OutputError(f"cannot write {shown(path)}: another run is writing it now") from e
    except OSError as e:
        raise OutputError(f"cannot write {shown(path)}: it cannot be locked ({_reason(e)}); take another folder") from e
    if not os.path.samestat(mine, named):
        raise OutputError(f"cannot write {shown(path)}: another run has just written it")
    if not stat.S_ISREG(mine.st_mode) or mine.st_nlink != 1:
        raise OutputError(f"cannot write {shown(path)}: {shown(side)} is in the way; remove it")


def _reason(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error).lower()


def write_text(path: Path, text: str, *, force: bool) -> None:
    """Write a UTF-8 text file whole or not at all."""
    with replaced_file(path, force=force) as stream:
        stream.write(text.encode("utf-8", errors="backslashreplace"))


def made_folder(path: Path, *, force: bool) -> Path:
    """Make a folder for results, and return it.

    Raises
    ------
    OutputError
        It cannot be made, or `force` is false and it holds something already.
    """
    try:
        path.mkdir(exist_ok=True)
        if not force and any(path.iterdir()):
            raise OutputError(f"folder {shown(path)} is not empty; give --force to write into it, or another name")
    except OutputError:
        raise
    except FileExistsError:
        raise OutputError(f"cannot make folder {shown(path)}: a file has that name") from None
    except FileNotFoundError:
        raise OutputError(f"cannot make folder {shown(path)}: there is no folder {shown(path.parent)}") from None
    except (OSError, ValueError) as e:
        raise OutputError(f"cannot make folder {shown(path)}: {_reason(e)}") from e
    return path
