"""The loads that sit on the unit's free connectors, as the calibration saw them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from harness.calibration.correction import correct
from harness.calibration.terms import ErrorTerms
from harness.errors import CalibrationError
from harness.records import Sweep


def load_sweep_name(load: str) -> str:
    """Return the name of the raw sweep of one of the bench's loads: "load-A" for "A"."""
    return f"load-{load}"


def correct_loads(names: Iterable[str], raw: Mapping[str, Sweep], terms: ErrorTerms) -> dict[str, NDArray[np.complex128]]:
    """Return load name → its corrected reflection, complex, shape (F,); CalibrationError where a sweep is missing."""
    loads: dict[str, NDArray[np.complex128]] = {}
    for name in names:
        sweep = raw.get(load_sweep_name(name))
        if sweep is None:
            raise CalibrationError(
                f"the calibration says that load {name} was swept, but the sweep {load_sweep_name(name)} is missing",
                hint="Calibrate again.",
            )
        loads[name] = correct(sweep, terms).trace("s11")
    return loads
