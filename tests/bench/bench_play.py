"""How soon a key is heard, and whether every sample arrives: ``python tests/bench/bench_play.py [--minutes 10]``.

Through PortAudio, ALSA and a sound server of its own with a null sink; from the top of the checkout. The delay is that
from a key's byte in the terminal until the recorded sound has fallen by half: it holds half the fade (15 ms) and the
delay of the recorder (5 ms asked for) besides that of the player.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from machine import machine, row
from soundserver import RATE_HZ, SoundServer, missing_packages, running_server, wait_until
from terminal import terminal
from test_play_e2e import lost_at_start, rendered

from pulse_audio.hurry import ahead_of_others

LAYOUT, RPM, BLOCK = "v12-60", 6000, 256
PRESSES = 40


def key_delays_ms(server: SoundServer) -> list[float]:
    """Press hold again and again, and measure when the sound has fallen by half."""
    delays = []
    with (
        server.recording() as monitor,
        terminal(server.command("play", LAYOUT, "--rpm", RPM, "--ideal", "--block", BLOCK), server.env) as tty,
    ):
        tty.wait_for("1 of 1")
        wait_until(lambda: monitor.heard.size > 2.5 * RATE_HZ, "nothing is heard")
        for _ in range(PRESSES):
            at = monitor.samples.size
            tty.press(" ")
            wait_until(lambda start=at: monitor.samples.size > start + RATE_HZ // 2, "the recorder has stopped")
            after = np.abs(monitor.samples[at:])
            (loud,) = np.nonzero(after > after[:480].max() / 2)
            delays.append(1000.0 * loud[-1] / RATE_HZ)
            tty.press(" ")
            time.sleep(0.3)
    return delays


def play_and_compare(server: SoundServer, duration_s: float) -> None:
    """Play, record, and compare with what should have been played, sample for sample."""
    with server.recording() as monitor:
        done = server.run("play", LAYOUT, "--rpm", RPM, "--seconds", duration_s, "--block", BLOCK,
                          timeout_s=duration_s + 60)  # fmt: skip
    told = [line for line in done.stderr.splitlines() if "dropouts" in line] or ["dropouts: none told"]
    heard, made = monitor.heard, rendered(LAYOUT, RPM, duration_s)
    lost = lost_at_start(heard, made)
    made = made[lost : lost + len(heard)]
    different = np.flatnonzero(heard[: len(made)] != made)
    row(
        f"`play` of {LAYOUT} at {RPM} rpm, blocks of {BLOCK}, {duration_s:g} s: exit code; dropouts; wrong samples",
        f"{done.returncode}; {told[0].strip()}; {different.size} of {len(heard)}",
        "none",
    )


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--minutes", type=float, default=10.0)
    minutes = options.parse_args().minutes
    if missing_packages():
        raise SystemExit(f"not installed: {missing_packages()}")
    with ahead_of_others() as allowed:
        ranks = "ahead of other programs" if allowed else "with the same rights as other programs"
    print(machine("numpy", "sounddevice"))
    print(f"the player's threads run {ranks}")
    with tempfile.TemporaryDirectory() as folder, running_server(Path(folder) / "sound") as server:
        delays = np.array(key_delays_ms(server))
        row(
            f"key to sound, {PRESSES} presses: median, 95th percentile, most",
            f"{np.median(delays):.0f}, {np.quantile(delays, 0.95):.0f}, {delays.max():.0f} ms",
            "100 ms",
        )
        play_and_compare(server, 60.0 * minutes)


if __name__ == "__main__":
    main()
