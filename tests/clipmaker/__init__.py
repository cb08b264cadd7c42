"""An independent maker of test sounds: engines from gas flow and waveguides, and sounds that are no engine.

It imports nothing of the package under test and shares no model with it: the synthesiser adds event kernels computed
from transfer matrices in the frequency domain, while this one steps cylinders through crank angle and lets
travelling waves run through the pipes in time.
"""
