"""The engine under the keys: level, hold, switch, speed, cylinders, without a sound device."""

import threading
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray
from plain_ear import gaps_s

from pulse_audio.catalogue import layout, layout_names
from pulse_audio.controls import KEYS, press
from pulse_audio.errors import ExhaustError, RangeError
from pulse_audio.exhaust import exhaust_names, find_exhaust
from pulse_audio.firing import Liveliness
from pulse_audio.kernels import PulseBank, pulse_bank
from pulse_audio.layout import from_intervals
from pulse_audio.live import SILENT_DB, LiveEngine, Scene
from pulse_audio.synth import Synth

RATE_HZ = 48_000
BLOCK = 256
EXHAUSTS = [find_exhaust(name) for name in exhaust_names()]
Floats = NDArray[np.float64]


def engine(*names: str, rpm: float = 240, **options: Any) -> LiveEngine:
    layouts = [layout(name) for name in names or ("parallel-twin-360",)]
    return LiveEngine(layouts, EXHAUSTS, rpm=rpm, sample_rate_hz=RATE_HZ, **options)


def heard(live: LiveEngine, seconds: float) -> Floats:
    return np.concatenate([live.next_block(BLOCK) for _ in range(round(seconds * RATE_HZ / BLOCK))])


def tap(live: LiveEngine, *keys: str) -> Scene:
    typed = ""
    for key in keys:
        pressed = press(typed, key)
        typed = pressed.typed
        live.perform(pressed.action)
    return live.scene()


def settled(live: LiveEngine, number: int, exhaust: str = "open-stubs") -> Floats:
    """Play on until the kernels of what was asked for are ready and it has been taken up."""
    until = time.monotonic() + 20.0
    while (live.scene().layout_number, live.scene().exhaust) != (number, exhaust):
        assert time.monotonic() < until
        live.next_block(BLOCK)
        time.sleep(0.001)
    return heard(live, 3.0)


def rms_db(samples: Floats) -> float:
    return float(10 * np.log10(np.mean(samples**2)))


def test_begins_softly_and_rises_to_its_level() -> None:
    """From -40 to -12 dB in 2 s, 14 dB a second: slow enough to take headphones off."""
    live, part_s = engine("v12-60", rpm=3000), 18 * BLOCK / RATE_HZ
    parts_db = np.array([rms_db(heard(live, part_s)) for _ in range(30)])
    middle_s = part_s * (np.arange(30) + 0.5)
    # The first part holds the rise of the sound itself; 0.2 dB for what the firings in a part differ by.
    assert parts_db[1:] - parts_db[-1] == pytest.approx(np.minimum(14.0 * (middle_s[1:] - 2.0), 0.0), abs=0.2)
    assert parts_db[0] < parts_db[1]
    assert live.scene().level_db == -12.0


def test_level_keys_step_by_two_decibels_and_end_at_the_loudest() -> None:
    """Up by 2 dB each, and not beyond 0; the peaks never pass -1 dBFS (DESIGN: peaks limited)."""
    live = engine("v12-60", rpm=3000)
    heard(live, 3.0)
    before = rms_db(heard(live, 1.0))
    tap(live, "+")
    heard(live, 0.1)
    assert rms_db(heard(live, 1.0)) - before == pytest.approx(2.0, abs=0.1)
    scene = tap(live, *["+"] * 9)
    assert scene.level_db == 0.0
    assert "loudest" in scene.note
    heard(live, 0.5)
    assert np.abs(heard(live, 2.0)).max() < 10 ** (-1 / 20)
    assert tap(live, *["-"] * 30).level_db == -40.0


@pytest.mark.parametrize("level_db", [0.5, -41.0, float("nan")])
def test_level_out_of_range_is_refused(level_db: float) -> None:
    """No way to start louder than the loudest."""
    with pytest.raises(RangeError, match="level"):
        engine(level_db=level_db)


def test_layouts_switch_at_the_same_speed_and_loudness() -> None:
    """The intervals change, the cycle does not, and the level stays within half a decibel."""
    live = engine("parallel-twin-360", "parallel-twin-180")
    heard(live, 3.0)
    before = heard(live, 3.0)
    tap(live, "tab")
    after = settled(live, 2)
    for samples, expected in ((before, [360, 360]), (after, [180, 540])):
        gaps = gaps_s(samples, RATE_HZ, 2)
        assert gaps.sum() == pytest.approx(0.5, abs=0.001)
        assert 720 * gaps / gaps.sum() == pytest.approx(expected, abs=2.0)
    assert rms_db(after) == pytest.approx(rms_db(before), abs=0.5)
    live.close()


def test_layouts_are_reached_forwards_backwards_and_by_number() -> None:
    """Tab goes round, Shift-Tab back, a number and Tab straight there; a wrong number is told and changes nothing."""
    live = engine("boxer-twin", "v-twin-45", "inline-four")
    for keys, number in ((["tab"], 2), (["tab"], 3), (["tab"], 1), (["shift-tab"], 3), (["2", "tab"], 2)):
        tap(live, *keys)
        settled(live, number)
    assert tap(live, "9", "tab").note == "there is no layout 9; 1 to 3 are there"
    assert tap(live, "j").note == ""  # though it does nothing
    live.close()
    assert "only one layout" in tap(engine(), "tab").note


def test_every_ready_exhaust_comes_in_turn() -> None:
    """The key x goes through all of them and back to the first."""
    live = engine()
    seen = []
    for exhaust in [*EXHAUSTS[1:], EXHAUSTS[0]]:
        tap(live, "x")
        settled(live, 1, exhaust.name)
        seen.append(live.scene().exhaust)
    assert len(set(seen)) == len(EXHAUSTS)
    live.close()


def test_sound_goes_on_while_the_next_exhaust_is_made_ready(monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the kernels of a new exhaust are there the old one sounds; no block waits for them."""
    ready = threading.Event()
    monkeypatch.setattr("pulse_audio.live.prepare", lambda *_, **__: ready.wait(20))
    live = engine("v12-60", rpm=3000)
    tap(live, "x")
    assert np.any(heard(live, 0.5))
    assert live.scene().exhaust == EXHAUSTS[0].name
    ready.set()
    settled(live, 1, EXHAUSTS[1].name)
    live.close()


def test_helper_threads_leave_the_running_engine_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """The speed for which kernels are made is read by the thread that asks for them: none but it may use a `Synth`."""
    used: set[str] = set()
    rpm = Synth.rpm.__get__

    def told(self: Synth) -> float:
        used.add(threading.current_thread().name)
        return float(rpm(self))

    monkeypatch.setattr(Synth, "rpm", property(told))
    live = engine("boxer-twin", "v-twin-45")
    live.prepare_neighbours()
    tap(live, "tab")
    settled(live, 2)
    live.close()
    assert used == {threading.current_thread().name}


def test_kernels_are_ready_when_a_key_asks_for_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """More layouts and exhausts than kernels are kept of: however they come, the sound makes none itself."""
    names = [name for name in layout_names() if len(layout(name).cylinders) == 2][:6]
    assert len(names) * len(EXHAUSTS) > 32
    makers: list[threading.Thread] = []
    make = PulseBank.__init__

    def noted(self: PulseBank, *args: Any, **options: Any) -> None:
        makers.append(threading.current_thread())
        make(self, *args, **options)

    monkeypatch.setattr(PulseBank, "__init__", noted)
    pulse_bank.cache_clear()
    live = engine(*names, rpm=3000)
    live.prepare_neighbours()
    for number in (*range(2, len(names) + 1), 1):
        tap(live, "tab")
        settled(live, number)
    tap(live, "x")
    settled(live, 1, EXHAUSTS[1].name)
    live.close()
    assert makers.count(threading.current_thread()) == 1  # the first, before anything sounds


def test_hold_stops_crank_and_sound_and_goes_on_from_there() -> None:
    """Held, the crank stands; released, it goes on where it stood, and neither clicks."""
    live = engine("v12-60", rpm=3000)
    heard(live, 3.0)
    loud = heard(live, 0.5)
    tap(live, "space")
    fading = heard(live, 0.1)
    assert not np.any(fading[-BLOCK:])
    stood = live.scene().crank_deg
    assert not np.any(heard(live, 0.5))
    assert live.scene().crank_deg == stood
    tap(live, "space")
    rising = heard(live, 0.1)
    steepest = np.abs(np.diff(loud)).max()
    assert np.abs(np.diff(np.concatenate([loud, fading]))).max() <= 1.1 * steepest
    assert np.abs(np.diff(rising)).max() <= 1.1 * steepest


def test_speed_keys() -> None:
    """Steps of 50 and 500, a typed number, the ends of the range, and a number that is refused."""
    live = engine(rpm=900)
    assert tap(live, "right").wanted_rpm == 950
    assert tap(live, "left", "left").wanted_rpm == 850
    assert tap(live, "up").wanted_rpm == 1350
    assert tap(live, "down").wanted_rpm == 850
    assert tap(live, "6", "0", "0", "0", "enter").wanted_rpm == 6000
    assert tap(live, *"99999", "enter").note == "99999 rpm is out of range; give 20 to 15000 rpm"
    assert live.scene().wanted_rpm == 6000
    assert tap(live, *"15000", "enter", "up").wanted_rpm == 15000
    assert tap(live, *"20", "enter", "left").wanted_rpm == 20
    assert tap(live, "1", "2", "backspace", "5", "0", "enter").wanted_rpm == 150
    heard(live, 4.0)
    assert live.scene().rpm == pytest.approx(150)


@pytest.mark.parametrize(("name", "slow_rpm"), [("single-four-stroke", 360), ("boxer-twin", 180), ("v12-60", 30)])
def test_slow_makes_three_pulses_a_second_and_comes_back(name: str, slow_rpm: float) -> None:
    """Three pulses a second: 120 * 3 / cylinders rpm for an even four-stroke (firing rate = n rpm / 120)."""
    live = engine(name, rpm=3000)
    scene = tap(live, "s")
    assert scene.wanted_rpm == pytest.approx(slow_rpm)
    assert scene.slow
    heard(live, 4.0)
    assert live.scene().rpm == pytest.approx(slow_rpm)
    scene = tap(live, "s")
    assert scene.wanted_rpm == 3000
    assert not scene.slow


def test_slow_follows_the_layout_and_small_steps_stay_in_it() -> None:
    """Another layout goes at its own slow speed; a step of speed is not forgotten as the way back; going up ends it."""
    live = engine("boxer-twin", "single-four-stroke", rpm=3000)
    tap(live, "s", "tab")
    settled(live, 2)
    assert live.scene().wanted_rpm == pytest.approx(360)  # 120 * 3 / 1 cylinder
    assert tap(live, "left").slow
    assert tap(live, "s").wanted_rpm == 3000
    tap(live, "s")
    assert not tap(live, *"4000", "enter").slow
    assert tap(live, *"100", "enter", "s").note == "it already runs so slowly that the pulses can be counted"
    live.close()


def test_gliding_ends_when_the_wanted_speed_is_reached() -> None:
    """Idle hunting is no change of speed: at first nothing glides, after a key it does, and then no more."""
    live = engine(rpm=900, life=Liveliness())
    heard(live, 1.0)
    assert not live.scene().gliding
    assert tap(live, "up").gliding
    heard(live, 2.0)
    assert not live.scene().gliding
    assert live.scene().rpm == pytest.approx(1400, rel=0.05)


def test_speed_chosen_while_held_is_that_at_which_it_goes_on() -> None:
    """The crank stands, so there is nothing to glide: the first block after the hold has the new speed."""
    live = engine(rpm=900)
    heard(live, 1.0)
    tap(live, "space")
    heard(live, 0.1)
    assert tap(live, "up").wanted_rpm == 1400
    tap(live, "space")
    heard(live, 0.01)
    assert live.scene().rpm == pytest.approx(1400)


def test_peak_is_held_from_one_pulse_to_the_next() -> None:
    """Between the pulses of a single at 60 rpm, 2 s apart, the peak told is that of the pulse before."""
    live = engine("single-four-stroke", rpm=60)
    heard(live, 6.0)
    peaks, blocks = [], []
    for _ in range(round(4.0 * RATE_HZ / BLOCK)):
        blocks.append(live.next_block(BLOCK))
        peaks.append(live.scene().peak_db)
    highest_db = 20 * np.log10(np.abs(np.concatenate(blocks)).max())
    assert peaks == pytest.approx([highest_db] * len(peaks), abs=1.0)
    tap(live, "space")
    heard(live, 0.1)
    assert live.scene().peak_db == SILENT_DB


@pytest.mark.parametrize("rpm", [400, 900, 3000])
def test_layouts_and_exhausts_are_equally_loud(rpm: float) -> None:
    """From one cylinder to twelve, through open stubs and straight pipes, pyloudnorm finds less than 1 dB between them.

    A kernel belongs to a step of 6 % in speed, and scatter is drawn by chance: that is worth some 0.3 dB.
    """
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    lufs = []
    for exhaust in ("open-stubs", "straight-pipes"):
        for name in ("single-four-stroke", "parallel-twin-180", "inline-four", "v12-60"):
            live = LiveEngine(
                [layout(name)], [find_exhaust(exhaust)], rpm=rpm, sample_rate_hz=RATE_HZ, life=Liveliness(), level_db=0
            )
            heard(live, 4.0)
            lufs.append(meter.integrated_loudness(heard(live, 8.0)))
    assert max(lufs) - min(lufs) < 1.0, lufs


def test_level_does_not_depend_on_the_speed_at_the_beginning() -> None:
    """At 900 rpm an engine is as loud after a start at 6000 as after one at 900."""
    levels = []
    for rpm in (900, 6000):
        live = engine("inline-four", rpm=rpm)
        tap(live, *"900", "enter")
        heard(live, 4.0)
        levels.append(rms_db(heard(live, 2.0)))
    assert levels[0] == pytest.approx(levels[1], abs=0.1)


def test_capital_letters_are_the_same_keys() -> None:
    """With Caps Lock on, Q quits and H shows the keys."""
    assert press("", "Q").quits
    assert press("", "H").turns_keys
    assert press("12", "C").action is not None


def test_cylinders_are_dropped_and_restored() -> None:
    """A number and c drops that cylinder and brings it back, c alone all; another layout begins whole."""
    live = engine("inline-four", "boxer-twin")
    assert tap(live, "2", "c", "3", "c").dropped == {2, 3}
    assert tap(live, "2", "c").dropped == {3}
    assert tap(live, "c").dropped == frozenset()
    assert tap(live, "5", "c").note == "there is no cylinder 5; 1 to 4 are there"
    tap(live, "4", "c", "tab")
    settled(live, 2)
    assert live.scene().dropped == frozenset()
    live.close()


def test_duration_ends_with_a_fade_to_the_frame() -> None:
    """A given length is kept to the frame, and the last sample is near silence."""
    live = engine("v12-60", rpm=3000, duration_s=3.0015)
    blocks = []
    while not blocks or len(blocks[-1]) == BLOCK:
        blocks.append(live.next_block(BLOCK))
    samples = np.concatenate(blocks)
    assert samples.size == round(3.0015 * RATE_HZ)
    assert abs(samples[-1]) < 0.01 * np.abs(samples).max()


@pytest.mark.parametrize("stereo", [False, True])
@pytest.mark.parametrize(("duration_s", "block"), [(0.02, BLOCK), (0.1, 4800), (0.1, 8192), (3.0015, 8192)])
def test_sound_lasts_until_the_fade_in_blocks_of_any_size(duration_s: float, block: int, stereo: bool) -> None:
    """A length that fits in one block, or ends within a long one, sounds up to the 30 ms of the fade."""
    live = engine("v12-60", rpm=3000, duration_s=duration_s, stereo=stereo)
    blocks = [live.next_block(block)]
    while len(blocks[-1]):
        blocks.append(live.next_block(block))
    samples = np.concatenate(blocks)
    assert samples.shape == ((round(duration_s * RATE_HZ), 2) if stereo else (round(duration_s * RATE_HZ),))
    fade = min(round(0.03 * RATE_HZ), len(samples) // 2)
    assert np.any(samples[-fade - 240 : -fade // 2])  # 5 ms before it, longer than the 3.3 ms between two firings
    assert np.abs(samples[-1]).max() < 0.01 * np.abs(samples).max()


@pytest.mark.parametrize("duration_s", [0.0, -1.0, float("nan"), 50_000.0])
def test_lengths_that_cannot_be_played_are_refused(duration_s: float) -> None:
    """From 10 ms to 12 hours."""
    with pytest.raises(RangeError, match="duration_s"):
        engine(duration_s=duration_s)


def test_end_fades_out_within_40_ms() -> None:
    """Quitting ends the source soon and softly."""
    live = engine("v12-60", rpm=3000)
    heard(live, 3.0)
    live.end()
    blocks = 0
    while live.next_block(BLOCK).size:
        blocks += 1
    assert blocks * BLOCK / RATE_HZ < 0.04


def test_an_exhaust_that_lets_nothing_through_is_told_at_its_key() -> None:
    """A key that asks for pipes too narrow for anything to be heard says so, and the engine sounds on as it was."""
    narrow = replace(EXHAUSTS[0].primary[0], length_m=20.0, bore_m=0.005)
    clogged = replace(EXHAUSTS[0], name="clogged", primary=(narrow,), sections=(narrow,) * 3, wall_factor=50.0)
    live = LiveEngine([layout("boxer-twin")], [EXHAUSTS[0], clogged], rpm=900, sample_rate_hz=RATE_HZ)
    scene = tap(live, "x")
    assert "nothing is heard of cylinder 1" in scene.note
    heard(live, 0.2)
    assert live.scene().exhaust == EXHAUSTS[0].name


def test_exhaust_that_does_not_fit_a_layout_is_refused_at_once() -> None:
    """Groups for four cylinders cannot serve a twin; that is told before anything plays."""
    grouped = replace(EXHAUSTS[0], name="mine", join=((1, 4), (2, 3)))
    with pytest.raises(ExhaustError, match="mine"):
        LiveEngine([layout("inline-four"), layout("boxer-twin")], [grouped], rpm=900, sample_rate_hz=RATE_HZ)


def test_layout_given_by_intervals_plays() -> None:
    """Without geometry it still sounds, slow, stereo and with ticks."""
    live = LiveEngine(
        [from_intervals("100-620")], EXHAUSTS, rpm=300, sample_rate_hz=8000, stereo=True, ticks=True, seed=4
    )
    block = live.next_block(BLOCK)
    assert block.shape == (BLOCK, 2)
    assert live.scene().ticks


def test_every_key_of_the_help_does_something() -> None:
    """Each key that is listed changes the scene or ends the program; none is listed twice."""
    named = [name for names, _ in KEYS for name in names.replace("number ", "").split(", ")]
    codes = {"Tab": "tab", "Shift-Tab": "shift-tab", "Enter": "enter", "Escape": "escape"}
    for name in named:
        key = codes.get(name, name)
        pressed = press("2" if name == "Enter" else "", key)
        assert pressed.action or pressed.quits or pressed.turns_keys, name
    assert press("", "j") == press("12", "j") == press("12", "escape")  # forgets what was typed
    assert press("", "j").action is None
