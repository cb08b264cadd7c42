"""The level of what is played: its pace, its fades, and the peak that is shown."""

import numpy as np
import pytest

from pulse_audio.fader import Fader, PeakHold

RATE_HZ = 8_000


def _gains(fader: Fader, seconds: float, block: int = 64, *, sounding: bool = True) -> np.ndarray:
    return np.concatenate([fader.gains(block, sounding=sounding) for _ in range(round(seconds * RATE_HZ / block))])


@pytest.mark.parametrize("block", [16, 800])
def test_first_rise_is_slow_and_later_ones_quick(block: int) -> None:
    """From -40 to -12 dB in 2 s, to be taken off in time; then 6 dB in 60 ms, up and down, without a jump."""
    fader = Fader(-12.0, RATE_HZ)
    rising_db = 20 * np.log10(_gains(fader, 2.2, block))
    time_s = np.arange(1, rising_db.size + 1) / RATE_HZ
    # Opening takes 30 ms; within a block the gain goes straight, so that its level in dB is up to 0.2 off.
    expected_db = np.minimum(-40.0 + 14.0 * time_s, -12.0)
    assert rising_db[time_s > 0.1] == pytest.approx(expected_db[time_s > 0.1], abs=0.2)
    for wanted_db in (-6.0, -12.0):
        fader.wanted_db = wanted_db
        gains = _gains(fader, 0.1, block)
        assert 20 * np.log10(gains[-1]) == pytest.approx(wanted_db)
        assert np.abs(np.diff(gains)).max() < 0.001  # 100 dB/s is 0.14 % a frame, of a gain of up to 1/2
        if block == 16:
            assert 20 * np.log10(gains[round(0.03 * RATE_HZ) - 1]) == pytest.approx(-9.0, abs=0.1)  # half-way


def test_shutting_and_opening_are_raised_cosines_of_30_ms() -> None:
    """Half-way after 15 ms, all the way after 30; at its steepest pi/2 over the length a frame (its derivative)."""
    fader, length = Fader(0.0, RATE_HZ), round(0.03 * RATE_HZ)
    assert fader.is_shut
    _gains(fader, 4.0)
    for sounding, ends in ((False, (1.0, 0.0)), (True, (0.0, 1.0))):
        gains = fader.gains(2 * length, sounding=sounding)
        assert gains[length // 2 - 1] == pytest.approx(0.5)
        assert np.all(gains[length - 1 :] == ends[1])
        whole = np.append(ends[0], gains)
        assert np.abs(np.diff(whole)).max() == pytest.approx(np.pi / 2 / length, rel=1e-3)
        assert fader.is_shut == (not sounding)
        assert np.all(fader.gains(8, sounding=sounding) == ends[1])


def test_a_fade_goes_on_from_where_it_stands() -> None:
    """Held and released at once, the gain turns round without a jump; in blocks of any size it is the same."""
    turned = []
    for block in (1, 16, 80):
        fader = Fader(0.0, RATE_HZ)
        _gains(fader, 4.0)
        turned.append(np.append(_gains(fader, 0.01, block, sounding=False), _gains(fader, 0.02, block)))
    assert 0.7 < turned[0].min() < 0.8  # a third of the way: 0.5 + 0.5 cos(pi / 3) = 0.75
    assert turned[0][-1] == 1.0
    assert turned[1] == pytest.approx(turned[0]) and turned[2] == pytest.approx(turned[0])


@pytest.mark.parametrize("kept", [1, 500, 5000])
@pytest.mark.parametrize("channels", [1, 2])
def test_peak_is_the_highest_of_the_last_frames(rng: np.random.Generator, kept: int, channels: int) -> None:
    """At the end of each block the peak is the highest sample of the blocks that end within the last frames."""
    hold, blocks, ends, frame = PeakHold(), [], [], 0
    for size in rng.integers(1, 400, 200).tolist():
        block = rng.uniform(-1, 1, (size, channels)) * rng.uniform(0, 1)
        frame += size
        blocks.append(block)
        ends.append(frame)
        late = [b for b, end in zip(blocks, ends, strict=True) if end >= frame - kept]
        assert hold.after(block if channels > 1 else block[:, 0], kept) == max(np.abs(b).max() for b in late)
