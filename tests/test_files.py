"""Files are written whole or not at all, only where told, and never through a link."""

import errno
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pulse_audio.errors import LayoutError, OutputError
from pulse_audio.files import is_path, made_folder, read_toml, replaced_file, shown, unknown_keys, write_text


def _child(code: str, folder: Path, **options: object) -> subprocess.Popen[str]:
    """Start Python on `code` with `folder` as its working folder."""
    return subprocess.Popen(  # type: ignore[call-overload,no-any-return]
        [sys.executable, "-c", code],
        cwd=folder,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


def test_write_and_replace(tmp_path: Path) -> None:
    """A file is written, refused the second time, and replaced with force; nothing else is left beside it."""
    target = tmp_path / "answer.txt"
    write_text(target, "one", force=False)
    with pytest.raises(OutputError, match=r"answer\.txt exists already; give --force"):
        write_text(target, "two", force=False)
    assert target.read_text() == "one"
    write_text(target, "three", force=True)
    assert target.read_text() == "three"
    assert os.listdir(tmp_path) == ["answer.txt"]


@pytest.mark.parametrize("error", [ValueError("a bug"), OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_failed_block_leaves_old_file(tmp_path: Path, error: BaseException) -> None:
    """Whatever goes wrong while writing, the old file stays and no side file does."""
    target = tmp_path / "answer.txt"
    target.write_text("old")
    expected = OutputError if isinstance(error, OSError) else type(error)
    with pytest.raises(expected), replaced_file(target, force=True) as stream:
        stream.write(b"half of the new")
        raise error
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == ["answer.txt"]


@pytest.mark.parametrize("name", ["", ".", "..", "sub"])
def test_folder_is_no_target(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """A folder is refused as an output file, by whatever name it is called."""
    (tmp_path / "sub").mkdir()
    monkeypatch.chdir(tmp_path)
    with pytest.raises(OutputError, match="it is a folder"):
        write_text(Path(name), "x", force=True)


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("missing/answer.txt", "there is no folder missing"),
        ("plain/answer.txt", "there is no folder plain"),
        ("x" * 300, "file name too long"),
        ("nul\0.txt", "null"),
    ],
)
def test_impossible_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, reason: str) -> None:
    """A place where no file can be is one line with the reason."""
    monkeypatch.chdir(tmp_path)
    Path("plain").write_text("no folder")
    with pytest.raises(OutputError, match=reason) as caught:
        write_text(Path(name), "x", force=False)
    assert shown(caught.value) == str(caught.value)


def test_device_is_no_target() -> None:
    """Force must not rename a file over a device: as administrator that would replace it for everyone."""
    with pytest.raises(OutputError, match="device or a pipe"):
        write_text(Path(os.devnull), "x", force=True)


def test_link_is_replaced_not_followed(tmp_path: Path) -> None:
    """A link where the output goes is replaced by the file; what it pointed to is untouched."""
    elsewhere = tmp_path / "elsewhere.txt"
    elsewhere.write_text("mine")
    target = tmp_path / "answer.txt"
    target.symlink_to(elsewhere)
    with pytest.raises(OutputError, match="exists already"):
        write_text(target, "new", force=False)
    write_text(target, "new", force=True)
    assert elsewhere.read_text() == "mine"
    assert not target.is_symlink()
    assert target.read_text() == "new"


@pytest.mark.parametrize("kind", ["soft link", "hard link"])
def test_link_at_side_file_is_not_written(tmp_path: Path, kind: str) -> None:
    """Somebody's link under the side file's name is refused, so that the file behind it is not overwritten."""
    elsewhere = tmp_path / "elsewhere.txt"
    elsewhere.write_text("mine")
    side = tmp_path / ".answer.txt.part"
    if kind == "soft link":
        side.symlink_to(elsewhere)
    else:
        side.hardlink_to(elsewhere)
    with pytest.raises(OutputError, match="cannot write"):
        write_text(tmp_path / "answer.txt", "new", force=True)
    assert elsewhere.read_text() == "mine"


def test_two_runs_at_once(tmp_path: Path) -> None:
    """While one run writes a file, a second is refused; the first then ends well."""
    target = tmp_path / "answer.txt"
    with replaced_file(target, force=False) as stream:
        stream.write(b"first")
        with pytest.raises(OutputError, match="another run is writing it now"):
            write_text(target, "second", force=True)
    assert target.read_text() == "first"
    assert os.listdir(tmp_path) == ["answer.txt"]


def test_second_run_between_check_and_rename(tmp_path: Path) -> None:
    """A file that appears while ours is being written is not replaced without force."""
    target = tmp_path / "answer.txt"
    with pytest.raises(OutputError, match="exists already"), replaced_file(target, force=False) as stream:
        stream.write(b"ours")
        target.write_text("theirs")
    assert target.read_text() == "theirs"
    assert os.listdir(tmp_path) == ["answer.txt"]


def test_folder_without_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some file systems in a network lock nothing: that is the reason told, not another run."""
    fcntl = pytest.importorskip("fcntl")

    def refuse(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", refuse)
    with pytest.raises(OutputError, match=r"it cannot be locked \(no locks available\); take another folder"):
        write_text(tmp_path / "a.txt", "x", force=False)


def test_many_runs_into_one_file(tmp_path: Path) -> None:
    """Processes that fight for one name leave one of their texts, whole, and no litter."""
    code = """
import sys
from pathlib import Path
from pulse_audio.files import write_text
from pulse_audio.errors import OutputError
sys.stdin.readline()
for k in range(200):
    try:
        write_text(Path("answer.txt"), sys.argv[0] + "x" * 20000 + "end", force=True)
    except OutputError as e:
        assert "another run" in str(e), e
"""
    children = [_child(code, tmp_path) for _ in range(3)]
    for child in children:
        assert child.stdin is not None
        child.stdin.write("go\n")
        child.stdin.flush()
    for child in children:
        _, errors = child.communicate(timeout=60)
        assert (child.returncode, errors) == (0, "")
    text = (tmp_path / "answer.txt").read_text()
    assert text == "-c" + "x" * 20000 + "end"
    assert os.listdir(tmp_path) == ["answer.txt"]


def test_killed_run_leaves_whole_files_and_next_run_no_litter(tmp_path: Path) -> None:
    """After SIGKILL at random moments the file is one of the whole ones, and the next run clears the rest away."""
    code = """
from pathlib import Path
from pulse_audio.files import replaced_file
print("ready", flush=True)
while True:
    with replaced_file(Path("answer.bin"), force=True) as stream:
        for k in range(50):
            stream.write(bytes([k]) * 5000)
            stream.flush()
"""
    whole = b"".join(bytes([k]) * 5000 for k in range(50))
    dice = random.Random(1)
    left_behind = 0
    for _ in range(12):
        child = _child(code, tmp_path)
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(dice.uniform(0, 0.05))
        child.send_signal(signal.SIGKILL)
        child.communicate()
        left_behind += (tmp_path / ".answer.bin.part").exists()
        target = tmp_path / "answer.bin"
        assert not target.exists() or target.read_bytes() == whole
    assert left_behind, "no run was killed while it wrote: the test shows nothing"
    write_text(tmp_path / "answer.bin", "next", force=True)
    assert os.listdir(tmp_path) == ["answer.bin"]


def test_full_disk(tmp_path: Path) -> None:
    """When no more can be written, the message says so, the old file stays, and nothing is left beside it.

    The limit on file size stands in for a full disk: both end a write half way with an OSError.
    """
    (tmp_path / "answer.txt").write_text("old")
    code = """
import resource
from pathlib import Path
from pulse_audio.files import write_text
from pulse_audio.errors import OutputError
resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))
for size in (11_000, 1_000_000):
    try:
        write_text(Path("answer.txt"), "x" * size, force=True)
    except OutputError as e:
        print(e)
"""
    out, errors = _child(code, tmp_path).communicate(timeout=60)
    assert errors == ""
    assert out.splitlines() == ["cannot write answer.txt: file too large"] * 2
    assert (tmp_path / "answer.txt").read_text() == "old"
    assert os.listdir(tmp_path) == ["answer.txt"]


def test_read_only_folder(tmp_path: Path) -> None:
    """A folder that may not be written to gives the reason, and what is in it stays.

    The child gives up administrator's rights, which would override the folder's mode.
    """
    (tmp_path / "answer.txt").write_text("old")
    tmp_path.chmod(0o555)
    code = """
import os
from pathlib import Path
from pulse_audio.files import made_folder, write_text
from pulse_audio.errors import OutputError
if os.getuid() == 0:
    os.setuid(65534)
for work in (lambda: write_text(Path("answer.txt"), "new", force=True), lambda: made_folder(Path("new"), force=True)):
    try:
        work()
    except OutputError as e:
        print(e)
"""
    try:
        out, errors = _child(code, tmp_path).communicate(timeout=60)
    finally:
        tmp_path.chmod(0o755)
    assert errors == ""
    assert out.splitlines() == [
        "cannot write answer.txt: permission denied",
        "cannot make folder new: permission denied",
    ]
    assert (tmp_path / "answer.txt").read_text() == "old"
    assert os.listdir(tmp_path) == ["answer.txt"]


def test_made_folder(tmp_path: Path) -> None:
    """A folder is made, reused while empty, and refused once it holds something unless forced."""
    folder = tmp_path / "results"
    assert made_folder(folder, force=False) == folder
    made_folder(folder, force=False)
    (folder / "page.txt").write_text("x")
    with pytest.raises(OutputError, match="is not empty; give --force"):
        made_folder(folder, force=False)
    made_folder(folder, force=True)
    with pytest.raises(OutputError, match="a file has that name"):
        made_folder(folder / "page.txt", force=True)
    with pytest.raises(OutputError, match="there is no folder"):
        made_folder(tmp_path / "no" / "results", force=True)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"a = " + b"[" * 3000, "is no TOML"),
        (b"a = " + b"[" * 5000, "a line has more than 4000"),
        (b"a." * 5000 + b"b = 1", "a line has more than 4000"),
        (b"# x\n" * 60_000, "larger than 100000 bytes"),
        (b"\xff", "is no TOML"),
        (b"a = 1\na = 2", "is no TOML"),
    ],
)
def test_toml_bombs(tmp_path: Path, body: bytes, said: str) -> None:
    """A TOML file that is too large, too deep or none is refused in one line of bounded length."""
    (tmp_path / "a.toml").write_bytes(body)
    with pytest.raises(LayoutError, match=said) as caught:
        read_toml(tmp_path / "a.toml", "layout", LayoutError)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 500
    with pytest.raises(LayoutError, match="no such file"):
        read_toml(tmp_path / "none.toml", "layout", LayoutError)


def test_unknown_keys_of_a_file_of_another_kind() -> None:
    """Of many unknown keys the first five are told, the others counted, and the legal ones named once."""
    faults = unknown_keys({f"x{number}": 1 for number in range(12)}, ("title", "join"))
    assert faults == [*(f"unknown key 'x{n}'" for n in range(5)), "7 more unknown keys", "the keys are title, join"]


def test_byte_order_mark(tmp_path: Path) -> None:
    """The byte-order mark that some editors put before UTF-8 text (Unicode, section 23.8) is no part of the TOML."""
    (tmp_path / "a.toml").write_bytes(b"\xef\xbb\xbftitle = '\xc3\x9cber'")
    assert read_toml(tmp_path / "a.toml", "layout", LayoutError) == {"title": "Über"}


@pytest.mark.parametrize(
    ("text", "means_a_file"),
    [("mine.toml", True), ("mine.TOML", True), ("./mine", True), ("there", True), ("mine", False), ("", False)],
)
def test_name_or_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str, means_a_file: bool) -> None:
    """A text means a file by its ending, by a folder in it, or because the file is there."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there").write_text("x")
    assert is_path(text) == means_a_file


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("plain name.wav", "plain name.wav"),
        ("Überlauf 排気.wav", "Überlauf 排気.wav"),
        ("red\x1b[31m.wav", r"red\x1b[31m.wav"),
        ("two\nlines\t\x07", r"two\nlines\t\x07"),
        ("right-to-left\u202e.wav", r"right-to-left\u202e.wav"),
        (os.fsdecode(b"\xff.wav"), r"\udcff.wav"),
        ("c1 \x9b31m", r"c1 \x9b31m"),
    ],
)
def test_shown_names_hold_no_controls(name: str, expected: str) -> None:
    """Names print as they are, except that nothing in them can steer a terminal (ECMA-48 control functions)."""
    assert shown(name) == expected
