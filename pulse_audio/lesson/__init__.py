"""The teaching page: one HTML file with sound, moving drawings and words, that needs no network."""

from pulse_audio.lesson.page import MAX_LAYOUTS, MAX_SPEEDS, SPEEDS_RPM, build_page
from pulse_audio.lesson.recording import Recording
from pulse_audio.lesson.texts import Texts, TextsError, english, read_texts

__all__ = [
    "MAX_LAYOUTS",
    "MAX_SPEEDS",
    "SPEEDS_RPM",
    "Recording",
    "Texts",
    "TextsError",
    "build_page",
    "english",
    "read_texts",
]
