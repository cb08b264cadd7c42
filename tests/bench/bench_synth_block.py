"""How long the loudspeaker waits for a block: ``python tests/bench/bench_synth_block.py``.

`next_block(128)` at 48 kHz, a V12 at 8000 rpm, stereo, noise on: the time of each block against the block's duration.
Target: 99.9th percentile below 10 %. The first two seconds, in which kernels are made, are set-up and not counted.
Processor time is what the block itself takes; on a machine that does other work the clock also shows its turns.
"""

import time

import numpy as np
from machine import machine, row

from pulse_audio import catalogue
from pulse_audio.exhaust import exhaust_names, find_exhaust
from pulse_audio.firing import Liveliness
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import Synth

RATE, FRAMES, BLOCKS = 48_000, 128, 40_000


def main() -> None:
    """Print the median and the 99.9th percentile, as shares of the block's 2.67 ms."""
    print(machine("numpy"))
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
        by_clock, own_time = np.quantile(share, [0.5, 0.999], axis=0).T
        row(
            f"`next_block(128)`, V12 at 8000 rpm, {name}: median and 99.9th percentile, of the block's time",
            f"{by_clock[0]:.1%}, {by_clock[1]:.1%}; of processor time {own_time[0]:.1%}, {own_time[1]:.1%}",
            "99.9th 10 %",
        )


if __name__ == "__main__":
    main()
