"""Correction: raw sweeps become readings at the ends of the cables."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.calibration.terms import ErrorTerms, PathTerms
from harness.errors import CalibrationError
from harness.records import Sweep
from harness.records.sweep import describe_grid

FULL = ("s11", "s21", "s12", "s22")


def correct(raw: Sweep, terms: ErrorTerms) -> Sweep:
    """Return the corrected sweep; traces that were not measured, or cannot be corrected, stay absent.

    All four traces and two-path terms: the full S-matrix of what is between the analyser's ports, both ports taken as
    matched (the 12-term correction). Otherwise what one direction gives: "s11" is the reflection seen at analyser 1 with
    everything else as connected, "s21" the wave into the receiver, T = S21/(1 − S22·Γr), Γr being the receiver match that
    stays in ``terms`` for the estimator. A one-port sweep gives "s11" only.
    CalibrationError where the grids differ; DataError where S11 is missing.
    """
    if not raw.same_grid(terms.frequency_hz):
        ours = describe_grid(terms.frequency_hz)
        raise CalibrationError(
            f"the sweep {raw.name} has {describe_grid(raw.frequency_hz)}; the calibration has {ours}",
            hint="Calibrate on the grid of the bench file, or sweep on the calibration's grid.",
        )
    if terms.reverse is not None and all(key in raw.traces for key in FULL):
        traces = _full(raw, terms, terms.reverse)
    else:
        traces = _one_direction(raw, terms.forward)
    return Sweep(raw.name, raw.frequency_hz, traces, raw.ports, raw.comments)


def corrected_reflection(raw: NDArray[np.complex128], path: PathTerms) -> NDArray[np.complex128]:
    """Return the reflection Γ from the raw M = Ed + Er·Γ/(1 − Es·Γ), shape (F,)."""
    shifted = raw - path.directivity
    return np.asarray(shifted / (path.reflection_tracking + path.source_match * shifted), dtype=np.complex128)


def _one_direction(raw: Sweep, path: PathTerms) -> dict[str, NDArray[np.complex128]]:
    reflection = corrected_reflection(raw.trace("s11"), path)
    traces = {"s11": reflection}
    if "s21" in raw.traces:
        # M21 = Ex + Et·T/(1 − Es·Γin): the source match acts on the reflection that is seen, receiver included.
        received = raw.trace("s21") - path.isolation
        traces["s21"] = np.asarray(received * (1 - path.source_match * reflection) / path.transmission_tracking)
    return traces


def _full(raw: Sweep, terms: ErrorTerms, reverse: PathTerms) -> Mapping[str, NDArray[np.complex128]]:
    from skrf.calibration import TwelveTerm
    from skrf.frequency import Frequency
    from skrf.network import Network

    axis = Frequency.from_f(terms.frequency_hz, unit="hz")
    coefs = _coefs("forward", terms.forward) | _coefs("reverse", reverse)
    s = np.empty((raw.frequency_hz.size, 2, 2), dtype=np.complex128)
    for key in FULL:
        s[:, int(key[1]) - 1, int(key[2]) - 1] = raw.trace(key)
    corrected = TwelveTerm.from_coefs(axis, coefs, n_thrus=1).apply_cal(Network(frequency=axis, s=s)).s
    return Sweep.from_matrix(raw.name, raw.frequency_hz, np.asarray(corrected, dtype=np.complex128)).traces


def _coefs(direction: str, path: PathTerms) -> dict[str, Any]:
    return {
        f"{direction} directivity": path.directivity,
        f"{direction} source match": path.source_match,
        f"{direction} reflection tracking": path.reflection_tracking,
        f"{direction} transmission tracking": path.transmission_tracking,
        f"{direction} load match": path.receiver_match,
        f"{direction} isolation": path.isolation,
    }
