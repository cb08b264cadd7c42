"""Throw damaged input at every reader and at the command line, guided by the code that it reaches.

    python tests/fuzz/fuzz.py TARGET [-runs=N] [-max_total_time=S] [more options of libFuzzer]

TARGET is one of clip, layout, exhaust, speed, command. A run ends well if every input was either used or refused by a
`PulseError` of one printable line (for a command: exit code 0, 1 or 2 and at most one line of complaint), within 10 s
and 1 GB. Anything else stops the run, prints the traceback, and writes the input to a file crash-* in the working
folder.
"""

import io
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["pulse_audio", "tomllib", "csv"]):
    import numpy as np
    import soundfile
    from click.testing import CliRunner

    from pulse_audio import exhaust, layout, speed
    from pulse_audio.catalogue import find_layout
    from pulse_audio.cli import COMMANDS, main
    from pulse_audio.clip import read_clip
    from pulse_audio.errors import OWN_FAULT, PulseError

LIMITS = ("-timeout=10", "-rss_limit_mb=1024", "-max_len=8192")
WORDS = (
    *COMMANDS, "--json", "--rpm", "--output", "-o", "--force", "--duration", "--start", "--end", "--channel", "--title",
    "--strokes", "--cylinders", "--layout", "--exhaust", "--seed", "--bits", "--even", "--help", "--version",
    "--figure", "--exhaust",
    "boxer-twin", "v-twin-45", "270-450", "-90-270", "0-0", "360", "odd.toml", "bare.toml", "curve.csv", "noise.wav",
    "text.wav", "none.wav", ".", "..", "", "-", "--", "=", "0", "1", "-1", "900", "900:4000", "4000:900", "1e308",
    "nan", "-inf", "0x10", "9" * 400, "\x1b[31m", "\n", "\udcff", "'", "out.wav", "out.flac", "out.ogg", "out.html",
    "out.mp7",
)  # fmt: skip
SLOW = {"play", "drill", "demo", "lesson", "--microphone"}  # need a device, or seconds


def _refused_well(work: Callable[[], object]) -> None:
    try:
        work()
    except PulseError as e:
        assert str(e).isprintable(), repr(e)


def _file_target(ending: str, read: Callable[[Path], object]) -> Callable[[bytes], None]:
    path = Path(f"input{ending}")

    def target(data: bytes) -> None:
        path.write_bytes(data)
        _refused_well(lambda: read(path))

    return target


def _layout(data: bytes) -> None:
    _file_target(".toml", layout.from_toml)(data)
    _refused_well(lambda: find_layout(data.decode("utf-8", errors="surrogateescape")))


def _command(data: bytes) -> None:
    dice = atheris.FuzzedDataProvider(data)
    args = [dice.PickValueInList(list(WORDS)) for _ in range(dice.ConsumeIntInRange(0, 8))]
    args += [dice.ConsumeUnicode(20) for _ in range(dice.ConsumeIntInRange(0, 2))]
    # As a system would hand them over: bytes, no NUL. Without slashes they stay in this folder.
    args = [os.fsdecode(a.encode(errors="surrogatepass").replace(b"/", b"_").replace(b"\0", b"_")) for a in args]
    if SLOW.intersection(args) and not {"--help", "-h"}.intersection(args):
        return
    if {"render", "compare"}.intersection(args):
        args += ["--duration", "0.05"]
    result = CliRunner().invoke(main, args)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise RuntimeError(args) from result.exception
    assert result.exit_code in (0, 1, 2), (args, result.exit_code)
    assert OWN_FAULT not in result.output, (args, result.output)
    if result.exit_code == 2:
        assert result.stdout == "", args
        assert len(result.stderr.splitlines()) == 1, (args, result.stderr)
    assert all(c.isprintable() or c == "\n" for c in result.output), (args, result.output)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "clip": _file_target(".snd", read_clip),
    "layout": _layout,
    "exhaust": _file_target(".toml", exhaust.from_toml),
    "speed": _file_target(".csv", speed.from_csv),
    "command": _command,
}


def _sounds() -> list[bytes]:
    """Return small sound files of every format and sample kind that is worth bending."""
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, (600, 2))
    kinds = (
        ("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAV", "IMA_ADPCM"), ("FLAC", "PCM_16"), ("OGG", "VORBIS"),
        ("AIFF", "PCM_24"), ("AU", "ULAW"), ("CAF", "PCM_16"), ("W64", "PCM_16"), ("RF64", "PCM_16"),
    )  # fmt: skip
    made = []
    for kind, subtype in kinds:
        memory = io.BytesIO()
        soundfile.write(memory, noise, 8_000, format=kind, subtype=subtype)
        made.append(memory.getvalue())
    return made


def _seeds(target: str) -> list[bytes]:
    root = Path(__file__).parents[2] / "pulse_audio"
    if target == "clip":
        return _sounds()
    if target in ("layout", "exhaust"):
        text = (root / ("catalogue.toml" if target == "layout" else "exhausts.toml")).read_text()
        tables = [part.split("]\n", 1)[1] for part in text.split("\n[")[1:]]
        return [table.encode() for table in tables] + [b"270-450"]
    if target == "speed":
        return [b"time_s,rpm\n0,900\n1,1000.5\n2.5,1e3\n", b"time_s,rpm\r\n0,900\r\n"]
    return [bytes(range(k, k + 40)) for k in range(0, 200, 20)]


def _prepare_folder() -> None:
    """Make the files that commands may be given."""
    Path("odd.toml").write_text("bank_deg=[0,0]\nthrow_deg=[0,90]\nfiring_deg=[0,270]\n")
    Path("bare.toml").write_text("firing_deg=[0,200]\n")
    Path("curve.csv").write_text("time_s,rpm\n0,900\n1,1200\n")
    Path("text.wav").write_text("no sound")
    soundfile.write("noise.wav", np.random.default_rng(1).uniform(-0.1, 0.1, 4_000), 8_000)


def run(argv: list[str]) -> None:
    """Fuzz one target in a folder of its own."""
    if len(argv) < 2 or argv[1] not in TARGETS:
        sys.exit(__doc__)
    home = Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        _prepare_folder()
        corpus = Path("corpus")
        corpus.mkdir()
        for number, seed in enumerate(_seeds(argv[1])):
            (corpus / f"seed-{number}").write_bytes(seed)
        atheris.Setup([argv[0], str(corpus), *LIMITS, f"-artifact_prefix={home}/", *argv[2:]], TARGETS[argv[1]])
        atheris.Fuzz()


if __name__ == "__main__":
    run(sys.argv)
