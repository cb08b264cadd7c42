"""Many clips and long ones: ``python tests/bench/bench_many.py [--clips 1000] [--hours 10]`` from the top.

A thousand clips in one call with two processes, and one recording of ten hours, each as a whole process; peak
memory is that of the main process. This script loads no numeric library: a child's peak memory starts from its
parent's.
"""

import argparse
import tempfile
from pathlib import Path

from machine import machine, row, run_child

MAKE_CLIPS = """
import sys
from tests.clipmaker import make
make.main(["engines", "--count", "20", "--seed", "3", "--out", sys.argv[1]])
"""
MAKE_HOURS = """
import sys, numpy, soundfile
from pathlib import Path
x, rate = soundfile.read(next(Path(sys.argv[1]).glob("*.flac")))
x = x if x.ndim == 1 else x.mean(axis=1)
left = int(float(sys.argv[3]) * 3600 * rate)
with soundfile.SoundFile(sys.argv[2], "w", samplerate=rate, channels=1, subtype="PCM_16", format="RF64") as out:
    while left > 0:
        out.write(x[:left])
        left -= len(x)
"""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--clips", type=int, default=1000)
    parser.add_argument("--hours", type=float, default=10.0)
    args = parser.parse_args()
    print(machine("numpy", "scipy", "soundfile"))
    with tempfile.TemporaryDirectory() as folder:
        clips = Path(folder) / "clips"
        run_child("-c", MAKE_CLIPS, str(clips))
        made = sorted(clips.glob("*.flac"))
        many = [made[index % len(made)] for index in range(args.clips)]
        for count in (args.clips // 10, args.clips):
            done = run_child("-m", "pulse_audio", "analyse", "--json", "--jobs", "2", *map(str, many[:count]))
            row(
                f"`analyse --jobs 2` of {count} clips: answers, time for a clip, peak memory of the main process",
                f"{len(done.printed.splitlines())}, {1000 * done.seconds / count:.0f} ms, {done.peak_mb:.0f} MB",
                "memory flat",
            )
        long = Path(folder) / "long.wav"
        run_child("-c", MAKE_HOURS, str(clips), str(long), str(args.hours))
        done = run_child("-m", "pulse_audio", "analyse", "--json", str(long))
        row(
            f"`analyse` of {args.hours:g} h: time, peak memory",
            f"{done.seconds:.0f} s, {done.peak_mb:.0f} MB",
            "memory flat",
        )


if __name__ == "__main__":
    main()
