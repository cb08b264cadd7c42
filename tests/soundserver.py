"""A real sound server with a sink that nobody hears, so that tests play and record through the whole chain.

firing-pulse -> sounddevice -> PortAudio -> ALSA -> sound server -> null sink -> its monitor -> a recorder.
The server has its own home and runtime folder, so that it meets no other server and leaves nothing behind.
"""

import contextlib
import ctypes.util
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

RATE_HZ = 48_000
SINK = "quiet"
# What listens must not be what drops out: ahead of others where the system allows it, otherwise as it is.
FIRST = ("nice", "-n", "-15")
ALSA_DEFAULT = "pcm.!default { type pulse }\nctl.!default { type pulse }\n"
PLUGIN = Path("/usr/lib")


def missing_packages() -> str:
    """Name what this machine lacks for the tests with a sound server; empty if nothing."""
    lacking = [name for name in ("pulseaudio", "pactl", "parec", "pacat") if shutil.which(name) is None]
    if ctypes.util.find_library("portaudio") is None:
        lacking.append("libportaudio2")
    if not any(PLUGIN.glob("**/alsa-lib/libasound_module_pcm_pulse.so")):
        lacking.append("libasound2-plugins")
    return ", ".join(lacking)


@dataclass(frozen=True, kw_only=True)
class SoundServer:
    """A running sound server; `env` leads a command to it."""

    env: dict[str, str]
    process: "subprocess.Popen[bytes]"
    folder: Path

    def command(self, *args: object) -> list[str]:
        """Return the words that run ``firing-pulse ARGS`` in this Python."""
        return [sys.executable, "-m", "pulse_audio", *map(str, args)]

    def run(self, *args: object, timeout_s: float = 60.0) -> "subprocess.CompletedProcess[str]":
        """Run ``firing-pulse ARGS`` to its end, without a terminal."""
        return subprocess.run(
            self.command(*args), env=self.env, stdin=subprocess.DEVNULL, capture_output=True, text=True,
            timeout=timeout_s, check=False,
        )  # fmt: skip

    @contextlib.contextmanager
    def recording(self) -> Iterator["Monitor"]:
        """Record what the sink plays while the block runs."""
        path = self.folder / f"monitor-{time.monotonic_ns()}.raw"
        with path.open("wb") as sink:
            process = subprocess.Popen(
                [*FIRST, "parec", f"--device={SINK}.monitor", "--format=float32le", f"--rate={RATE_HZ}", "--channels=2",
                 "--latency-msec=5"],
                env=self.env, stdout=sink,
            )  # fmt: skip
        monitor = Monitor(path=path)
        try:
            wait_until(lambda: path.stat().st_size > 0, "the recorder gives no samples")
            yield monitor
            time.sleep(0.3)  # what is on its way from sink to recorder
        finally:
            process.terminate()
            process.wait(5)

    @contextlib.contextmanager
    def background(self, path: Path) -> Iterator[None]:
        """Have another program play a file of raw float32 samples again and again while the block runs."""
        feed = subprocess.Popen(
            ["sh", "-c", f'while cat "$0"; do :; done | pacat --raw --format=float32le --rate={RATE_HZ} --channels=1',
             str(path)],
            env=self.env, start_new_session=True, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            yield
        finally:
            os.killpg(feed.pid, signal.SIGTERM)
            feed.wait(5)

    def stop(self) -> None:
        """End the server."""
        self.process.terminate()
        self.process.wait(10)


@dataclass(frozen=True, kw_only=True)
class Monitor:
    """Samples that arrive from the sink's monitor."""

    path: Path

    @property
    def samples(self) -> NDArray[np.float64]:
        """The left channel so far."""
        raw = self.path.read_bytes()
        return np.frombuffer(raw[: len(raw) // 8 * 8], dtype="<f4")[::2].astype(np.float64)

    @property
    def heard(self) -> NDArray[np.float64]:
        """The samples from the first to the last that is not silence."""
        samples = self.samples
        (loud,) = np.nonzero(samples)
        return samples[loud[0] : loud[-1] + 1] if loud.size else samples[:0]


def wait_until(happened: "object", failing: str, timeout_s: float = 10.0) -> None:
    """Wait until a function returns something true."""
    assert callable(happened)
    until = time.monotonic() + timeout_s
    while not happened():
        assert time.monotonic() < until, failing
        time.sleep(0.02)


@contextlib.contextmanager
def running_server(folder: Path) -> Iterator[SoundServer]:
    """Start a sound server with a null sink, and end it with the block."""
    home, runtime = folder / "home", folder / "run"
    home.mkdir(parents=True)
    runtime.mkdir(mode=0o700)
    (home / ".asoundrc").write_text(ALSA_DEFAULT)
    env = {k: v for k, v in os.environ.items() if not k.startswith(("PULSE_", "XDG_", "DBUS_", "ALSA_"))}
    env |= {"HOME": str(home), "XDG_RUNTIME_DIR": str(runtime), "PYTHONDONTWRITEBYTECODE": "1"}
    with (folder / "server.log").open("wb") as log:
        process = subprocess.Popen(
            [*FIRST, "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
             "--log-target=stderr", "--enable-memfd=no",
             "-L", f"module-null-sink sink_name={SINK} rate={RATE_HZ} channels=2 format=float32le",
             "-L", "module-native-protocol-unix"],
            env=env, stdout=log, stderr=log,
        )  # fmt: skip
    server = SoundServer(env=env, process=process, folder=folder)
    try:
        wait_until(lambda: SINK in _sinks(env), f"the sound server did not start; see {folder / 'server.log'}")
        yield server
    finally:
        server.stop()


def _sinks(env: dict[str, str]) -> str:
    return subprocess.run(
        ["pactl", "list", "short", "sinks"], env=env, capture_output=True, text=True, timeout=10, check=False
    ).stdout


@pytest.fixture(scope="module")
def sound_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    """One sound server for the tests of a module."""
    lacking = missing_packages()
    if lacking:
        pytest.skip(f"no sound server can be started here: {lacking} not installed")
    with running_server(tmp_path_factory.mktemp("sound")) as server:
        yield server


def terminate(process: "subprocess.Popen[bytes]") -> None:
    """End a command that this test started."""
    process.terminate()
    process.wait(10)
