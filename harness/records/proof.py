"""The proof: everything that one whole run on one unit gave, as it is kept in ``proof.json``."""

from __future__ import annotations

from typing import Any

from pydantic import Field, ValidationError

from harness.errors import FileError
from harness.records.bench_file import Bench
from harness.records.fields import FileModel
from harness.records.figure import BudgetLine, CouplingAt, CouplingTable, Decision, FaultEntry, Figure, UncertaintyNote
from harness.records.proof_diagnosis import DiagnosisNote
from harness.records.type_file import SamplerType

PROOF_SCHEMA = 1


class Circumstances(FileModel):
    """Who measured, when, with what."""

    when: str
    """ISO 8601 with offset, the end of the run."""
    who: str = ""
    program: str
    sequence: str
    analyser: str = ""
    calibration: str | None = None
    ambient_celsius: float | None = None
    ohmmeter: dict[str, float] = {}
    note: str = ""


class Check(FileModel):
    """Something the analysis looked at besides the figures: what it saw, and whether it is as it should be."""

    name: str
    says: str
    ok: bool


class Proof(FileModel):
    """One whole run on one unit. Frequencies in Hz, figures in dB where their name says so."""

    schema_version: int = PROOF_SCHEMA
    unit: str
    proof: str
    batch: str | None = None
    type: SamplerType
    bench: Bench | None
    circumstances: Circumstances
    decision: Decision
    probability: float | None = None
    band_hz: tuple[float, float]
    figures: dict[str, Figure]
    coupling_at: tuple[CouplingAt, ...] = ()
    coupling_table: CouplingTable | None = None
    usable_band_hz: tuple[float, float] | None = None
    circuit: dict[str, float | None] = {}
    faults: tuple[FaultEntry, ...] = ()
    diagnosis: DiagnosisNote | None = None
    drift: dict[str, Any] | None = None
    checks: tuple[Check, ...] = ()
    how: dict[str, str] = {}
    """Figure → how it was taken (which sweeps, which correction)."""
    budget: dict[str, tuple[BudgetLine, ...]] = {}
    """Figure → its uncertainty budget, largest share first; the shares sum to 1."""
    uncertainty: UncertaintyNote | None = None
    files: dict[str, str] = Field(default={})

    def summary(self) -> dict[str, Any]:
        """Return the JSON document of ``prove``, ``recheck`` and ``show`` for this proof."""
        whole = self.model_dump(mode="json")
        faults = [{("try" if key == "try_" else key): value for key, value in fault.items()} for fault in whole["faults"]]
        keys = (
            "unit",
            "proof",
            "batch",
            "decision",
            "probability",
            "band_hz",
            "figures",
            "coupling_at",
            "usable_band_hz",
            "circuit",
        )
        if whole["diagnosis"] is not None:
            del whole["diagnosis"]["remainder"]  # for the sheet's plot; the record has it
        rest = ("diagnosis", "drift", "checks", "how", "budget", "uncertainty", "circumstances", "files")
        return (
            {key: whole[key] for key in keys}
            | {"type": self.type.name, "bench": self.bench.name if self.bench else None, "faults": faults}
            | {key: whole[key] for key in rest}
        )


def parse_proof(text: str, source: str) -> Proof:
    """Return the proof of a ``proof.json``; FileError where it is not one of this program's, or of a later schema."""
    try:
        return Proof.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise FileError(
            f"{source} is not a proof record that this version reads: {where}: {first['msg']}",
            hint="It may have been changed by hand, or written by a later version of the program.",
            file=source,
        ) from None
