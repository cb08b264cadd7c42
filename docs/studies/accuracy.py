"""How right the listener is: ``python -m docs.studies.accuracy`` from the top of the checkout.

Makes sets of clips with the independent clip maker in ``tests/clipmaker`` (a temporary folder, or one that is kept
with ``--folder``), analyses all of them, and prints a table for each question. Sets of your own join in by
``--engines FOLDER`` (with its truth.jsonl), ``--recordings FOLDER`` (with recordings.jsonl: engine, strokes, cylinders,
rpm_about) and ``--others FOLDER`` (any sounds without an engine; Debian's general sound packages, such as
sonic-pi-samples or sound-theme-freedesktop, hold many).
"""

import argparse
import json
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from docs.studies.by_hand import by_hand
from docs.studies.scoring import Score, judge, track_errors
from pulse_audio.analysis.result import Analysis
from pulse_audio.batch import Task, analyse_files
from pulse_audio.clip import read_clip
from tests.bench.machine import machine, row
from tests.clipmaker import make

SURE = 0.9
BINS = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0)
SETS = {  # name: what to make, how many, seed, further options
    "engines": ("engines", 160, 41, ()),
    "engines-hard": ("engines", 160, 42, ("--hard",)),
    "limping": ("limping", 72, 13, ()),
    "odd": ("odd", 140, 17, ()),
    "moving": ("moving", 48, 14, ()),
    "harmonics": ("harmonics", 80, 15, ()),
    "others": ("others", 350, 16, ()),
}
ORDER = ("idle", "low", "high", "steady", "drift", "hunt", "sweep", "blip")
SOUND_FILES = (".flac", ".wav", ".ogg")


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """A clip's truth, the answer about it, and how that fared."""

    truth: dict[str, Any]
    found: Analysis
    score: Score


def truths(folder: Path) -> list[dict[str, Any]]:
    """Read what is known about the clips of a folder; sounds without a truth file hold no engine."""
    for name in (*make.TRUTH, "recordings.jsonl"):
        if (folder / name).is_file():
            return [json.loads(line) for line in (folder / name).read_text().splitlines()]
    files = sorted(p.name for p in folder.iterdir() if p.suffix in SOUND_FILES)
    return [{"clip": name, "what": Path(name).stem} for name in files]


def cases(folder: Path, jobs: int) -> list[Case]:
    """Analyse a folder's clips. An answer that fails is a fault of the listener and stops the study."""
    known = truths(folder)
    started = time.perf_counter()
    answers = []
    tasks = [Task(path=folder / t["clip"]) for t in known]
    for truth, found in zip(known, analyse_files(tasks, jobs=jobs), strict=True):
        if not isinstance(found, Analysis):
            raise SystemExit(f"{truth['clip']}: {found}")
        answers.append(Case(truth=truth, found=found, score=judge(truth, found)))
    print(f"\n{folder.name}: {len(known)} clips, {(time.perf_counter() - started) / max(1, len(known)):.2f} s each")
    return answers


def cases_by_hand(found: list[Case], folder: Path) -> list[Case]:
    """Answer the same clips with the page of general-purpose libraries in `by_hand`."""
    answers = [by_hand(read_clip(folder / c.truth["clip"])) for c in found]
    return [Case(truth=c.truth, found=a, score=judge(c.truth, a)) for c, a in zip(found, answers, strict=True)]


def summarise(name: str, found: list[Case]) -> None:
    """Print rows for the table of figures."""
    if name.startswith("others"):
        taken = [c.found.confidence for c in found if c.found.is_told]
        row(f"{name}: an engine found in sounds without one", f"{len(taken)} of {len(found)}", "1 %")
        return
    for band, rate, pattern in (("idle", 95, 90), ("low", 88, 75), ("high", 70, 45)):
        s = [c.score for c in found if c.truth["band"] == band]
        figure = f"{percent(x.rate_right for x in s)}, {percent(x.pattern_right for x in s)}"
        row(f"{name}, {band} ({len(s)} clips): firing rate right, pattern right", figure, f"{rate} %, {pattern} %")
    sure, wrong = sure_and_wrong(found)
    figure = f"{percent(any(c is s for s in sure) for c in found)}, wrong {len(wrong)} of {len(sure)}"
    row(f"{name}: confidence of {SURE} or more", figure, "50 %, wrong 2 %")


def sure_and_wrong(found: list[Case]) -> tuple[list[Case], list[Case]]:
    """Answers that are sure, and those of them that are wrong."""
    sure = [c for c in found if c.score.answered and c.score.confidence >= SURE]
    return sure, [c for c in sure if not c.score.pattern_right]


def percent(yes: Iterable[bool]) -> str:
    """Share as text."""
    values = list(yes)
    return f"{100 * np.mean(values):.0f} %" if values else "-"


def print_table(head: tuple[str, ...], rows: list[tuple[object, ...]]) -> None:
    """Print rows under a head, all columns as wide as need be."""
    texts = [head, *[tuple(str(v) for v in row) for row in rows]]
    widths = [max(len(t[i]) for t in texts) for i in range(len(head))]
    for first, *rest in texts:
        print("  ".join(["", first.ljust(widths[0]), *(v.rjust(w) for v, w in zip(rest, widths[1:], strict=True))]))


def print_patterns(found: list[Case]) -> None:
    """Right rates and patterns by speed band and by kind of motion."""
    rows: list[tuple[object, ...]] = []
    for key in ("band", "kind", None):
        for name in sorted({c.truth[key] for c in found}, key=ORDER.index) if key else ["all"]:
            s = [c.score for c in found if not key or c.truth[key] == name]
            rows.append((
                name, len(s), percent(x.answered for x in s), percent(x.rate_right for x in s),
                percent(x.verdict_right for x in s), percent(x.pattern_right for x in s),
                percent(x.pattern_right for x in s if x.answered),
            ))  # fmt: skip
    print_table(("", "clips", "answered", "rate", "verdict", "pattern", "right of answered"), rows)
    sure, wrong = sure_and_wrong(found)
    share, names = 100 * len(sure) / len(found), " ".join(c.truth["clip"] for c in wrong)
    print(f"  confidence >= {SURE}: {share:.0f} % of clips; wrong: {len(wrong)} of {len(sure)} {names}")
    right = [c.score for c in found if c.score.pattern_right and c.score.off_deg]
    if right:
        off = [max(s.off_deg) for s in right]
        print(f"  largest error where right: median {np.median(off):.2f}, 90 % below {np.quantile(off, 0.9):.2f} deg")
        print(f"  errors within twice their stated deviation: {percent(d <= 2 for s in right for d in s.off_sd)}")


def calibration(scores: list[Score]) -> list[tuple[float, float, int]]:
    """Mean stated confidence, share right and number of answers, bin by bin."""
    given = [s for s in scores if s.answered]
    points = []
    for low, high in pairwise(BINS):
        inside = [s for s in given if low <= s.confidence < high or (high == BINS[-1] and s.confidence == high)]
        if inside:
            stated, right = ([getattr(s, name) for s in inside] for name in ("confidence", "pattern_right"))
            points.append((float(np.mean(stated)), float(np.mean(right)), len(inside)))
    return points


def print_inventions(found: list[Case]) -> None:
    """Sounds without an engine that were given a verdict, and how sure of it."""
    taken = [c for c in found if c.found.is_told]
    by_kind: dict[str, list[bool]] = defaultdict(list)
    for c in found:
        by_kind[c.truth["what"]].append(c in taken)
    for what, hits in sorted(by_kind.items()):
        if any(hits):
            print(f"  {what}: {sum(hits)} of {len(hits)}")
    share = 100 * len(taken) / len(found)
    surest = max((c.found.confidence for c in taken), default=0.0)
    print(f"  an engine found in {len(taken)} of {len(found)} ({share:.1f} %), surest {surest:.2f}")


def print_limping(found: list[Case]) -> None:
    """Even engines that limp, and whether any is called uneven."""
    rows: list[tuple[object, ...]] = []
    for limp in sorted({c.truth["limp"] for c in found}):
        some = [c for c in found if c.truth["limp"] == limp]
        uneven = [c for c in some if c.found.verdict == "uneven"]
        sure = sum(c.found.confidence >= SURE for c in uneven)
        row(f"even engines, {limp}: called uneven with confidence {SURE} or more", f"{sure} of {len(some)}", "none")
        rows.append((limp, len(some), percent(c.score.pattern_right for c in some), len(uneven), sure))
    print_table(("", "clips", "right", "called uneven", f"of them sure (>= {SURE})"), rows)


def print_odd(found: list[Case]) -> None:
    """Engines that fire as nothing listed: how many are read, and how many told surely as something else."""
    rows: list[tuple[object, ...]] = []
    for pulses in sorted({len(c.truth["firing_deg"]) for c in found}):
        some = [c for c in found if len(c.truth["firing_deg"]) == pulses]
        sure, wrong = sure_and_wrong(some)
        rows.append((pulses, len(some), percent(c.score.pattern_right for c in some), len(sure), len(wrong)))
    print_table(("pulses", "clips", "right", f"sure (>= {SURE})", "of them wrong"), rows)
    sure, wrong = sure_and_wrong(found)
    figure = f"{percent(c.score.pattern_right for c in found)}; {len(sure)}, wrong {len(wrong)}"
    row(f"engines at random places ({len(found)} clips): pattern right; confidence of {SURE} or more", figure, "")


def print_bounds(found: list[Case]) -> None:
    """Errors of the rate against the Cramer-Rao bound, for harmonic signals in white noise."""
    given = [c for c in found if c.score.rate_right]
    ratio = [(c.found.firing_rate_hz or 0) / (len(c.truth["firing_deg"]) * c.truth["cycle_hz"]) - 1 for c in given]
    bound = [c.truth["cycle_hz_bound"] / c.truth["cycle_hz"] for c in given]
    over = np.abs(ratio) / np.array(bound) if given else np.zeros(1)
    rms, worst = np.sqrt(np.mean(over**2)), over.max()
    print(f"  rate right in {len(given)} of {len(found)}; error over the bound: RMS {rms:.2f}, worst {worst:.1f}")
    row(f"harmonics in noise, {len(given)} of {len(found)} read: RMS error over the bound", f"{rms:.2f}", "1.5")


def print_tracks(found: list[Case]) -> None:
    """Speed tracks of sweeps and blips against the true speed."""
    rows: list[tuple[object, ...]] = []
    for kind in ("sweep", "blip"):
        some = [c for c in found if c.truth["kind"] == kind]
        kept = [track_errors(c.truth, c.found) for c in some if c.score.rate_right]
        if kept:
            off, change = (np.concatenate(part) for part in zip(*kept, strict=True))
            calm = change < 0.5
            within = percent(off[calm] < 0.01), percent(off[~calm] < 0.03)
            rows.append((kind, len(some), len(kept), len(off), *within))
            figure = f"{within[0]}, {within[1]}"
            row(f"speed track, {kind}: within 1 % where calm, within 3 % where fast", figure, "95 %, all")
    print_table(("", "clips", "rate right", "points", "calm within 1 %", "fast within 3 %"), rows)


def print_recordings(found: list[Case]) -> None:
    """Real recordings: firing rates where count and speed are stated, and verdicts on sounds without an engine."""
    engines = [c for c in found if c.truth["engine"]]
    known = [c for c in engines if c.truth.get("cylinders") and c.truth.get("rpm_about")]
    rows: list[tuple[object, ...]] = []
    right = 0
    for c in known:
        stated_hz = c.truth["rpm_about"] * c.truth["cylinders"] / (30 * c.truth["strokes"])
        rate_hz = c.found.firing_rate_hz or 0.0
        right += abs(rate_hz / stated_hz - 1) < 0.04
        rows.append(
            (c.truth["clip"], f"{stated_hz:.1f}", f"{rate_hz:.1f}", c.found.verdict, f"{c.found.confidence:.2f}")
        )
    print_table(("", "stated Hz", "found Hz", "verdict", "confidence"), rows)
    uneven = sum(c.found.verdict == "uneven" and c.found.confidence >= SURE for c in engines)
    print(f"  rate right in {right} of {len(known)}; surely uneven: {uneven} of {len(engines)} engines")
    print_inventions([c for c in found if not c.truth["engine"]])


def draw(points: list[tuple[float, float, int]], target: Path) -> None:
    """Plot stated confidence against share right, with the scatter that the numbers allow."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    stated, right, count = np.array(points).T
    figure, axes = plt.subplots(figsize=(5, 5), layout="constrained")
    axes.plot([0, 1], [0, 1], color="0.7", label="means what it says")
    axes.errorbar(stated, right, yerr=np.sqrt(right * (1 - right) / count), fmt="o", capsize=3, label="measured")
    for x, y, n in points:  # turned, as neighbours close to 1 are crowded
        axes.annotate(str(n), (x, y), textcoords="offset points", xytext=(5, -5), rotation=-60, va="top", fontsize=8)
    axes.set(xlabel="stated confidence", ylabel="share of answers right", xlim=(0, 1.06), ylim=(0, 1.02))
    axes.legend()
    figure.savefig(target)


REPORTS = {
    "limping": print_limping,
    "odd": print_odd,
    "moving": print_tracks,
    "harmonics": print_bounds,
    "others": print_inventions,
}


def study(args: argparse.Namespace, folder: Path) -> None:
    """Make what is missing, analyse all sets and print the tables."""
    print(machine("numpy", "scipy"))
    scores: list[Score] = []
    for name in args.sets:
        what, count, seed, further = SETS[name]
        if not (folder / name).is_dir():
            number = str(max(8, round(count * args.share)))
            make.main([what, "--count", number, "--seed", str(seed), "--out", str(folder / name), *further])
        found = cases(folder / name, args.jobs)
        REPORTS.get(name, print_patterns)(found)
        if name not in REPORTS or name == "others":
            summarise(name, found)
            if args.by_hand:
                summarise(f"{name}, by hand", cases_by_hand(found, folder / name))
        scores += [c.score for c in found] if name not in REPORTS else []
    for given in args.engines:
        found = cases(given, args.jobs)
        print_patterns(found)
        if args.by_hand:
            print_patterns(cases_by_hand(found, given))
        scores += [c.score for c in found]
    for given in args.others:
        print_inventions(cases(given, args.jobs))
    for given in args.recordings:
        found = cases(given, args.jobs)
        print_recordings(found)
        if args.by_hand:
            print_recordings(cases_by_hand(found, given))
    if scores:
        points = calibration(scores)
        print("\nstated confidence against share right")
        print_table(("stated", "right", "answers"), [(f"{s:.2f}", f"{r:.2f}", n) for s, r, n in points])
        if args.figure and points:
            draw(points, args.figure)


def main() -> None:
    """Read the command line and run the study."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", nargs="*", choices=list(SETS), default=list(SETS))
    parser.add_argument("--share", type=float, default=1.0, help="make only this share of each set")
    parser.add_argument("--folder", type=Path, help="keep the clips here and use those that are there already")
    parser.add_argument("--engines", type=Path, nargs="*", default=[], help="folders of engine clips with truth.jsonl")
    parser.add_argument("--others", type=Path, nargs="*", default=[], help="folders of sounds without an engine")
    parser.add_argument("--recordings", type=Path, nargs="*", default=[], help="folders with recordings.jsonl")
    parser.add_argument("--by-hand", action="store_true", help="also answer by hand, with general-purpose libraries")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--figure", type=Path, help="draw stated confidence against share right")
    args = parser.parse_args()
    if args.folder:
        study(args, args.folder)
    else:
        with tempfile.TemporaryDirectory() as folder:
            study(args, Path(folder))


if __name__ == "__main__":
    main()
