"""What a minute of sound costs against writing it: ``python tests/bench/bench_synth_render.py``.

In process, in one run: `render` of 60 s at 48 kHz mono, lively, against soundfile writing those samples as 16-bit WAV.
The first render of a process also makes the kernels; it is shown apart. Targets: a twin at 3000 rpm at most 0.5, a V12
at 8000 rpm at most 4.
"""

import tempfile
import time
from pathlib import Path

import soundfile
from machine import machine, row, side_by_side

from pulse_audio import catalogue
from pulse_audio.exhaust import exhaust_names, find_exhaust
from pulse_audio.firing import Liveliness
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import render

RATE = 48_000
CASES = (("parallel-twin-270", 3000.0, 0.5), ("v12-60", 8000.0, 4.0))
ROUNDS = 15


def main() -> None:
    """Print a table of ratios."""
    print(machine("numpy", "soundfile"))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.wav"
        for name, rpm, target in CASES:
            for pipes in (exhaust_names()[0], "road-silencer"):
                layout, speed, exhaust = catalogue.layout(name), SpeedCurve.steady(rpm), find_exhaust(pipes)

                def make(layout=layout, speed=speed, exhaust=exhaust):
                    return render(
                        layout, speed, duration_s=60.0, sample_rate_hz=RATE, exhaust=exhaust, life=Liveliness()
                    )

                start = time.perf_counter()
                samples = make().samples
                first = time.perf_counter() - start
                ours, write = side_by_side(
                    make, lambda samples=samples: soundfile.write(path, samples, RATE, subtype="PCM_16"), rounds=ROUNDS
                )
                row(
                    f"60 s of {name} at {rpm:.0f} rpm, {pipes}, against writing it",
                    f"{ours / write:.2f} (first in a process {first / write:.2f})",
                    f"{target:.1f}",
                )


if __name__ == "__main__":
    main()
