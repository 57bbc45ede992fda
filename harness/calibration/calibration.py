"""A calibration ready to use: its record, its error terms, its loads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.calibration.loads import correct_loads
from harness.calibration.terms import ErrorTerms, solve
from harness.records import CalibrationRecord, Sweep


@dataclass(frozen=True)
class Calibration:
    """One calibration. ``loads``: name of a swept load ("A") → its corrected reflection, complex, shape (F,)."""

    record: CalibrationRecord
    terms: ErrorTerms
    loads: Mapping[str, NDArray[np.complex128]] = field(repr=False)

    @property
    def frequency_hz(self) -> NDArray[np.float64]:
        """The grid it was made on, Hz, shape (F,)."""
        return self.terms.frequency_hz


def build(record: CalibrationRecord, raw: Mapping[str, Sweep]) -> Calibration:
    """Return the calibration, solved from its raw sweeps (sweep name → sweep); CalibrationError where that cannot be done."""
    terms = solve(raw, record.standards, record.paths)
    return Calibration(record, terms, correct_loads(record.loads, raw, terms))
