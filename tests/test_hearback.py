"""The recording and the rebuilt engine in turn, at rates that the synthesiser does not know."""

import numpy as np
import pytest
from numpy.typing import NDArray
from plain_ear import gaps_s, pulse_times_s

from pulse_audio.analysis.result import Analysis, Reading
from pulse_audio.clip import Clip
from pulse_audio.hearback import GAP_S, heard_back
from pulse_audio.loudness import integrated_lufs

RATE_HZ = 8_000


def _rebuilt(
    seconds: float,
    *,
    intervals_deg: tuple[float, ...] | None = None,
    speed_track: tuple[tuple[float, float], ...] = (),
    **reading: object,
) -> NDArray[np.float64]:
    """Return what is heard after the recording and the gap, of a span that begins at 3 s."""
    best = {"layouts": (), "strokes": 4, "cylinders": 2, "rpm": 240.0, "probability": 0.9, **reading}
    found = Analysis(
        duration_s=60.0, sample_rate_hz=RATE_HZ, span_s=(3.0, 3.0 + seconds), verdict="uneven", confidence=0.9,
        intervals_deg=intervals_deg, speed_track=speed_track, readings=(Reading(**best),),  # type: ignore[arg-type]
    )  # fmt: skip
    noise = np.random.default_rng(1).uniform(-0.1, 0.1, round(seconds * RATE_HZ))
    heard = heard_back(Clip(samples=noise, sample_rate_hz=RATE_HZ), found).samples
    parts = heard[: noise.size], heard[noise.size + round(GAP_S * RATE_HZ) :]
    recording, rebuilt = (integrated_lufs(Clip(samples=part, sample_rate_hz=RATE_HZ)) for part in parts)
    assert recording == pytest.approx(rebuilt, abs=1e-3)  # equally loud, as it says; the frame at the joint aside
    return parts[1]


@pytest.mark.parametrize(
    ("found", "expected_deg"),
    [
        ({"intervals_deg": (200.0, 520.2)}, (200, 520)),  # 0.2 too much: intervals as measured make no whole cycle
        ({"intervals_deg": (80.0, 100.0, 180.0), "strokes": 2, "cylinders": 3, "rpm": 150.0}, (80, 100, 180)),
        ({"cylinders": 3}, (240, 240, 240)),
        # A name that is none of the catalogue's is that of the layout asked for, by intervals or a file.
        ({"layouts": ("200-520",), "intervals_deg": (200.0, 520.0)}, (200, 520)),
        # The first of the names counts, whatever was measured: 360 - 45 and 360 + 45 on one crankpin.
        ({"layouts": ("v-twin-45", "boxer-twin"), "intervals_deg": (317.0, 403.0)}, (315, 405)),
    ],
)
def test_the_best_reading_is_rebuilt(found: dict[str, object], expected_deg: tuple[float, ...]) -> None:
    """The gaps that a plain ear hears are those of the layout named first, or measured, or even where neither is."""
    rpm = float(str(found.get("rpm", 240.0)))
    gaps_deg = 6 * rpm * gaps_s(_rebuilt(8.0, **found), RATE_HZ, len(expected_deg))  # type: ignore[arg-type]
    assert gaps_deg == pytest.approx(expected_deg, abs=3.0)  # 2 ms at 240 rpm


def test_it_runs_at_the_speeds_of_the_recording() -> None:
    """From 200 to 400 rpm in 6 s turn k ends at the root of 6 (200 t + 100 t^2 / 6) = 360 k."""
    times_s = pulse_times_s(_rebuilt(6.0, layouts=("boxer-twin",), speed_track=((3.0, 200.0), (9.0, 400.0))), RATE_HZ)
    expected_s = (np.sqrt(200.0**2 + 4 * 100 / 6 * 60 * np.arange(30)) - 200.0) / (2 * 100 / 6)
    assert np.diff(times_s) == pytest.approx(np.diff(expected_s), abs=0.004)  # half the ear's window of 8 ms


def test_speeds_that_the_synthesiser_does_not_know_are_brought_into_its_range() -> None:
    """A speed track may leave 20 to 15000 rpm for a moment: the rest of it is rebuilt."""
    assert np.isfinite(_rebuilt(1.0, speed_track=((3.0, 5.0), (4.0, 700.0)))).all()


@pytest.mark.parametrize("rate_hz", [1_009, 4_000, 384_000])
def test_rates_that_the_synthesiser_does_not_know(rate_hz: int) -> None:
    """A tone of 100 Hz recorded at a rate outside 8 to 192 kHz is heard again at 48 kHz, at its pitch and length."""
    time_s = np.arange(rate_hz) / rate_hz
    found = Analysis(
        duration_s=1.0,
        sample_rate_hz=rate_hz,
        span_s=(0.0, 1.0),
        verdict="even",
        confidence=0.9,
        readings=(Reading(layouts=("boxer-twin",), strokes=4, cylinders=2, rpm=900.0, probability=0.9),),
    )
    heard = heard_back(Clip(samples=0.1 * np.sin(2 * np.pi * 100.0 * time_s), sample_rate_hz=rate_hz), found)
    assert heard.sample_rate_hz == 48_000
    assert heard.duration_s == pytest.approx(2.0 + GAP_S, abs=2 / rate_hz)
    recording = heard.samples[:48_000]
    tone = np.sin(2 * np.pi * 100.0 * np.arange(48_000) / 48_000)
    # Resampled without a filter of its own; only the ends, continued by mirroring, differ a little.
    assert np.corrcoef(recording, tone)[0, 1] > 0.9999
