"""Make docs/api.md from the docstrings of the names that the package promises.

Run: python docs/make_api.py
"""

import dataclasses
import inspect
from pathlib import Path

import pulse_audio

PAGE = Path(__file__).with_name("api.md")
INTRO = """\
# API reference

Made from the docstrings by `docs/make_api.py`. Every name is imported from `pulse_audio`:

```python
from pulse_audio import Hints, analyse, read_clip
```

Numbers carry their unit in their name. Samples are float64, full scale is 1, shape (frames,) or (frames, channels).
Every error is a `PulseError`.

A twin that runs up, through two pipes that meet, into a file, `run_up.py`:

```python run_up.py
from pulse_audio import Exhaust, Liveliness, Section, SpeedCurve, find_layout, render, write_clip

pipe = Section(length_m=0.6, bore_m=0.04, gas_c=500)
clip = render(
    find_layout("v-twin-45"),
    SpeedCurve.ramp(900, 3000, 4.0),
    duration_s=5.0,
    sample_rate_hz=48_000,
    exhaust=Exhaust(name="two-into-one", primary=(pipe,), join="all", sections=(pipe,)),
    life=Liveliness(),
)
write_clip("run_up.wav", clip)
```

```sh
python run_up.py
```

`exhaust=find_exhaust("road-silencer")` takes a ready one; `analyse(read_clip("run_up.wav"))` listens to it.
"""


def api_page() -> str:
    """Return the page."""
    parts = [INTRO]
    for name in pulse_audio.__all__:
        parts += [f"## {name}", *_described(name, getattr(pulse_audio, name))]
    return "\n\n".join(part.strip() for part in parts) + "\n"


def _described(name: str, thing: object) -> list[str]:
    parts = [] if dataclasses.is_dataclass(thing) else [_signature(name, thing)]
    parts.append(_text(thing))
    if inspect.isclass(thing) and not issubclass(thing, Exception):
        for member, value in vars(thing).items():
            if member.startswith("_") or not inspect.getdoc(value) or not _is_member(value):
                continue
            function = value.__func__ if isinstance(value, classmethod) else value
            heading = f"`{name}.{member}`" if isinstance(value, property) else _signature(f"{name}.{member}", function)
            parts += [heading, _text(value)]
    return parts


def _is_member(value: object) -> bool:
    return inspect.isfunction(value) or isinstance(value, property | classmethod)


def _signature(name: str, thing: object) -> str:
    if not callable(thing) or (inspect.isclass(thing) and issubclass(thing, Exception)):
        return ""
    signature = inspect.signature(thing)
    arguments = [p.replace(annotation=p.empty) for p in signature.parameters.values() if p.name not in ("self", "cls")]
    shown = signature.replace(parameters=arguments, return_annotation=inspect.Signature.empty)
    return f"```python\n{name}{shown}\n```"


def _text(thing: object) -> str:
    """Return a docstring with its numpydoc headings in bold and its sections kept as they are."""
    lines = (inspect.getdoc(thing) or "").splitlines()
    text: list[str] = []
    section = False
    for line, following in zip(lines, [*lines[1:], ""], strict=True):
        if following and set(following) == {"-"} and len(following) == len(line):
            text += ["```", ""] if section else []
            text += [f"**{line}**", ""]
            section = False
        elif line and set(line) == {"-"}:
            text.append("```text")
            section = True
        else:
            text.append(line)
    while text and not text[-1]:
        text.pop()
    return "\n".join([*text, "```"] if section else text).replace("\n\n```\n", "\n```\n")


if __name__ == "__main__":
    PAGE.write_text(api_page(), encoding="utf-8")
