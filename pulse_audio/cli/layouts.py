"""``firing-pulse layouts``: the named layouts, one line each."""

import json

import click

from pulse_audio.cli.options import Whole, json_option


@click.command()
@click.option("--cylinders", type=Whole(1), help="Only layouts with this many cylinders.")
@click.option("--strokes", type=click.Choice(["2", "4"]), help="Only two-strokes or only four-strokes.")
@click.option("--even/--uneven", "even", default=None, help="Only layouts that fire evenly, or only those that do not.")
@json_option
def command(cylinders: int | None, strokes: str | None, even: bool | None, as_json: bool) -> None:
    """List the engine layouts that are known by name.

    Intervals are crank degrees from each firing to the next; they add up to 720 for a four-stroke and 360 for a
    two-stroke. Everywhere a LAYOUT is asked for, a name from this list, a path to a TOML file, or intervals alone
    such as 270-450 or "240 x3" will do.
    """
    from pulse_audio.catalogue import layout, layout_names

    chosen = [
        this
        for this in map(layout, layout_names())
        if cylinders in (None, len(this.cylinders))
        and strokes in (None, str(this.strokes))
        and even in (None, this.is_even)
    ]
    if as_json:
        for this in chosen:
            row = {
                "name": this.name,
                "title": this.title,
                "cylinders": len(this.cylinders),
                "strokes": this.strokes,
                "intervals_deg": [round(i, 3) for i in this.intervals_deg],
                "even": this.is_even,
                "part_of": this.part_of or None,
            }
            click.echo(json.dumps(row))
        return
    if not chosen:
        click.echo("No named layout is like that.", err=True)
        return
    width = max(len(this.name) for this in chosen)
    click.echo(f"{'layout':{width}}  cyl  strokes  intervals        firing")
    for this in chosen:
        together = max(this.pulse_cylinders)
        fires = "even" if this.is_even else "uneven"
        if together > 1:
            fires += f", {together} at once"
        click.echo(f"{this.name:{width}}  {len(this.cylinders):3}  {this.strokes:7}  {this.intervals_text:15}  {fires}")
