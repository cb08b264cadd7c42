"""How long the loudspeaker waits for a block: ``python tests/bench/bench_synth_block.py``.

`next_block(128)` at 48 kHz, a V12 at 8000 rpm, stereo, noise on: the time of each block against the block's duration.
Target: 99.9th percentile below 10 %.
"""

import time

import numpy as np
from machine import machine

from pulse_audio import catalogue
from pulse_audio.exhaust import exhaust_names, find_exhaust
from pulse_audio.firing import Liveliness
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import Synth

RATE, FRAMES, BLOCKS = 48_000, 128, 40_000


def main() -> None:
    """Print percentiles."""
    print(machine("numpy"))
    print("exhaust                 median     99 %   99.9 %    worst   (share of the block's 2.67 ms)")
    for name in exhaust_names():
        synth = Synth(
            catalogue.layout("v12-60"),
            SpeedCurve.steady(8000.0),
            sample_rate_hz=RATE,
            exhaust=find_exhaust(name),
            life=Liveliness(),
            stereo=True,
        )
        times = np.empty(BLOCKS)
        for index in range(BLOCKS):
            start = time.perf_counter()
            synth.next_block(FRAMES)
            times[index] = time.perf_counter() - start
        share = times / (FRAMES / RATE)
        marks = [*np.quantile(share, [0.5, 0.99, 0.999]), share.max()]
        print(f"{name:20}" + "".join(f"{100 * mark:8.1f}%" for mark in marks))


if __name__ == "__main__":
    main()
