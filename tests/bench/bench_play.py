"""How soon a key is heard, and whether every sample arrives: ``python tests/bench/bench_play.py [--minutes 10]``.

Through PortAudio, ALSA and a sound server of its own with a null sink; from the top of the checkout. The delay is that
from a key's byte in the terminal until the recorded sound has fallen by half: it holds half the fade (15 ms) and the
delay of the recorder (5 ms asked for) besides that of the player.
"""

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from machine import machine, row
from soundserver import RATE_HZ, SoundServer, missing_packages, running_server, wait_until
from terminal import terminal
from test_play_e2e import live_engine, lost_at_start, next_blocks

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
    play = ("play", LAYOUT, "--rpm", RPM, "--seconds", duration_s, "--block", BLOCK)
    with server.recording() as monitor, tempfile.TemporaryFile("w+") as told:
        player = subprocess.Popen(
            server.command(*play), env=server.env, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=told
        )
        early_s = min(30.0, 0.5 * duration_s)
        time.sleep(early_s)
        early_mb = resident_mb(player.pid)
        time.sleep(0.95 * (duration_s - early_s))
        late_mb = resident_mb(player.pid)
        player.wait(duration_s)
        told.seek(0)
        dropouts = [line.strip() for line in told if "dropouts" in line] or ["dropouts: none told"]
    wrong, compared = wrong_samples(monitor.path, duration_s)
    row(
        f"`play` of {LAYOUT} at {RPM} rpm, blocks of {BLOCK}, {duration_s:g} s: exit code; dropouts; wrong samples",
        f"{player.returncode}; {dropouts[0]}; {wrong} of {compared}",
        "none",
    )
    row(f"its memory after {early_s:g} s and near the end", f"{early_mb:.1f}, {late_mb:.1f} MB", "flat")


def resident_mb(pid: int) -> float:
    """Memory that a process holds now."""
    (line,) = [line for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("VmRSS")]
    return int(line.split()[1]) / 1024


def wrong_samples(recorded: Path, duration_s: float) -> tuple[int, int]:
    """Count the samples that differ from the engine's, and all compared; a piece at a time, however long it is."""
    left = np.memmap(recorded, "<f4", mode="r", shape=(recorded.stat().st_size // 8, 2))[:, 0]
    heard = left[np.flatnonzero(left[: 60 * RATE_HZ])[0] :]
    engine = live_engine(LAYOUT, RPM, duration_s)
    start = next_blocks(engine, 10 * RATE_HZ // BLOCK, BLOCK)
    lost = lost_at_start(heard, start)
    block, blocks_left = start[lost:], round(duration_s * RATE_HZ / BLOCK) - len(start) // BLOCK
    wrong = compared = at = 0
    while True:
        piece = heard[at : at + len(block)]
        wrong += int((piece != block[: len(piece)]).sum())
        compared, at = compared + len(piece), at + len(block)
        if not blocks_left:
            return wrong, compared
        block = next_blocks(engine, min(blocks_left, 4000), BLOCK)
        blocks_left -= len(block) // BLOCK


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
