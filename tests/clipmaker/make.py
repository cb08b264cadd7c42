"""Command: ``python -m tests.clipmaker.make KIND --count N --seed K --out FOLDER [--hard]``.

KIND is engines, others (no engine), limping (even engines that limp), odd (engines that fire at random places), moving
(speeds with a dense truth), harmonics (in white noise) or sample (the one clip that ships, as
``uneven-twin-idle.flac``).
"""

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tests.clipmaker.engine_clips import engine_clip
from tests.clipmaker.others import other_clip
from tests.clipmaker.special import harmonic_clip, limping_even_clip, moving_clip, odd_clip, sample_clip

TRUTH = ("truth.jsonl", "others.jsonl")
Maker = Callable[[np.random.Generator, int], tuple[np.ndarray, int, dict[str, Any]]]


def write_set(out: Path, truth_name: str, count: int, seed: int, make: Maker) -> None:
    """Make `count` clips, each from its own seed, and one line of truth for each."""
    out.mkdir(parents=True, exist_ok=True)
    with (out / truth_name).open("w") as lines:
        for i in range(count):
            samples, rate, truth = make(np.random.default_rng([seed, i]), i)
            name = f"clip-{i:04d}.flac"
            soundfile.write(out / name, np.squeeze(samples), rate, subtype="PCM_16")
            lines.write(json.dumps({"clip": name, **truth}) + "\n")
            if sys.stderr.isatty():
                print(f"\r{i + 1}/{count}", end="", file=sys.stderr)


def main(argv: list[str] | None = None) -> None:
    """Read the command line and write the clips."""
    makers: dict[str, Maker] = {
        "engines": lambda rng, _: engine_clip(rng, hard=args.hard),
        "others": other_clip,
        "limping": limping_even_clip,
        "odd": odd_clip,
        "moving": moving_clip,
        "harmonics": harmonic_clip,
    }
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=[*makers, "sample"])
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--hard", action="store_true", help="engines: more noise, more faults, less regular")
    args = parser.parse_args(argv)
    if args.what == "sample":
        samples, rate, _ = sample_clip(np.random.default_rng(args.seed))
        soundfile.write(args.out / "uneven-twin-idle.flac", np.squeeze(samples), rate, subtype="PCM_16")
        return
    write_set(args.out, TRUTH[args.what == "others"], args.count, args.seed, makers[args.what])


if __name__ == "__main__":
    main()
