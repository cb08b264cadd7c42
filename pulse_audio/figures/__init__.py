"""Pictures of layouts and of analysed recordings, drawn with matplotlib (the ``figures`` extra).

matplotlib is loaded when a picture is made, not before.
"""

from pulse_audio.figures.analysed import analysis_figure
from pulse_audio.figures.explain import compare_figure, explain_figure
from pulse_audio.figures.style import check_name, write_figure

__all__ = ["analysis_figure", "check_name", "compare_figure", "explain_figure", "write_figure"]
