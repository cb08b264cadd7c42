"""The accuracy study: its scoring rules against closed cases and against the outside scorer, and its tables."""

import json
import subprocess
import sys

import numpy as np
import pytest

from docs.studies import accuracy, scoring
from docs.studies.by_hand import by_hand
from pulse_audio import Clip
from pulse_audio.analysis.result import Analysis, Reading
from pulse_audio.report import to_json

TWIN = {
    "clip": "a.flac",
    "cycle_deg": 720,
    "firing_deg": [0.0, 270.0],
    "heard_deg": [0.0, 276.0],
    "rpm_mean": 1200.0,
    "rpm_track": [[0.25, 1200.0], [0.5, 1200.0], [0.75, 1800.0], [1.0, 1800.0]],
    "band": "low",
}


def answer(**changes: object) -> Analysis:
    fields: dict[str, object] = {
        "duration_s": 1.0,
        "sample_rate_hz": 8000,
        "span_s": (0.2, 0.5),
        "verdict": "uneven",
        "confidence": 0.8,
        "firing_rate_hz": 20.0,
        "intervals_deg": (272.0, 448.0),
        "intervals_sd_deg": (1.0, 1.0),
    }
    return Analysis(**(fields | changes))  # type: ignore[arg-type]


def test_by_hand_reads_what_is_plain():
    """Knocks that stand alone, 270 and 450 of 720 apart, eight cycles a second: by hand they come out right."""
    rate_hz, cycles = 8000, 24
    x = np.zeros(cycles * 1000)
    for k in range(cycles):
        x[1000 * k + 200], x[1000 * k + 575] = 1.0, 1.0
    knock = np.exp(-np.arange(200) / 30.0) * np.sin(2 * np.pi * 400 * np.arange(200) / rate_hz)
    found = by_hand(Clip(samples=np.convolve(x, knock)[: len(x)], sample_rate_hz=rate_hz))
    assert found.verdict == "uneven"
    assert found.firing_rate_hz == pytest.approx(16.0, rel=0.02)
    assert sorted(found.intervals_deg or ()) == pytest.approx([270.0, 450.0], abs=10.0)


def test_right_answer_scores_right():
    """270-450 at 1200 rpm fires 20 times a second; an answer 2 degrees off with 1 degree stated is 2 sd off."""
    score = scoring.judge(TWIN, answer())
    assert score.pattern_right
    assert score.off_deg == pytest.approx([2, 2])
    assert score.off_sd == pytest.approx([2, 2])


def test_rotated_and_heard_patterns_count():
    """Which interval comes first is unknown, and intervals as they reach the microphone are as good."""
    assert scoring.judge(TWIN, answer(intervals_deg=(444.0, 276.0))).off_deg == pytest.approx([0, 0])
    assert not scoring.judge(TWIN, answer(intervals_deg=(290.0, 430.0))).pattern_right


@pytest.mark.parametrize(
    "changes", [{"firing_rate_hz": 20.7}, {"verdict": "even"}, {"intervals_deg": (240.0, 240.0, 240.0)}]
)
def test_wrong_answers_score_wrong(changes):
    """A rate more than 3 % off, the other verdict, or another number of pulses is wrong."""
    assert not scoring.judge(TWIN, answer(**changes)).pattern_right


def test_rate_is_judged_over_the_span():
    """In the second half the engine turns at 1800 rpm, 30 firings a second."""
    assert scoring.judge(TWIN, answer(span_s=(0.7, 1.0), firing_rate_hz=30.0)).rate_right
    assert not scoring.judge(TWIN, answer(span_s=(0.7, 1.0), firing_rate_hz=20.0)).rate_right


def test_track_of_another_reading_is_compared_by_its_firing_rate():
    """A twin at 1200 rpm fires like a four at 600 rpm, so that track is right."""
    four = Reading(layouts=(), strokes=4, cylinders=4, rpm=600.0, probability=1.0)
    steady = TWIN | {"rpm_dense": [[0.1 * i, 1200.0] for i in range(11)]}
    off, change = scoring.track_errors(steady, answer(readings=(four,), speed_track=((0.2, 600.0), (0.4, 606.0))))
    assert off == pytest.approx([0, 0.01])
    assert change == pytest.approx([0, 0])


def test_calibration_of_an_honest_listener_is_on_the_line(rng):
    """Answers that are right as often as they say lie on the diagonal, within the scatter of their number."""
    scores = []
    for stated in rng.uniform(0, 1, 20_000):
        right = bool(rng.random() < stated)
        scores.append(scoring.Score(even=True, answered=True, pattern_right=right, confidence=float(stated)))
    for stated, right, count in accuracy.calibration(scores):
        assert right == pytest.approx(stated, abs=4 * np.sqrt(0.25 / count))


def test_scoring_agrees_with_the_outside_scorer(shared, tmp_path, rng):
    """On 200 random answers about known engines, our counts are those that the outside script prints."""
    layouts = [[0.0], [0.0, 360.0], [0.0, 270.0], [0.0, 315.0], [0.0, 270.0, 450.0, 540.0], [0.0, 180.0, 360.0, 540.0]]
    counts, lines, results = np.zeros(4, dtype=int), [], []
    for i in range(200):
        firing = layouts[rng.integers(len(layouts))]
        truth = TWIN | {"clip": f"{i}.flac", "firing_deg": firing, "heard_deg": [f + rng.uniform(0, 8) for f in firing]}
        gaps = scoring.gaps_deg(firing, 720) + rng.normal(0, 4, len(firing))
        found = answer(
            verdict=str(rng.choice(["even", "uneven", "no-rhythm"])),
            intervals_deg=tuple(np.roll(gaps, rng.integers(4))),
            intervals_sd_deg=(1.0,) * len(gaps),
            firing_rate_hz=len(firing) * 10 * rng.choice([1.0, 1.01, 1.05]),
        )
        score = scoring.judge(truth, found)
        counts += [score.answered, score.rate_right, score.verdict_right, score.pattern_right]
        lines.append(json.dumps(truth))
        results.append(json.dumps(to_json(str(truth["clip"]), found)))
    (tmp_path / "truth.jsonl").write_text("\n".join(lines))
    (tmp_path / "results.jsonl").write_text("\n".join(results))
    said = subprocess.run(
        [
            sys.executable,
            str(shared / "score_clips.py"),
            str(tmp_path / "truth.jsonl"),
            str(tmp_path / "results.jsonl"),
        ],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    row = next(line for line in said.splitlines() if line.startswith("all")).split()
    assert row[2:6] == [f"{100 * n / 200:.0f}%" for n in counts]
