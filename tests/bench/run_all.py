"""All benchmarks and the accuracy study: ``python tests/bench/run_all.py [--quick]`` from the top of the checkout.

Writes a dated table of their figures into DEVELOPERS.md, between its marks. Takes about an hour on two cores; best with
nothing else running. ``--quick`` leaves out the hour-long sounds, plays one minute instead of ten, makes a tenth of the
clips, and only prints.
"""

import argparse
import datetime
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).parent
TOP = HERE.parents[1]
GUIDE = TOP / "DEVELOPERS.md"
START, END = "<!-- figures: start -->", "<!-- figures: end -->"
HEAD = "| what | figure | wanted |\n|---|---|---|"
FULL = (
    ("tests/bench/bench_synth_render.py",),
    ("tests/bench/bench_render_process.py", "--hour"),
    ("tests/bench/bench_synth_block.py",),
    ("tests/bench/bench_analyse.py", "--hour"),
    ("tests/bench/bench_many.py",),
    ("tests/bench/bench_play.py",),
    ("-m", "docs.studies.accuracy", "--jobs", "2", "--by-hand"),
)
QUICK = (
    ("tests/bench/bench_synth_render.py",),
    ("tests/bench/bench_render_process.py",),
    ("tests/bench/bench_synth_block.py",),
    ("tests/bench/bench_analyse.py", "--no-pyin"),
    ("tests/bench/bench_many.py", "--clips", "20", "--hours", "0.1"),
    ("tests/bench/bench_play.py", "--minutes", "1"),
    ("-m", "docs.studies.accuracy", "--share", "0.1", "--by-hand"),
)


def figures(command: tuple[str, ...]) -> tuple[str, list[str]]:
    """Run one script, show what it prints, and return its first line and its rows."""
    print(f"\n$ python {' '.join(command)}", flush=True)
    lines = []
    with subprocess.Popen([sys.executable, *command], cwd=TOP, stdout=subprocess.PIPE, text=True) as process:
        for line in process.stdout or ():
            print(line, end="", flush=True)
            lines.append(line.rstrip())
    if process.returncode:
        raise SystemExit(f"{' '.join(command)} failed with exit code {process.returncode}; nothing is written")
    return lines[0], [line for line in lines if line.startswith("|")]


def main() -> None:
    """Run all and write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    found = [figures(command) for command in (QUICK if quick else FULL)]
    if quick:
        return
    machine = found[0][0]
    rows = "\n".join(row for _, own in found for row in own)
    table = f"{START}\n\n{datetime.date.today().isoformat()}, {machine}\n\n{HEAD}\n{rows}\n\n{END}"
    before, _, rest = GUIDE.read_text().partition(START)
    _, _, after = rest.partition(END)
    GUIDE.write_text(before + table + after)


if __name__ == "__main__":
    main()
