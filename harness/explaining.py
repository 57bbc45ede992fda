"""The diagnosis in a proof: the fitted circuit, the faults and what would decide between them. Pure; slow, so imported late."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING

import numpy as np

from harness.analysis import AdapterModel, Terminations
from harness.analysis.guard import Tables
from harness.errors import TapproofError
from harness.records import Proof, Residuals, Sweep, default_residuals
from harness.records.proof_diagnosis import DiagnosisNote, FitRemainder

if TYPE_CHECKING:
    from harness.analysis.diagnosis import Diagnosis

LEAST_WEIGHT = 1e-3
NAMED = ("sample", "coupled-far")
"""Sweeps that a diagnosis may ask for; it names one in brackets behind its description."""
ORDER = ("coupled", "line", "coupled-far", "sample")


def explained(
    proof: Proof,
    sweeps: Mapping[str, Sweep],
    terminations: Terminations,
    tables: Tables,
    adapters: Mapping[str, AdapterModel],
) -> Proof:
    """Return the proof with circuit, faults and how they were found; without faults, and saying why, where nothing can be fitted.

    ``sweeps``: the corrected ones. A proof is never lost for its diagnosis: figures and decision stand without it.
    """
    taken = {name: sweeps[name] for name in ORDER if name in sweeps}
    try:
        found = _diagnosis(proof, taken, terminations, tables, adapters)
    except TapproofError as error:
        return unexplained(proof, f"not looked for: {error.message}")
    except np.linalg.LinAlgError as error:
        return unexplained(proof, f"not found: no circuit fits these sweeps ({error})")
    note = DiagnosisNote(
        says=f"a circuit fitted to {_listed(tuple(taken))} together, each explanation weighed against a healthy build",
        explanation=found.explanation,
        core=found.core,
        weights={name: round(weight, 4) for name, weight in found.weights.items() if weight >= LEAST_WEIGHT},
        remainder=_remainder(found),
    )
    return proof.model_copy(update={"circuit": found.circuit, "faults": found.faults, "diagnosis": note})


def unexplained(proof: Proof, why: str) -> Proof:
    """Return the proof with the reason why no faults were looked for."""
    return proof.model_copy(update={"diagnosis": DiagnosisNote(says=why)})


def wanted_sweep(proof: Proof, taken: Collection[str]) -> tuple[str, str] | None:
    """Return the sweep that would decide between the proof's faults and was not taken, and how the diagnosis asks for it.

    None where no sweep is asked for.
    """
    for fault in proof.faults:
        for name in NAMED:
            if fault.needs is not None and f"({name})" in fault.needs and name not in taken:
                return name, fault.needs
    return None


def _diagnosis(
    proof: Proof,
    sweeps: Mapping[str, Sweep],
    terminations: Terminations,
    tables: Tables,
    adapters: Mapping[str, AdapterModel],
) -> Diagnosis:
    from harness.analysis.diagnosis import ReadingErrors, diagnose, intended_of

    sizes: Residuals = default_residuals() if proof.uncertainty is None else proof.uncertainty.residuals
    intended = intended_of(proof.type, tables.cores, tables.materials, tables.cables)
    return diagnose(sweeps, terminations, intended, adapters, ReadingErrors.of(sizes))


def _remainder(found: Diagnosis) -> FitRemainder:
    left = found.remainder
    off = np.abs(left.residual) / left.sigma
    rows = {name: tuple(round(float(each), 2) for each in row) for name, row in zip(left.names, off, strict=True)}
    return FitRemainder(hz=tuple(float(each) for each in left.hz), off=rows, band_hz=left.band_hz)


def _listed(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
