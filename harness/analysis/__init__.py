"""Analysis: corrected sweeps → three-port → figures → decision. Pure: arrays in, frozen values out."""

from harness.analysis.adapters import AdapterModel, DelayAndLoss, remove_adapters
from harness.analysis.bands import Band, parse_bands
from harness.analysis.evaluate import REQUIRED_SWEEPS, Evaluation, evaluate
from harness.analysis.readings import UNIT_SWEEPS, Reading, Sweeps, Termination, Terminations, readings_of

__all__ = [
    "REQUIRED_SWEEPS",
    "UNIT_SWEEPS",
    "AdapterModel",
    "Band",
    "DelayAndLoss",
    "Evaluation",
    "Reading",
    "Sweeps",
    "Termination",
    "Terminations",
    "evaluate",
    "parse_bands",
    "readings_of",
    "remove_adapters",
]
