"""The recording and the rebuilt engine in turn, at rates that the synthesiser does not know."""

import numpy as np
import pytest

from pulse_audio.analysis.result import Analysis, Reading
from pulse_audio.clip import Clip
from pulse_audio.hearback import GAP_S, heard_back


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
