"""Draws clips of sounds that are no engine, with what each is and whether it truly repeats."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.clipmaker import others_things as things
from tests.clipmaker import others_voices as voices
from tests.clipmaker import recording

Floats = NDArray[np.float64]
REPEATING = {
    "drone", "cricket", "siren", "hum", "pure_tone", "harmonic_tone", "clock", "metronome", "drums", "fan", "rotor",
    "electric_motor", "footsteps", "hoofs", "sewing_machine", "saw", "train_wheels", "dial_tones",
}  # fmt: skip
KINDS = {
    maker.__name__: maker
    for maker in (
        voices.speech, voices.crowd, voices.singing, voices.music, voices.drone, voices.bird, voices.cricket,
        voices.whistle, voices.siren, voices.dog, things.noise, things.wind, things.rain, things.sea, things.fire,
        things.hum, things.pure_tone, things.harmonic_tone, things.chirp, things.clock, things.metronome, things.drums,
        things.fan, things.rotor, things.electric_motor, things.typing, things.footsteps, things.hoofs, things.vinyl,
        things.bells, things.sewing_machine, things.saw, things.train_wheels, things.dial_tones, things.applause,
    )
}  # fmt: skip
BACKING = ("music", "drone", "singing")
RATES_HZ = (8000, 11025, 16000, 22050, 44100, 48000)


def other_clip(rng: np.random.Generator, index: int) -> tuple[Floats, int, dict[str, Any]]:
    """One non-engine clip; the kinds take turns, so that a set of any size holds all of them."""
    kind = tuple(KINDS)[index % len(KINDS)]
    rate = int(rng.choice(RATES_HZ, p=[0.1, 0.1, 0.15, 0.3, 0.3, 0.05]))
    seconds = 6.0 if rng.random() < 0.5 else float(rng.uniform(1.5, 12.0))
    samples = int(seconds * rate)
    x = KINDS[kind](rng, samples, rate)
    what = kind
    if kind == "drums" and rng.random() < 0.5:
        other = str(rng.choice(BACKING))
        backing = KINDS[other](rng, samples, rate)
        x = x / (x.std() + 1e-9) + rng.uniform(0.3, 1.2) * backing / (backing.std() + 1e-9)
        what = f"drums and {other}"
    if rng.random() < 0.35:
        x = recording.room(rng, x, rate, rng.uniform(0.2, 1.2), 10 ** rng.uniform(-1.5, 0))
    if rng.random() < 0.5:
        colour = str(rng.choice(["white", "pink", "wind", "traffic"]))
        x = x + x.std() * 10 ** (-rng.uniform(5, 35) / 20) * recording.coloured(rng, samples, rate, colour)
    if rng.random() < 0.15:
        x = recording.band_limited(x, rate, rng.uniform(80, 280), rng.uniform(3000, 8000))
    x = x * min(0.95 / (np.abs(x).max() + 1e-9), 0.25 / (x.std() + 1e-9))
    if rng.random() < 0.08:
        x = np.clip(x / np.quantile(np.abs(x), 0.98), -1, 1) * 0.999
    return x, rate, {"engine": False, "what": what, "periodic": kind in REPEATING, "fs": rate, "duration_s": seconds}
