"""Calibration: standards, error terms, correction, plausibility and verification. Pure; scikit-rf does the algebra.

What is stored of a calibration is its record and its raw sweeps; :func:`build` solves the error terms from them again.
Arrays are complex128 of shape (F,), in the order of the grid.
"""

from harness.calibration.calibration import Calibration, build
from harness.calibration.characterise import Circumstances, characterise
from harness.calibration.correction import correct
from harness.calibration.loads import correct_loads, load_sweep_name
from harness.calibration.plausibility import Plausibility, check_standard
from harness.calibration.standards import ideal_reflection, ideal_thru
from harness.calibration.terms import ErrorTerms, PathTerms, solve
from harness.calibration.verification import Verification, fits, verify

__all__ = [
    "Calibration",
    "Circumstances",
    "ErrorTerms",
    "PathTerms",
    "Plausibility",
    "Verification",
    "build",
    "characterise",
    "check_standard",
    "correct",
    "correct_loads",
    "fits",
    "ideal_reflection",
    "ideal_thru",
    "load_sweep_name",
    "solve",
    "verify",
]
