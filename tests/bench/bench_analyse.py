"""What analysing costs: ``python tests/bench/bench_analyse.py [--hour]`` from the top of the checkout.

Whole processes, side by side in one run: our command on a 60 s clip against librosa's ``pyin`` on the same clip
(22.05 kHz, fmin=20, fmax=400, frame_length=8192); then 10, 60 and 600 s for growth with length, and with ``--hour``
peak memory for an hour above that of an interpreter with the libraries loaded. This script itself loads no numeric
library: on Linux a child's peak memory starts from its parent's.
"""

import argparse
import tempfile
from importlib import metadata
from pathlib import Path

from machine import ENVIRONMENT, Child, machine, row, run_child

MAKE = """
import sys, numpy as np, soundfile
from tests.clipmaker.engine_clips import engine_clip
from tests.clipmaker.layouts import ENGINES
x, rate, _ = engine_clip(np.random.default_rng(1), engine=ENGINES["ptwin270"], band="idle", kind="drift",
                         duration_s=60.0, rate_hz=22050, spoil=False, microphones=1, snr_db=20.0)
for seconds in map(int, sys.argv[2:]):
    with soundfile.SoundFile(f"{sys.argv[1]}/{seconds}.wav", "w", samplerate=rate, channels=1, subtype="PCM_16") as out:
        left = seconds * rate
        while left > 0:
            out.write(x[:left, 0])
            left -= len(x)
"""
PYIN = """
import sys, time, librosa
x, rate = librosa.load(sys.argv[1], sr=None)
for _ in range(2):  # the second time, everything is compiled
    start = time.perf_counter()
    librosa.pyin(x, sr=rate, fmin=20, fmax=400, frame_length=8192)
    print(time.perf_counter() - start)
"""
LIBRARIES = (
    "import numpy, scipy.signal, scipy.optimize, soundfile, click, pulse_audio.analysis, pulse_audio.cli.analyse"
)


def analyse(clip: Path) -> Child:
    """Whole process of the command on one clip."""
    return run_child("-m", "pulse_audio", "analyse", "--json", str(clip))


def main() -> None:
    """Print the machine, the ratio, the growth and the memory."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hour", action="store_true", help="measure peak memory for an hour too")
    parser.add_argument("--no-pyin", action="store_true", help="leave librosa out")
    args = parser.parse_args()
    print(machine("numpy", "scipy", "soundfile"))
    lengths = [10, 60, 600, *([3600] if args.hour else [])]
    with tempfile.TemporaryDirectory() as folder:
        ENVIRONMENT["PYTHONPYCACHEPREFIX"] = str(Path(folder) / "bytecode")
        run_child("-c", MAKE, folder, *map(str, lengths))
        clips = {seconds: Path(folder) / f"{seconds}.wav" for seconds in lengths}
        analyse(clips[10])  # files in the cache, byte code written
        ours = analyse(clips[60]).seconds
        if not args.no_pyin:
            run_child("-c", PYIN, str(clips[10]))  # as ours: else its first compilation is measured
            both = run_child("-c", PYIN, str(clips[60]))
            call = float(both.printed.split()[1])
            pyin = f"`pyin` (librosa {metadata.version('librosa')})"
            row(
                f"`analyse` of 60 s, whole process, against that of {pyin}",
                f"{ours / (both.seconds - call):.3f}",
                "0.1",
            )
            row(f"the same against {pyin} alone, compiled and loaded", f"{ours / call:.3f}")
        base_mb = run_child("-c", LIBRARIES).peak_mb
        for seconds, clip in clips.items():
            done = analyse(clip)
            row(
                f"`analyse` of {seconds} s: time for a second of sound, peak memory above the libraries",
                f"{1000 * done.seconds / seconds:.0f} ms, {done.peak_mb - base_mb:.0f} MB",
                "linear, 300 MB",
            )


if __name__ == "__main__":
    main()
