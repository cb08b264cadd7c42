"""All benchmarks and the accuracy study: ``python tests/bench/run_all.py [NAME ...]`` from the top of the checkout.

Writes a dated table of each one's figures into DEVELOPERS.md. All of them take more than an hour on two cores; with
names, only those are run and their tables replaced. Best with nothing else running. ``--quick`` leaves out the
hour-long sounds, plays one minute instead of ten, makes a twentieth of the clips, and only prints.
"""

import argparse
import datetime
import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).parents[2]
GUIDE = TOP / "DEVELOPERS.md"
HEAD = "| what | figure | wanted |\n|---|---|---|"
# Name: script, options of the full run, options of the quick one.
PARTS: dict[str, tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]] = {
    "render": (("tests/bench/bench_synth_render.py",), (), ()),
    "process": (("tests/bench/bench_render_process.py",), ("--hour",), ()),
    "block": (("tests/bench/bench_synth_block.py",), (), ()),
    "analyse": (("tests/bench/bench_analyse.py",), ("--hour",), ("--no-pyin",)),
    "many": (("tests/bench/bench_many.py",), (), ("--clips", "20", "--hours", "0.1")),
    "play": (("tests/bench/bench_play.py",), (), ("--minutes", "1")),
    "accuracy": (
        ("-m", "docs.studies.accuracy", "--by-hand", "--jobs", "2"),
        ("--figure", "docs/media/calibration.png"),
        ("--share", "0.05"),
    ),
}


def figures(command: tuple[str, ...]) -> tuple[str, list[str]]:
    """Run one script, show what it prints, and return its first line and its rows."""
    print(f"\n$ python {' '.join(command)}", flush=True)
    lines = []
    with subprocess.Popen([sys.executable, *command], cwd=TOP, stdout=subprocess.PIPE, text=True) as process:
        for line in process.stdout or ():
            print(line, end="", flush=True)
            lines.append(line.rstrip())
    if process.returncode:
        raise SystemExit(f"{' '.join(command)} failed with exit code {process.returncode}; its table is left as it was")
    return lines[0], [line for line in lines if line.startswith("|")]


def write_table(name: str, machine: str, rows: list[str]) -> None:
    """Put a part's table between its marks in the guide."""
    start, end = f"<!-- figures: {name} -->", f"<!-- end of {name} -->"
    text = GUIDE.read_text()
    if start not in text or end not in text:
        raise SystemExit(f"{GUIDE.name} has no place for {name}: add the lines {start} and {end}")
    before, rest = text.split(start)
    _, after = rest.split(end)
    today = datetime.datetime.now(tz=datetime.UTC).date().isoformat()
    table = f"`{name}`, {today}, {machine}\n\n{HEAD}\n" + "\n".join(rows)
    GUIDE.write_text(f"{before}{start}\n\n{table}\n\n{end}{after}")


def main() -> None:
    """Run what is asked for and write its tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"one of {', '.join(PARTS)}")
    parser.add_argument("--quick", action="store_true")
    args = parser.parse_args()
    if unknown := set(args.names) - set(PARTS):
        parser.error(f"no such part: {', '.join(sorted(unknown))}; choose from {', '.join(PARTS)}")
    for name in args.names or PARTS:
        script, full, quick = PARTS[name]
        machine, rows = figures((*script, *(quick if args.quick else full)))
        if not args.quick:
            write_table(name, machine, rows)


if __name__ == "__main__":
    main()
