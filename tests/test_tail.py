"""Sound on its way out: the sum of kernels, the ceiling for peaks, and the soft start and end."""

import numpy as np
import pytest

from pulse_audio.tail import MOST_FRAMES, Tail, limited, soften

RATE_HZ = 48_000


def test_kernels_add_up(rng: np.random.Generator) -> None:
    """What comes out is the plain sum of all rows at their starts, however much is taken at once and lies ahead."""
    tail, taken, at = Tail(), [], 0
    expected = np.zeros(5 * MOST_FRAMES)
    assert tail.ringing == 0
    for count in (1, 700, MOST_FRAMES, 5, MOST_FRAMES - 3, 40_000):
        for length in (1, 900):
            starts = np.sort(rng.integers(0, 3 * MOST_FRAMES // 2, 40))
            rows = rng.uniform(-1, 1, (40, length)).astype(np.float32)
            tail.add(starts.tolist(), rows)
            for start, row in zip(starts, rows, strict=True):
                expected[at + start : at + start + length] += row
        taken.append(tail.head(count).copy())
        tail.drop(count)
        at += count
        assert not expected[at + tail.ringing :].any()
        assert expected[at + tail.ringing - 1] != 0.0
    # Single precision: a few dozen rows of up to 1 on top of one another.
    assert np.abs(np.concatenate(taken) - expected[:at]).max() < 1e-5
    tail.drop(3 * MOST_FRAMES)
    assert tail.ringing == 0
    assert not tail.head(MOST_FRAMES).any()


def test_loud_peaks_are_bent_below_minus_1_dbfs() -> None:
    """Up to -3 dBFS nothing changes; what is louder stays in order, smooth, and below -1 dBFS, alike up and down."""
    loud = np.concatenate((np.linspace(0.0, 2.0, 20_001), [10.0, 1000.0])).astype(np.float32)
    bent = limited(loud)
    quiet = loud <= 10 ** (-3 / 20)
    assert np.array_equal(bent[quiet], loud[quiet])
    assert np.all(np.diff(bent) >= 0) and np.all(np.diff(bent[:10_000]) > 0)
    assert 10 ** (-1.2 / 20) < bent.max() < 10 ** (-1 / 20)
    assert np.abs(np.diff(bent[:20_001], 2)).max() < 2e-6  # no corner: a bend from slope 1 to 0.9 would make 1e-5
    assert np.array_equal(limited(-loud), -bent)
    assert np.array_equal(limited(np.array([0.9, -1.5, 0.1], dtype=np.float32))[2:], np.float32([0.1]))
    assert limited(loud[:0]).size == 0


@pytest.mark.parametrize("shape", [(), (2,)])
@pytest.mark.parametrize("block", [7, 333, 10_000])
def test_start_and_end_are_soft(shape: tuple[int, ...], block: int) -> None:
    """1 ms to rise, so that a first pulse stays whole, and 50 ms to fall, by half a cosine; the same in any blocks."""
    whole = np.ones((10_000, *shape))
    for at in range(0, 10_000, block):
        soften(whole[at : at + block], at, 10_000, RATE_HZ)
    rise, fall = RATE_HZ // 1000, RATE_HZ // 20
    # Raised cosines: half of the way in half of the time, frames taken at their middles.
    for channel in whole.reshape(10_000, -1).T:
        assert channel[:rise] == pytest.approx(np.sin(_quarter(rise)) ** 2)
        assert channel[-fall:] == pytest.approx(np.cos(_quarter(fall)) ** 2)
        assert np.all(channel[rise:-fall] == 1.0)


def _quarter(frames: int) -> np.ndarray:
    return np.pi / 2 * (np.arange(frames) + 0.5) / frames


def test_sound_too_short_for_its_fades_keeps_its_middle() -> None:
    """Of 10 ms neither fade takes more than half; nothing turns round or goes missing."""
    short = np.ones(480)
    soften(short, 0, 480, RATE_HZ)
    assert short[200:240] == pytest.approx(np.ones(40))
    assert np.all(np.diff(short[240:]) < 0) and short[-1] < 1e-4
