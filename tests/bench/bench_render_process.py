"""What the command costs: ``python tests/bench/bench_render_process.py [--hour]``.

Whole processes, in turn in one run. ``firing-pulse render`` of a minute of a twin at 3000 rpm against a bare Python
that imports numpy, soundfile and click and writes an array of that size (target 1.5); ``firing-pulse --help`` against a
bare ``import click`` (target 2); 6, 60 and 600 s for growth with length; with ``--hour`` also an hour, for its peak
memory (target 150 MB). This script loads no numeric library: a child's peak memory starts from its parent's.
"""

import argparse
import tempfile
from collections.abc import Callable
from pathlib import Path

from machine import ENVIRONMENT, Child, machine, row, run_child, side_by_side

BARE = """
import sys, numpy, soundfile, click
soundfile.write(sys.argv[1], numpy.zeros(60 * 48000) + 0.1, 48000, subtype="PCM_16")
"""
ROUNDS = 15


def render(path: Path, seconds: int) -> Callable[[], Child]:
    """Return a call that runs the command."""
    options = ("--rpm", "3000", "--duration", str(seconds), "-o", str(path), "--force")
    return lambda: run_child("-m", "pulse_audio", "render", "parallel-twin-270", *options)


def main() -> None:
    """Print the ratios, the growth and the memory."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hour", action="store_true", help="render an hour too")
    args = parser.parse_args()
    print(machine("numpy", "soundfile", "click"))
    with tempfile.TemporaryDirectory() as folder:
        ENVIRONMENT["PYTHONPYCACHEPREFIX"] = str(Path(folder) / "bytecode")
        path = Path(folder) / "a.wav"
        ours, bare = side_by_side(render(path, 60), lambda: run_child("-c", BARE, str(path)), rounds=ROUNDS)
        row("`render` of 60 s, whole process, against a bare Python writing such a file", f"{ours / bare:.2f}", "1.5")
        ours, bare = side_by_side(
            lambda: run_child("-m", "pulse_audio", "--help"), lambda: run_child("-c", "import click"), rounds=ROUNDS
        )
        row("`--help`, whole process, against a bare `import click`", f"{ours / bare:.2f}", "2")
        for seconds in (6, 60, 600, *([3600] if args.hour else [])):
            runs = [render(path, seconds)() for _ in range(3 if seconds < 3600 else 1)]
            least = min(runs, key=lambda child: child.processor_s)
            figure = f"{least.processor_s:.2f} s, {least.peak_mb:.0f} MB"
            row(f"`render` of {seconds} s: processor time, peak memory", figure, "150 MB")


if __name__ == "__main__":
    main()
