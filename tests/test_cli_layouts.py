"""The command ``layouts``."""

import json
from collections.abc import Callable

from click.testing import Result

from pulse_audio.catalogue import layout_names

Run = Callable[..., Result]


def test_one_line_each_within_80_columns(run: Run) -> None:
    """Every named layout has one line below the heading, within 80 columns, and the columns are aligned."""
    result = run("layouts")
    heading, *lines = result.stdout.splitlines()
    assert result.exit_code == 0
    assert [line.split()[0] for line in lines] == list(layout_names())
    assert max(map(len, [heading, *lines])) <= 80
    at = heading.index("intervals")
    assert all(line[at - 1] == " " and line[at] != " " for line in lines)


def test_what_a_line_says(run: Run) -> None:
    """A line holds name, cylinders, strokes, intervals and whether it fires evenly."""
    rows = {line.split()[0]: line.split(maxsplit=3)[1:] for line in run("layouts").stdout.splitlines()}
    assert rows["boxer-twin"] == ["2", "4", "360-360          even"]
    assert rows["v6-90-odd"] == ["6", "4", "90-150 x3        uneven"]
    assert rows["boxer-twin-two-stroke"] == ["2", "2", "0-360            even, 2 at once"]


def names(result: Result) -> list[str]:
    return [line.split()[0] for line in result.stdout.splitlines()[1:]]


def test_filters(run: Run) -> None:
    """Filters by cylinders, strokes and evenness narrow the list, alone and together."""
    assert names(run("layouts", "--cylinders", 5)) == ["inline-five", "radial-five"]
    assert names(run("layouts", "--strokes", 2, "--uneven")) == ["v-twin-90-two-stroke"]
    even, uneven = names(run("layouts", "--even")), names(run("layouts", "--uneven"))
    assert sorted(even + uneven) == sorted(layout_names())
    assert "v8-crossplane" in even and "v8-crossplane-one-bank" in uneven


def test_nothing_found(run: Run) -> None:
    """Where no layout fits, stdout stays empty and a note says so."""
    result = run("layouts", "--cylinders", 11)
    assert (result.exit_code, result.stdout) == (0, "")
    assert result.stderr == "No named layout is like that.\n"


def test_json(run: Run) -> None:
    """With --json each line is one object."""
    rows = [json.loads(line) for line in run("layouts", "--json").stdout.splitlines()]
    assert [row["name"] for row in rows] == list(layout_names())
    bank = next(row for row in rows if row["name"] == "v8-crossplane-one-bank")
    assert bank["intervals_deg"] == [270, 180, 90, 180]
    assert (bank["even"], bank["part_of"], bank["cylinders"], bank["strokes"]) == (False, "v8-crossplane", 4, 4)


def test_bad_filters_are_refused(refused: Callable[..., str]) -> None:
    """No engine has no cylinders or three strokes."""
    assert "--cylinders" in refused("layouts", "--cylinders", 0)
    assert "--strokes" in refused("layouts", "--strokes", 3)
