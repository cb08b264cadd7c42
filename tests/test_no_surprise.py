"""What a command touches: it writes where told, reads what it was given, starts no program, and opens no connection.

Python reports such deeds to audit hooks (PEP 578); a child process lists them.
"""

import json
import subprocess
import sys
import sysconfig
from pathlib import Path

import numpy as np
import pytest
import soundfile

import pulse_audio

WATCHED = """
import json, os, sys
deeds = []

def watch(event, args):
    if event == "open" and isinstance(args[0], (str, bytes)):
        writes = args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
        deeds.append(["write" if writes else "read", os.path.abspath(os.fsdecode(args[0]))])
    elif event in ("os.remove", "os.rename", "os.mkdir", "os.rmdir", "os.link", "os.symlink", "os.truncate"):
        deeds.append(["write", os.path.abspath(os.fsdecode(args[0]))])
    elif event in ("subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "os.fork", "os.forkpty"):
        deeds.append(["start", str(args[0])])
    elif event.startswith("socket.") and event != "socket.gethostname":
        deeds.append(["connect", event])
    elif event == "import" and args[0] in ("webbrowser", "urllib.request", "http.client", "ssl"):
        deeds.append(["connect", args[0]])

sys.addaudithook(watch)
from pulse_audio.cli import main
try:
    main(sys.argv[1:])
finally:
    print(json.dumps(deeds), file=sys.stderr)
"""
# What Python and the numeric libraries read of the machine when they load.
SYSTEM = ("/proc/", "/sys/", "/dev/null", "/dev/urandom", "/etc/localtime", "/usr/share/zoneinfo/", "/etc/mime.types")
COMMANDS = (
    (("layouts",), set()),
    (("explain", "v-twin-45"), set()),
    (("explain", "own.toml"), set()),
    (("render", "own.toml", "--rpm", "own.csv", "--duration", "0.5", "--output", "out.wav"), {"out.wav"}),
    (("compare", "boxer-twin", "270-450", "--duration", "0.5", "--output", "out.flac"), {"out.flac"}),
    (("analyse", "noise.wav", "--json"), set()),
    (("lesson", "boxer-twin", "--output", "out.html"), {"out.html"}),
    (("demo", "made"), {"made"}),
)


@pytest.mark.parametrize(("args", "outputs"), COMMANDS, ids=lambda value: value[0] if isinstance(value, tuple) else "")
def test_command_touches_only_what_it_was_given(args: tuple[str, ...], outputs: set[str], tmp_path: Path) -> None:
    """Each command writes only its outputs, reads only its inputs and its own code, and starts and calls nothing."""
    (tmp_path / "own.toml").write_text("firing_deg = [0, 200]\n")
    (tmp_path / "own.csv").write_text("time_s,rpm\n0,900\n1,1200\n")
    (tmp_path / "secret.txt").write_text("not for you")
    soundfile.write(tmp_path / "noise.wav", np.random.default_rng(1).uniform(-0.1, 0.1, 16_000), 8_000)
    done = subprocess.run(
        [sys.executable, "-B", "-c", WATCHED, *args], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    deeds = json.loads(done.stderr.splitlines()[-1])
    assert [deed for deed in deeds if deed[0] in ("start", "connect")] == []
    own = [Path(p).resolve() for p in (sys.prefix, sys.base_prefix, sysconfig.get_path("stdlib"))]
    own += [Path(pulse_audio.__file__).parent, Path(pulse_audio.__file__).parents[1] / "samples"]
    for kind, name in deeds:
        path = Path(name).resolve()
        if tmp_path.resolve() in path.parents:
            first = path.relative_to(tmp_path.resolve()).parts[0]
            allowed = outputs | {f".{output}.part" for output in outputs}
            assert first in (allowed if kind == "write" else allowed | set(args)), (kind, name)
        elif kind == "read":
            assert name.startswith(SYSTEM) or any(home in [path, *path.parents] for home in own), name
        elif kind == "write":
            assert name.startswith("/dev/null"), name
    assert {p.name for p in tmp_path.iterdir()} == {"own.toml", "own.csv", "secret.txt", "noise.wav"} | outputs


def test_the_watch_sees_what_it_should(tmp_path: Path) -> None:
    """The list of deeds is not empty because nobody looked: it holds the package's own files and the output."""
    done = subprocess.run(
        [sys.executable, "-B", "-c", WATCHED, "render", "boxer-twin", "--duration", "0.1", "--output", "out.wav"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    deeds = json.loads(done.stderr.splitlines()[-1])
    assert ["write", str(tmp_path / ".out.wav.part")] in deeds
    assert any(kind == "read" and name.endswith("catalogue.toml") for kind, name in deeds)
