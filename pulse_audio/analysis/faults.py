"""Placeholder until the recording notes land."""

import numpy as np


def is_silent(mono):
    return not len(mono) or float(np.abs(mono).max()) < 1e-5


def recording_notes(mono, sample_rate_hz):
    return ()


def hum_hz(mono, sample_rate_hz):
    return None


def shortest_needed_s(cycle_hz):
    return 12 / cycle_hz


def too_short_note(duration_s, cycle_hz):
    return "short"
