"""Loudness against ITU-R BS.1770 and EBU Tech 3341, and against an independent implementation.

The anchor (997 Hz at full scale in one channel reads -3.01 LKFS) is from BS.1770; cases 1 to 5 and their tolerance of
0.1 LU are from EBU Tech 3341, Table 1, as transcribed in public test suites. K gains are worked out from the printed
coefficients. pyloudnorm reads 0.04 LU low with its default filter (its high-pass is scaled to unity), so its other
filter class, which follows the standard, is used here.
"""

import numpy as np
import pytest

from pulse_audio import loudness
from pulse_audio.clip import Clip
from pulse_audio.errors import ClipError

ANCHOR_LUFS = -3.0103


def _sine(level_dbfs: float, seconds: float, *, hz: float = 1000.0, rate: int = 48_000) -> np.ndarray:
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


@pytest.mark.parametrize(("rate", "tolerance_lu"), [(48_000, 0.001), (44_100, 0.005), (96_000, 0.005), (8_000, 0.01)])
def test_anchor(rate: int, tolerance_lu: float) -> None:
    """A sine of 997 Hz at full scale reads -3.01 LUFS, at any sample rate."""
    clip = Clip(samples=_sine(0.0, 5.0, hz=997.0, rate=rate), sample_rate_hz=rate)
    assert loudness.integrated_lufs(clip) == pytest.approx(ANCHOR_LUFS, abs=0.005 + tolerance_lu)


@pytest.mark.parametrize("channels", [2, 3])
def test_channels_add_up(channels: int) -> None:
    """The same sine in two channels is 3.01 LU louder than in one, in three 4.77 LU."""
    one = _sine(-20.0, 2.0)
    found = loudness.integrated_lufs(Clip(samples=np.column_stack([one] * channels), sample_rate_hz=48_000))
    alone = loudness.integrated_lufs(Clip(samples=one, sample_rate_hz=48_000))
    assert found - alone == pytest.approx(10 * np.log10(channels), abs=1e-6)


@pytest.mark.parametrize("low_frequency_dbfs", [None, -10.0])
def test_surround_channels(low_frequency_dbfs: float | None) -> None:
    """EBU Tech 3341 case 6 reads -23.0 LUFS: L and R -28, C -24, Ls and Rs -30 dBFS (levels from memory).

    BS.1770 counts Ls and Rs by 1.41 and leaves the low-frequency channel out, whatever is in it.
    """
    fronts, rears = [_sine(level, 2.0) for level in (-28, -28, -24)], [_sine(-30, 2.0)] * 2
    low = [] if low_frequency_dbfs is None else [_sine(low_frequency_dbfs, 2.0)]
    clip = Clip(samples=np.column_stack([*fronts, *low, *rears]), sample_rate_hz=48_000)
    # Calculated with the weights -23.016; with 1.5 for the 1.41 it would be 0.08 LU more, with 1 it would be 0.37 less.
    assert loudness.integrated_lufs(clip) == pytest.approx(-23.016, abs=0.01)


@pytest.mark.parametrize(
    ("hz", "gain_db"),
    [(20, -13.27), (31.5, -7.79), (63, -2.66), (100, -1.13), (500, 0.04), (997, 0.691), (2000, 3.07), (10_000, 4.04)],
)
def test_k_weighting(hz: float, gain_db: float) -> None:
    """The K weighting has the gains that follow from the printed coefficients."""
    assert 20 * np.log10(abs(loudness.k_gain(np.array([hz]))[0])) == pytest.approx(gain_db, abs=0.01)


EBU_CASES = [
    ([(-23, 20)], "1"),
    ([(-33, 20)], "2"),
    ([(-36, 10), (-23, 60), (-36, 10)], "3"),
    ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], "4"),
    ([(-26, 20), (-20, 20.1), (-26, 20)], "5"),
]


@pytest.mark.parametrize(("parts", "case"), EBU_CASES, ids=[case for _, case in EBU_CASES])
def test_ebu_cases(parts: list[tuple[float, float]], case: str) -> None:
    """EBU Tech 3341 cases 1 to 5 read -23.0 LUFS (case 2: -33.0) within 0.1 LU."""
    wave = np.concatenate([_sine(level, seconds) for level, seconds in parts])
    clip = Clip(samples=np.column_stack((wave, wave)), sample_rate_hz=48_000)
    assert loudness.integrated_lufs(clip) == pytest.approx(-33.0 if case == "2" else -23.0, abs=0.1)


@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_agrees_with_pyloudnorm(rng: np.random.Generator, rate: int) -> None:
    """Swelling noise reads as by an independent implementation, within 0.02 LU."""
    pyloudnorm = pytest.importorskip("pyloudnorm")
    seconds = 12
    swell = np.interp(np.arange(seconds * rate) / rate, [0, 4, 5, 12], [0.001, 0.2, 0.01, 0.1])
    samples = swell[:, None] * rng.standard_normal((seconds * rate, 2))
    expected = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(samples)
    assert loudness.integrated_lufs(Clip(samples=samples, sample_rate_hz=rate)) == pytest.approx(expected, abs=0.02)


def test_pieces_make_the_whole(rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch) -> None:
    """Working in short pieces gives the same loudness as in one."""
    clip = Clip(samples=rng.standard_normal(100_000) * 0.1, sample_rate_hz=48_000)
    whole = loudness.integrated_lufs(clip)
    monkeypatch.setattr(loudness, "CHUNK_FRAMES", 7_000)
    assert loudness.integrated_lufs(clip) == pytest.approx(whole, abs=1e-6)


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100, 48_000, 192_000])
def test_one_block_is_enough(rate: int) -> None:
    """Exactly 0.4 s, one block of BS.1770, is measured; one frame less is not."""
    sine = _sine(0.0, 0.4, hz=997.0, rate=rate)
    found = loudness.integrated_lufs(Clip(samples=sine, sample_rate_hz=rate))
    assert found == pytest.approx(ANCHOR_LUFS, abs=0.05)  # its sudden start counts
    with pytest.raises(ClipError, match=r"needs at least 0\.4 s"):
        loudness.integrated_lufs(Clip(samples=sine[1:], sample_rate_hz=rate))


@pytest.mark.parametrize(("level_dbfs", "heard"), [(-69.5, True), (-70.5, False)])
def test_what_is_below_the_absolute_gate_is_silence(level_dbfs: float, heard: bool) -> None:
    """Blocks at or below -70 LKFS do not count (BS.1770); 1 kHz in two channels reads its level in dBFS (case 1)."""
    wave = _sine(level_dbfs, 1.0)
    found = loudness.integrated_lufs(Clip(samples=np.column_stack((wave, wave)), sample_rate_hz=48_000))
    assert found == (pytest.approx(level_dbfs, abs=0.1) if heard else -np.inf)


def test_silence_and_short_clips() -> None:
    """Silence has no loudness; less than one block of 0.4 s cannot be measured."""
    assert loudness.integrated_lufs(Clip(samples=np.zeros(48_000), sample_rate_hz=48_000)) == -np.inf
    with pytest.raises(ClipError, match=r"needs at least 0\.4 s"):
        loudness.integrated_lufs(Clip(samples=np.zeros(100), sample_rate_hz=48_000))
    with pytest.raises(ClipError, match=r"needs at least 0\.4 s"):
        loudness.match(
            [Clip(samples=_sine(-40, 1), sample_rate_hz=48_000), Clip(samples=np.zeros(100), sample_rate_hz=48_000)]
        )


def test_match_brings_clips_to_one_loudness(rng: np.random.Generator) -> None:
    """Matched clips read alike, with no peak above -1 dBFS."""
    clips = [
        Clip(samples=0.01 * rng.standard_normal(96_000), sample_rate_hz=48_000),
        Clip(samples=np.where(np.arange(96_000) % 4800 == 0, -0.5, 0.0), sample_rate_hz=48_000),
        Clip(samples=_sine(-3.0, 2.0), sample_rate_hz=48_000),
    ]
    for target in (None, -23.0, 0.0):
        matched = loudness.match(clips, target)
        levels = [loudness.integrated_lufs(c) for c in matched]
        assert max(levels) - min(levels) < 1e-6
        # The clicks ask for more than there is each time: their peaks, downwards, reach the limit.
        assert max(np.abs(c.samples).max() for c in matched) == pytest.approx(10 ** (-1 / 20))
    assert loudness.integrated_lufs(loudness.match(clips[:1], -23.0)[0]) == pytest.approx(-23.0, abs=1e-6)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("at", [0, 30_000, 47_999])
def test_what_is_no_number_is_no_silence(value: float, at: int) -> None:
    """One sample that is no number has no loudness: it is refused, not taken for silence."""
    samples = _sine(-20.0, 1.0)
    samples[at] = value
    with pytest.raises(ClipError, match="no numbers"):
        loudness.integrated_lufs(Clip(samples=samples, sample_rate_hz=48_000))


def test_match_leaves_silence_alone() -> None:
    """A silent clip among others stays silent and does not hold the others back."""
    clips = loudness.match(
        [Clip(samples=np.zeros(48_000), sample_rate_hz=48_000), Clip(samples=_sine(-40, 1), sample_rate_hz=48_000)],
        -23.0,
    )
    assert not clips[0].samples.any()
    assert loudness.integrated_lufs(clips[1]) == pytest.approx(-23.0, abs=1e-6)
