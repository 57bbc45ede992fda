"""What is wrong with a unit: explanations of the build fitted to all sweeps together and weighed against each other. Pure.

The one entry is::

    diagnose(sweeps, terminations, intended, adapters=None, errors=None) -> Diagnosis

``intended`` comes from ``intended_of(type_, cores, materials, cables)``, the tables parsed by ``harness.sampler``. ``errors``
(``ReadingErrors``) are the sizes of what the correction leaves.
"""

from harness.analysis.diagnosis.diagnose import NOT_DISTINGUISHABLE, Diagnosis, OpenPair, diagnose
from harness.analysis.diagnosis.explanations import HEALTHY
from harness.analysis.diagnosis.intended import CLASSES, Intended, class_of, intended_from, intended_of
from harness.analysis.diagnosis.observed import ReadingErrors
from harness.analysis.diagnosis.remainder import Remainder
from harness.analysis.diagnosis.weigh import UNEXPLAINED

__all__ = [
    "CLASSES",
    "HEALTHY",
    "NOT_DISTINGUISHABLE",
    "UNEXPLAINED",
    "Diagnosis",
    "Intended",
    "OpenPair",
    "ReadingErrors",
    "Remainder",
    "class_of",
    "diagnose",
    "intended_from",
    "intended_of",
]
