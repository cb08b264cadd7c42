"""Command: ``python -m tests.clipmaker.make engines|others --count N --seed K --out FOLDER [--hard]``."""

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
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["engines", "others"])
    parser.add_argument("--count", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--hard", action="store_true", help="more noise, more faults, less regular engines")
    args = parser.parse_args(argv)
    if args.what == "engines":
        write_set(args.out, "truth.jsonl", args.count, args.seed, lambda rng, _: engine_clip(rng, hard=args.hard))
    else:
        write_set(args.out, "others.jsonl", args.count, args.seed, other_clip)


if __name__ == "__main__":
    main()
