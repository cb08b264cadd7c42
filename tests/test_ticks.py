"""Crank ticks: each cylinder's own pitch, the lower tone that begins a cycle, and their places between samples."""

import numpy as np
import pytest

from pulse_audio.catalogue import layout
from pulse_audio.layout import Cylinder, Layout
from pulse_audio.pulse import SHIFTS
from pulse_audio.ticks import Ticks

RATE_HZ = 48_000


def _wave(ticks: Ticks, cylinder: int, shift: int = 0) -> np.ndarray:
    (key,) = ticks.keys(np.array([cylinder]), np.array([shift]))
    return ticks.wave(int(key)).astype(np.float64)


def _level(wave: np.ndarray, hz: float) -> float:
    return float(abs(wave @ np.exp(-2j * np.pi * hz * np.arange(wave.size) / RATE_HZ)))


@pytest.mark.parametrize("name", ["single-four-stroke", "boxer-twin", "inline-four", "v12-60"])
def test_each_cylinder_has_its_pitch_within_an_octave(name: str) -> None:
    """Cylinder 1 ticks at 1400 Hz, the others above it in even steps, never an octave higher (as the module says)."""
    this = layout(name)
    ticks, count = Ticks(this, RATE_HZ), len(this.cylinders)
    spectra = [np.abs(np.fft.rfft(_wave(ticks, k), RATE_HZ)) for k in range(count)]
    pitch_hz = np.array([1000 + np.argmax(s[1000:4000]) for s in spectra])
    # Lines of a tick that dies away in 3 ms are 100 Hz wide: its attack moves the top by a few hertz.
    assert pitch_hz[0] == pytest.approx(1400, rel=0.02)
    assert pitch_hz / pitch_hz[0] == pytest.approx(2 ** (np.arange(count) / max(count, 4)), rel=0.02)


def test_the_first_of_the_cycle_sounds_a_lower_tone() -> None:
    """The cylinder that fires first, whatever its number, has a tone of 500 Hz louder than its own; the others none."""
    this = Layout(name="late", cylinders=tuple(Cylinder(firing_deg=a) for a in (540.0, 180.0, 0.0, 360.0)))
    waves = [_wave(Ticks(this, RATE_HZ), k) for k in range(4)]
    low = [_level(w, 500.0) for w in waves]
    assert int(np.argmax(low)) == 2
    assert low[2] > 3 * max(low[:2] + low[3:])
    assert low[2] > _level(waves[2], 1400.0 * 2**0.5)
    spectrum = np.abs(np.fft.rfft(waves[2], RATE_HZ))
    assert 200 + np.argmax(spectrum[200:1000]) == pytest.approx(500.0, rel=0.05)  # as wide as the others' lines


def test_ticks_begin_and_end_at_silence() -> None:
    """A tick is at its peak of 1 within 2 ms, and 1 % of that is left after 18 ms: it is soft, and short."""
    for cylinder in range(4):
        wave = np.abs(_wave(Ticks(layout("inline-four"), RATE_HZ), cylinder))
        assert wave.max() == 1.0
        assert np.argmax(wave) < 0.002 * RATE_HZ
        assert wave[0] == 0.0
        assert wave[round(0.018 * RATE_HZ) :].max() < 0.01
        assert wave.size == round(0.02 * RATE_HZ)


@pytest.mark.parametrize("cylinder", [0, 2])
@pytest.mark.parametrize("shift", [1, SHIFTS // 2, SHIFTS - 1])
def test_shifted_ticks_are_later(cylinder: int, shift: int) -> None:
    """A tick that begins part of a sample late has its phase turned by that delay (shift property)."""
    ticks = Ticks(layout("inline-four"), RATE_HZ)
    hz = np.array([800.0, 1400.0, 2000.0, 2400.0])
    turn = np.exp(-2j * np.pi * np.outer(hz, np.arange(960)) / RATE_HZ)
    first, later = (turn @ _wave(ticks, cylinder, s) for s in (0, shift))
    # The sampled attack of 0.5 ms is not quite band-limited, and the peak of 1 is that of the samples.
    assert np.angle(later / first) / (2 * np.pi * hz / RATE_HZ) == pytest.approx(-shift / SHIFTS, abs=0.02)
