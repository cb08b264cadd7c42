"""How long the loudspeaker waits for a block: ``python tests/bench/bench_synth_block.py``.

`next_block(128)` at 48 kHz, a V12 at 8000 rpm, stereo, noise on: the time of each block against the block's duration.
Target: 99.9th percentile below 10 %. The first two seconds, in which kernels are made, are set-up and not counted.
Processor time is what the block itself takes; on a machine that does other work the clock also shows its turns.
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
    """Print percentiles, as shares of the block's 2.67 ms."""
    print(machine("numpy"))
    print("                       by the clock                          processor time of the thread")
    print("exhaust                 median     99 %   99.9 %    worst     median     99 %   99.9 %    worst")
    for name in exhaust_names():
        synth = Synth(
            catalogue.layout("v12-60"),
            SpeedCurve.steady(8000.0),
            sample_rate_hz=RATE,
            exhaust=find_exhaust(name),
            life=Liveliness(),
            stereo=True,
        )
        synth.next_block(2 * RATE)
        times = np.empty((BLOCKS, 2))
        for index in range(BLOCKS):
            start, own = time.perf_counter(), time.thread_time()
            synth.next_block(FRAMES)
            times[index] = time.perf_counter() - start, time.thread_time() - own
        share = times / (FRAMES / RATE)
        marks = np.concatenate((np.quantile(share, [0.5, 0.99, 0.999], axis=0), share.max(axis=0)[None])).T
        columns = ("".join(f"{100 * mark:8.1f}%" for mark in row) for row in marks)
        print(f"{name:20}" + "  ".join(columns))


if __name__ == "__main__":
    main()
