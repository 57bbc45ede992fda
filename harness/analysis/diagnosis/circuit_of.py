"""The fitted circuit as it is filed: numbers with their unit in the name."""

from __future__ import annotations

import math
from dataclasses import replace

from harness.analysis.diagnosis.explanations import Trial
from harness.analysis.diagnosis.fit import slopes_of
from harness.analysis.diagnosis.intended import Intended
from harness.analysis.diagnosis.observed import Observed
from harness.analysis.diagnosis.words import finite, mismatch_distance

ONE_SIDED_95 = 1.645
_SCALED = {
    "gap": ("gap_mm", 1e3),
    "joint": ("joint_ohm", 1.0),
    "break": ("break_pf", 1e12),
    "mismatch impedance": ("mismatch_ohm", 1.0),
    "mismatch length": ("mismatch_length_mm", 1e3),
    "braid ground": ("braid_to_box_pf", 1e12),
    "pad first": ("pad_resistor_ohm", 1.0),
}
"""Knobs of faults → key and scale."""


def circuit_of(observed: Observed, intended: Intended, trial: Trial) -> dict[str, float | None]:
    """Return turns, a_l_nh, leakage_nh, winding_pf, resistor_ohm (None where none is inside), line_leakage_nh, sample_pf.

    The trial's faults add joint_ohm, gap_mm, break_pf, mismatch_ohm, mismatch_length_mm and mismatch_at_mm (from the connector of
    its side). ``line_joint_most_ohm``: 95 % upper bound of a joint in the line where none is claimed.
    """
    values = trial.fit.values
    circuit = trial.fit.fitted.circuit
    found: dict[str, float | None] = {
        "turns": finite(circuit.turns),
        "a_l_nh": finite(1e9 * values["a_l"]),
        "leakage_nh": finite(1e9 * circuit.winding_leakage),
        "winding_pf": finite(1e12 * (circuit.winding_capacitance + circuit.braid_winding_capacitance)),
        "resistor_ohm": None if circuit.internal_resistor is None else finite(circuit.internal_resistor),
        "line_leakage_nh": finite(1e9 * circuit.primary_leakage),
        "sample_pf": finite(1e12 * circuit.sample_capacitance),
    }
    for name, (key, scale) in _SCALED.items():
        if name in values:
            found[key] = finite(scale * values[name])
    for change in trial.changes:
        if change.fault == "line mismatch":
            found["mismatch_at_mm"] = finite(1e3 * mismatch_distance(change, values))
    if "joint" not in values:
        found["line_joint_most_ohm"] = finite(most_joint(observed, trial))
    return found


def most_joint(observed: Observed, trial: Trial) -> float:
    """Return the 95 % upper bound in Ω of a joint at line in, other values free: the linear estimate, at least 0, and 1.645 u."""
    fitted = trial.fit.fitted
    base = observed.distance(observed.predict(fitted.matrix(observed.frequency_hz)))
    step = 0.01
    moved = replace(fitted, circuit=replace(fitted.circuit, line_in_joint=fitted.circuit.line_in_joint + step))
    slope = (observed.distance(observed.predict(moved.matrix(observed.frequency_hz))) - base) / step
    jacobian = slopes_of(observed, trial.fit.candidate, trial.fit.z)[: base.size]
    shared = trial.fit.covariance @ (jacobian.T @ slope)
    precision = max(float(slope @ slope - (jacobian.T @ slope) @ shared), 1e-12)
    left = -float(slope @ base - (jacobian.T @ slope) @ (trial.fit.covariance @ (jacobian.T @ base + trial.fit.z))) / precision
    return max(left, 0.0) + ONE_SIDED_95 / math.sqrt(precision)
