"""What a built unit was like: its fitted circuit, for the next design."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from harness import files, folder_proofs, proving
from harness.errors import FileError, StoreError, UsageError
from harness.records import Proof

if TYPE_CHECKING:
    from harness.sampler.design import Fitted

SWEEPS = ("line", "coupled", "coupled-far", "sample")


def fitted_like(records: proving.Records, unit: str) -> Fitted:
    """Return leakage, winding capacitance and A_L of a unit: from its latest proof, or fitted now to that proof's sweeps.

    UsageError: the log knows no such unit, or the proof has no sweep of the sample port, without which the turns are not known.
    """
    from harness.sampler.design import Fitted

    entries = records.log.history(unit)
    entry = next((entry for entry in entries if entry.withdrawn is None), None)
    proof = None if entry is None else entry.record()
    circuit = {} if entry is None or proof is None else _circuit(proof, records.root / entry.folder)
    if proof is None or circuit.get("turns") is None:
        unknown = f"the log in {records.root} knows no unit {unit!r}"
        lacks = f"the latest proof of {unit} holds no fitted circuit" if entries else unknown
        raise UsageError(
            f"{lacks}: its strays are not known",
            hint="Take a unit proved with all hook-ups, or leave --like out: strays of a usual size are assumed then.",
        )
    return Fitted.from_circuit(circuit, proof.type.build.core, proof.type.build.stack)


def _circuit(proof: Proof, folder: Path) -> Mapping[str, float | None]:
    """Return the proof's circuit, or fit one to its stored sweeps; empty where they do not suffice."""
    if proof.circuit.get("turns") is not None:
        return proof.circuit
    try:
        kept = files.read_proof_sweeps(folder)
    except (FileError, StoreError):
        return {}
    sweeps = {name: kept[name] for name in SWEEPS if name in kept}
    if len(sweeps) < len(SWEEPS):
        return {}
    from harness.analysis.diagnosis import diagnose, intended_of
    from harness.sampler import parse_cables, parse_cores, parse_materials

    tables = (
        parse_cores(files.read_data_text("cores.toml")),
        parse_materials(files.read_data_text("materials.toml")),
        parse_cables(files.read_data_text("cables.toml")),
    )
    terminations = folder_proofs.terminations_of_folder(folder, sweeps, proof.bench)
    return diagnose(sweeps, terminations, intended_of(proof.type, *tables)).circuit
