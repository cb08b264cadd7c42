"""``python -m pulse_audio`` is the same as the command ``firing-pulse``."""

from pulse_audio.cli import main

main()
