"""Notes about recordings: faults of known size, made here or by the independent clip maker, and sound without fault."""

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from pulse_audio.analysis import faults
from tests.clipmaker import recording
from tests.clipmaker.engine_clips import engine_clip
from tests.clipmaker.layouts import ENGINES

FS = 16_000
N = 95_000  # samples of each sound, 5.94 s: the clip maker leaves a few less than 6 s
CLEAN = {"spoil": False, "microphones": 1, "noise": "white", "snr_db": 25.0, "rate_hz": FS, "duration_s": 6.0}
MACHINES = (  # name, rpm, kind of speed curve, band: slow and fast, steady and not, few and many lines below 64 Hz
    ("single4", 700.0, "drift", "idle"),
    ("v45", 900.0, "blip", "idle"),
    ("ptwin270", 1000.0, "sweep", "idle"),
    ("four_flat", 1500.0, "drift", "low"),
    ("five", 1200.0, "hunt", "idle"),
    ("four_cross", 5000.0, "blip", "high"),
)


def engine(name: str, rpm: float, kind: str, band: str, **more: object) -> np.ndarray:
    """Engine sound with faint white noise and no fault, root mean square 0.05 to 0.25."""
    made = engine_clip(np.random.default_rng(7), engine=ENGINES[name], rpm=rpm, kind=kind, band=band, **(CLEAN | more))
    return made[0][:N, 0]


@pytest.fixture(scope="module")
def engines() -> list[np.ndarray]:
    return [engine(*machine) for machine in MACHINES]


def in_16_bits(x: np.ndarray) -> np.ndarray:
    return np.round(np.clip(x, -1, 1 - 2.0**-15) * 2**15) / 2**15


def tone(hz: float, seconds: float = 2.0, rate_hz: int = FS) -> np.ndarray:
    return np.sin(2 * np.pi * hz * np.arange(int(seconds * rate_hz)) / rate_hz)


def told(x: np.ndarray, start: str, rate_hz: int = FS) -> bool:
    """Whether one note begins like this."""
    return sum(note.startswith(start) for note in faults.recording_notes(x, rate_hz)) == 1


def percent(x: np.ndarray, start: str) -> float:
    """Read the share that the note with this beginning states."""
    (note,) = (n for n in faults.recording_notes(x, FS) if n.startswith(start))
    return float(note.split(" %")[0].split()[-1])


def shaped(rng: np.random.Generator, power_law: float) -> np.ndarray:
    """Noise of unit power whose density goes with this power of frequency, from 2 Hz up."""
    hz = np.fft.rfftfreq(N, 1 / FS)
    shape = np.where(hz >= 2, np.maximum(hz, 2) ** (power_law / 2), 0)
    x = np.fft.irfft(np.fft.rfft(rng.standard_normal(N)) * shape, N)
    return x / x.std()


def test_clean_engines_get_no_note(engines):
    """Engines whose speed wanders, rises or hunts, some firing near 50 Hz, have no fault, soft or as loud as can be."""
    for x in engines:
        assert faults.recording_notes(in_16_bits(x), FS) == ()
        assert faults.recording_notes(in_16_bits(x / np.abs(x).max()), FS) == ()
        assert faults.recording_notes(in_16_bits(0.1 * x), FS) == ()
        assert faults.hum_hz(x, FS) is None


def test_constant_is_silent_and_dither_is_not(rng):
    """A file of one value holds no sound; one step of 16 bits, 2^-15, is sound, if too quiet."""
    for x in (np.zeros(0), np.zeros(FS), np.full(FS, 0.25), np.full((FS, 2), -0.5)):
        assert faults.is_silent(x)
        assert faults.recording_notes(x, FS)[0].startswith("digital silence")
        assert len(faults.recording_notes(x, FS)) == 1
    dither = rng.integers(-1, 2, FS) / 2**15
    assert not faults.is_silent(dither)
    assert told(dither, "too quiet")


@pytest.mark.parametrize("gain", [0.999, 0.5, 0.05])
@pytest.mark.parametrize("ceiling", [0.5, 0.9, 0.99])
def test_share_of_clipped_sine(ceiling, gain):
    """A sine stays beyond a share c of its peak for 1 - 2 asin(c) / pi of the time (closed form), at any later gain.

    The ceiling counts from a thousandth of its height, or 1.5 steps of 16 bits, below it: the exact share there.
    """
    x = in_16_bits(gain * np.clip(tone(97.3, 10), -ceiling, ceiling) / ceiling)
    depth = max(1e-3, 1.5 * 2**-15 / gain)
    low, high = (1 - 2 / np.pi * np.arcsin(min(1, ceiling * at)) for at in (1 + depth, 1 - 2 * depth))
    assert low - 1e-3 < faults.clipped_share(x) < high + 1e-3


def test_loud_is_not_clipped(rng):
    """What reaches full scale unharmed is not called clipped: tones, noise, one-sided pulses, in 16 or 8 bits."""
    slow, aligned = tone(20.0), tone(1000.0, rate_hz=8000)  # 4 equal samples at each crest; the same 8 samples always
    pulses = np.maximum(tone(15.0), 0) ** 8
    waves = [slow, aligned, tone(50) + tone(75) / 2, rng.standard_normal(10 * FS), pulses, pulses - 0.3, -pulses]
    for wave in waves:
        loud = in_16_bits(0.9999 * wave / np.abs(wave).max())
        assert faults.clipped_share(loud) == 0
    assert faults.clipped_share(np.round(tone(97.3) * 127) / 128) == 0


def test_clipped_engine_is_told(engines):
    """One sample in a hundred cut off is found in each engine, also after turning the file down by 12 dB."""
    for x in engines:
        limit = np.quantile(np.abs(x), 0.99)
        for gain in (0.999, 0.25):
            clipped = in_16_bits(gain * np.clip(x / limit, -1, 1))
            assert faults.clipped_share(clipped) == pytest.approx(0.01, rel=0.15)  # and what lies 0.1 % below
            assert told(clipped, "clipped: ")


def test_dither_does_not_hide_a_ceiling(engines, rng):
    """Turned down by 34 dB with triangular dither of a step either way, a ceiling is two steps thick and still seen."""
    for x in engines:
        turned_down = 0.02 * np.clip(x / np.quantile(np.abs(x), 0.97), -1, 1)
        dither = (rng.uniform(-0.5, 0.5, N) + rng.uniform(-0.5, 0.5, N)) / 2**15
        assert faults.clipped_share(in_16_bits(turned_down + dither)) > 0.02


def test_one_clipped_channel_is_told(engines):
    """Channels are looked at one by one: the mean of a clipped and a whole one has no flat ceiling."""
    whole, other = engines[0] / np.abs(engines[0]).max(), engines[2] / np.abs(engines[2]).max()
    both = np.column_stack([np.clip(whole, -0.3, 0.3), other])
    assert faults.clipped_share(both.mean(axis=1)) == 0
    assert told(both, "clipped: ")


def test_quiet_recording_is_told(engines):
    """A root mean square of 10 steps of 16 bits, -70 dB of full scale, is too quiet; 100 steps, -50 dB, are not."""
    x = engines[0] / engines[0].std()
    notes = faults.recording_notes(in_16_bits(10 * x / 2**15), FS)
    assert any(note.startswith("too quiet: -70 dB") for note in notes)
    assert not told(in_16_bits(100 * x / 2**15), "too quiet")


def test_lost_pieces_are_counted(engines):
    """Ten milliseconds of zeros amid sound, half a packet of RFC 3551 (20 ms, from memory), count; ends do not."""
    for x in (engines[1], engines[3]):
        holes = x.copy()
        loud = np.flatnonzero(np.abs(x) > x.std())
        for at in (FS, 2 * FS, 4 * FS):
            start = loud[np.searchsorted(loud, at)] + 1
            end = loud[np.searchsorted(loud, start + FS // 100)]
            holes[start:end] = 0
        holes[:500] = holes[-500:] = 0
        assert faults.dropouts(holes, FS) == 3
        assert any("lost in 3 places" in note for note in faults.recording_notes(holes, FS))


def test_silence_between_pulses_is_no_loss():
    """Pulses that begin at once and die away to exact zeros leave gaps of silence that are their own."""
    t = np.arange(FS // 4) / FS
    pulse = in_16_bits(np.exp(-t / 0.004) * np.cos(2 * np.pi * 90 * t))
    assert np.count_nonzero(pulse == 0) > len(pulse) / 2
    assert faults.dropouts(np.tile(pulse, 12), FS) == 0


def test_slow_quiet_wave_has_no_losses():
    """A wave of 20 Hz over 8 steps stays in the middle step for 1 ms at a time: too short to be a loss."""
    x = np.round(8 * tone(20.0)) / 2**15
    assert np.count_nonzero(x == 0) > 30
    assert faults.dropouts(x, FS) == 0


def test_zeros_of_coarse_steps_are_no_loss(engines):
    """In few steps a wave rests at zero between its pulses; with a step or two beside them no packet was lost."""
    for steps in (10, 60):  # in half of full scale: a recording at -80 dB in 16 bits, and one in 8 bits
        x = np.round(engines[1] / np.abs(engines[1]).max() * steps)
        assert np.count_nonzero(x == 0) > len(x) / 10
        assert faults.dropouts(x, FS) == 0


def test_offset_is_told_where_it_costs_headroom(engines):
    """A fifth of full scale off zero costs 1.9 dB on one side and is told with its sign; a twentieth is harmless."""
    x = 0.5 * engines[0]
    assert told(x - 0.2, "the wave sits -0.20")
    assert faults.recording_notes(x + 0.05, FS) == ()


@pytest.mark.parametrize("level_db", [0.0, -6.0])
def test_wind_by_the_law_of_turbulence_is_told(engines, rng, level_db):
    """Noise that falls with f^(-5/3) is found in each engine; its power from 12 to 64 Hz is stated to a factor of 2.

    Of f^(-5/3) from 2 Hz up, 1 - (2 / 12)^(2/3) = 70 % lie below 12 Hz, where nothing is read, and a further
    (2 / 12)^(2/3) - (2 / 64)^(2/3) = 20 % there (integrals of the power law). Steps between bands and medians of few
    bins make the factor; whole per cents another 0.5.
    """
    ratio = 10 ** (level_db / 10)
    heard, low = ratio * (2 / 12) ** (2 / 3), ratio * ((2 / 12) ** (2 / 3) - (2 / 64) ** (2 / 3))
    for x in engines:
        stated = percent(x + x.std() * np.sqrt(ratio) * shaped(rng, -5 / 3), "wind, or a rumble like it")
        assert 50 * low / (1 + heard) - 0.5 < stated < 200 * low / (1 + heard) + 0.5


def test_gusts_of_the_clip_maker_are_told(engines, rng):
    """The clip maker's gusty wind 10 dB below the engine is told for each engine, 30 dB below it for none."""
    for x in engines:
        wind = x.std() * recording.coloured(rng, len(x), FS, "wind")
        assert told(x + 10 ** (-10 / 20) * wind, "wind")
        assert not told(x + 10 ** (-30 / 20) * wind, "wind")


@pytest.mark.parametrize("rate", [2000, 4000, 8000])
def test_hiss_without_colour_is_no_wind(rng, rate):
    """White noise has (64 - 12) / (rate / 2) of its power where wind is looked for, and is no denser there."""
    assert not told(0.1 * rng.standard_normal(6 * rate), "wind", rate)


def test_engine_below_64_hz_is_no_wind():
    """Lines fill 12 to 64 Hz at 700 rpm, smeared by a blip: still no wind, as nothing sounds below the cycle rate."""
    for name in ("single4", "v45", "ptwin180"):
        x = engine(name, 700.0, "blip", "idle", snr_db=40.0)
        power = np.abs(np.fft.rfft(x)) ** 2
        hz = np.fft.rfftfreq(len(x), 1 / FS)
        assert power[(hz > 12) & (hz < 64)].sum() > 0.05 * power.sum()
        assert faults.recording_notes(x, FS) == ()


def mains_hum(mains_hz: float) -> np.ndarray:
    """Five steady multiples of one strength, unit power."""
    x = sum(np.sin(2 * np.pi * k * mains_hz * np.arange(N) / FS + k) for k in range(1, 6))
    return x / x.std()


@pytest.mark.parametrize("real_hz", [49.85, 50.0, 50.1, 59.9, 60.15])
def test_hum_is_told_with_its_frequency_and_power(engines, real_hz):
    """Hum of a tenth of the engine's power, 9 % of the whole, within 0.2 Hz of 50 or 60: both are stated.

    A multiple that meets a line of the engine takes it up or is hidden: 1.8 % for each of five. The frequency is as
    fine as the bin that the fifth multiple stands in, and its neighbours: 1.5 bins over 5.
    """
    mains_hz = round(real_hz / 10) * 10
    for x, (name, *_) in zip(engines, MACHINES, strict=True):
        if mains_hz == 50 and name in ("four_flat", "five"):
            continue  # those fire there
        mixed = x + x.std() * np.sqrt(0.1) * mains_hum(real_hz)
        assert 9 - 2 * 1.8 - 0.5 < percent(mixed, f"mains hum at {mains_hz} Hz") < 9 + 2 * 1.8 + 0.5
        assert faults.mains_hz(mixed, FS) == pytest.approx(real_hz, abs=1.5 / 5 * FS / N)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_that_is_most_of_the_sound_is_named(engines, mains_hz):
    """Hum of four times the power of any engine is what the sound is; of a tenth of it never, wherever it fires."""
    for x in engines:
        assert faults.hum_hz(x + x.std() * 2 * mains_hum(mains_hz), FS) == mains_hz
        assert faults.hum_hz(x + x.std() * np.sqrt(0.1) * mains_hum(mains_hz), FS) is None


@pytest.mark.parametrize(("base_hz", "why"), [(51.0, "too far off"), (49.0, "too far off"), (55.0, "in between")])
def test_other_steady_lines_are_no_hum(rng, base_hz, why):
    """Steady lines at multiples of a frequency that no grid has are no hum."""
    x = sum(tone(base_hz * k, 6) / k for k in range(1, 6)) + 0.01 * rng.standard_normal(6 * FS)
    assert faults.hum_hz(x, FS) is None, why
    assert not told(0.1 * x, "mains hum")


@pytest.mark.parametrize(("name", "rpm"), [("four_flat", 1500.0), ("ptwin360", 3000.0), ("four_flat", 1800.0)])
def test_engine_that_fires_at_the_mains_frequency_is_no_hum(name, rpm):
    """50 or 60 firings a second by n rpm / 120 are no hum if the speed drifts by 1 to 3 %, or hunts."""
    for kind in ("drift", "hunt"):
        x = engine(name, rpm, kind, "low", wander=0.003)
        assert faults.recording_notes(x, FS) == ()
        assert faults.hum_hz(x, FS) is None


def test_uneven_engine_in_step_with_the_mains_is_no_hum(rng):
    """At exactly 1500 rpm a 270-450 twin has lines at 12.5 Hz and its multiples (|S_m|), not only at those of 50 Hz."""
    orders = np.arange(1, 40)
    pattern = np.abs(1 + np.exp(-2j * np.pi * orders * 270 / 720))
    x = sum(s / k * tone(12.5 * k, 6) for k, s in zip(orders, pattern, strict=True))
    x = 0.1 * (x + 0.05 * rng.standard_normal(len(x)))
    assert faults.hum_hz(x, FS) is None
    assert not told(x, "mains hum")


def test_short_clip_is_not_judged_for_hum():
    """In 2 s a line is 4 / 2 s = 2 Hz wide: pure hum passes without a verdict, in 4 s not."""
    hum = sum(tone(50.0 * k, 4) / k for k in range(1, 6))
    assert faults.hum_hz(hum[: 2 * FS], FS) is None
    assert faults.hum_hz(hum, FS) == 50.0


def test_telephone_band_is_told(engines):
    """A band of 300 to 3400 Hz (ITU-T P.310) takes the low orders of every engine."""
    telephone = butter(4, (300, 3400), "bandpass", fs=FS, output="sos")
    for x in engines:
        assert told(sosfilt(telephone, x), "hardly anything below 100 Hz")


def test_small_source_is_no_telephone(rng):
    """White flow from a small source, whose pressure density goes with f^2, lacks lows by nature, not by a filter."""
    x = 0.1 * shaped(rng, 2.0)
    power, hz = np.abs(np.fft.rfft(x)) ** 2, np.fft.rfftfreq(len(x), 1 / FS)
    assert power[(hz > 12) & (hz < 100)].sum() < 0.001 * power.sum()
    assert faults.recording_notes(x, FS) == ()


def test_low_sample_rate_is_told(engines):
    """Of a rate of 4 kHz the note states what is lost, above 2 kHz (sampling theorem), and 8 kHz will do."""
    for rate, lost in ((4000, True), (8000, False)):
        x = recording.resampled(engines[2], FS, rate)
        notes = faults.recording_notes(x, rate)
        assert ["above 2000 Hz is lost" in note for note in notes] == [True] * lost


def test_shares_do_not_depend_on_gain(engines, rng):
    """Turning a recording down changes no note but those on level."""
    x = engines[4] + 0.5 * engines[4].std() * (shaped(rng, -5 / 3) + recording.hum(rng, N, FS))
    loud = faults.recording_notes(0.5 * x, FS)
    assert len(loud) == 2
    soft = faults.recording_notes(1e-4 * x, FS)
    assert soft[0].startswith("too quiet")
    assert soft[1:] == loud


@pytest.mark.parametrize("rate_hz", [1, 500, 1000, 1999, 8000, 11_025, 44_100, 192_000])
def test_any_rate_and_length_passes(rng, rate_hz):
    """From two samples up, at any rate, with zeros at the ends or between, each note is one line with what to do."""
    for length in (2, 3, 10, 1000, 30_011):
        x = 0.1 * rng.standard_normal(length)
        x[length // 3 : length // 2] = 0
        for note in faults.recording_notes(x, rate_hz):
            assert "; " in note and "\n" not in note and not note.endswith(".")
        assert faults.hum_hz(x, rate_hz) is None


def test_needed_length_is_twelve_cycles():
    """Three frames of four cycles: at 900 rpm a four-stroke (7.5 cycles a second) needs 1.6 s, a two-stroke 0.8 s."""
    assert faults.shortest_needed_s(7.5) == pytest.approx(1.6)
    assert faults.shortest_needed_s(15.0) == pytest.approx(0.8)
    note = faults.too_short_note(0.8, 7.0)
    assert "0.8 s" in note and "6 cycles" in note and "1.8 s" in note  # 5.6 cycles; 12 / 7 = 1.714 s, rounded up
