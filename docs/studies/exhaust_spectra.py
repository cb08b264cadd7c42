"""Octave spectra of the ready exhausts, to set beside what the trade says of such exhausts.

Run: python docs/studies/exhaust_spectra.py. For a 270-degree twin at idle and at speed it prints each exhaust's level
against open stubs (before all are brought to one loudness), its octave levels against its own loudest octave, and the
ratio of peak to mean power. What to expect (common practice): each silencer takes more than the one before it, most of
all above 200 Hz; what a silencer leaves is low; open pipes crack, and bark at the quarter waves of their length.
"""

import numpy as np

from pulse_audio import catalogue
from pulse_audio.exhaust import exhaust_names, find_exhaust
from pulse_audio.firing import Liveliness
from pulse_audio.kernels import pulse_bank, speed_step
from pulse_audio.speed import SpeedCurve
from pulse_audio.synth import render

RATE = 48_000
OCTAVES_HZ = (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000)


def octaves_db(samples: np.ndarray) -> np.ndarray:
    """Return the power of each octave against the loudest."""
    power = np.abs(np.fft.rfft(samples)) ** 2
    frequency = np.fft.rfftfreq(samples.size, 1 / RATE)
    bands = [power[(frequency > hz / 2**0.5) & (frequency < hz * 2**0.5)].sum() for hz in OCTAVES_HZ]
    return np.asarray(10 * np.log10(np.array(bands) / max(bands)))


def main() -> None:
    """Print the tables."""
    layout, life = catalogue.layout("parallel-twin-270"), Liveliness()
    for rpm in (900.0, 4000.0):
        print(f"\n{layout.name} at {rpm:.0f} rpm; octaves in Hz, levels in dB")
        print(f"{'exhaust':22}{'level':>6}  " + "".join(f"{hz:>6g}" for hz in OCTAVES_HZ) + "   peak/mean")
        step = int(speed_step(np.array([rpm]))[0])
        first = None
        for name in exhaust_names():
            pipes = find_exhaust(name)
            level = pulse_bank(layout, pipes, life, RATE).level(step)[0]
            first = level if first is None else first
            speed = SpeedCurve.steady(rpm)
            samples = render(layout, speed, duration_s=4.0, sample_rate_hz=RATE, exhaust=pipes, life=life).samples
            crest = 20 * np.log10(np.abs(samples).max() / np.sqrt(np.mean(samples**2)))
            octaves = "".join(f"{x:6.0f}" for x in octaves_db(samples))
            print(f"{name:22}{level - first:6.0f}  {octaves}{crest:12.1f}")
    print(
        "\nThe open ones are within 2 dB of each other; the silenced ones are quieter, in the order of the catalogue."
    )


if __name__ == "__main__":
    main()
