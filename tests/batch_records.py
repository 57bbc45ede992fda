"""Small logs with batches in them: proofs with given couplings, filed and entered as a run does it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from sqlalchemy import insert

from harness.files import pending_proof, write_proof
from harness.log.entering import proof_row
from harness.log.reserving import reserved_serial
from harness.log.schema import FAULTS, FIGURES, PROOFS, UNITS
from harness.log.unit_log import Log
from harness.records import Decision, FaultEntry, Figure, Proof
from tests.records_for_files import corrected, proof, raw

COUPLINGS = (30.12, 30.08, 30.15, 30.10, 30.05, 30.18, 30.11, 30.09)


def unit_proof(
    unit: str,
    identity: str,
    coupling: float,
    *,
    day: int = 1,
    batch: str | None = "autumn",
    decision: Decision = "conforms",
    fault: str | None = None,
    weight: float = 0.97,
) -> Proof:
    """Return a proof with the five figures; the coupling's interval is ±0.14 dB."""
    when = f"2024-05-{day:02d}T10:{len(unit):02d}:00+02:00"
    made = proof(unit, identity, when=when, batch=batch, decision=decision)
    figures = {
        "coupling_db": Figure(value=coupling, low=coupling - 0.14, high=coupling + 0.14, tolerance=(29, 31), decision=decision),
        "flatness_db": Figure(value=0.15, high=0.2, tolerance=(None, 0.5), decision="conforms"),
        "return_loss_db": Figure(value=33.4, low=31.0, tolerance=(25, None), decision="conforms"),
        "insertion_loss_db": Figure(value=0.02, high=0.05, tolerance=(None, 0.1), decision="conforms"),
        "swr": Figure(value=1.04, high=1.06),
    }
    entry = FaultEntry(fault=fault or "", weight=weight, says=f"{fault}.", try_="Look.")
    return made.model_copy(update={"figures": figures, "faults": (entry,) if fault else ()})


def renamed(base: Proof, unit: str, identity: str, coupling: float, batch: str | None = "autumn") -> Proof:
    """Return a proof like ``base`` of another unit: quicker than a new one, for logs of many."""
    figures = base.figures | {"coupling_db": base.figures["coupling_db"].model_copy(update={"value": coupling})}
    return base.model_copy(update={"unit": unit, "proof": identity, "figures": figures, "batch": batch})


def file_proof(log: Log, made: Proof, texts: Mapping[str, str] | None = None) -> Path:
    """File a proof and enter it; return its folder."""
    root = log.address.folder
    with pending_proof(root, made):
        filed, folder = write_proof(root, made, corrected(), raw(), texts or {"transcript.txt": "> who\n< ACME\n"})
        log.record(filed, folder)
    return folder


def file_batch(log: Log, couplings: Sequence[float] = COUPLINGS, batch: str = "autumn", prefix: str = "CL-") -> None:
    """File a unit for each coupling: CL-0001 on the first of the month, CL-0002 on the second …"""
    for number, coupling in enumerate(couplings, 1):
        file_proof(log, unit_proof(f"{prefix}{number:04d}", f"{batch}{number:04d}", coupling, day=1 + number % 28, batch=batch))


def enter_many(log: Log, proofs: Sequence[Proof], first: int = 1) -> None:
    """Enter proofs of as many new units at once, as ``Log.record`` does it one by one; ``first``: the first unit's place."""
    units = [
        {"name": made.unit, "entered": first + at, "batch": made.batch, "type": made.type.name} for at, made in enumerate(proofs)
    ]
    rows = [proof_row(made, f"proofs/{made.unit}/{made.proof}", log.kept) for made in proofs]
    figures = [
        {"proof": made.proof, "name": name, "value": figure.value, "low": figure.low, "high": figure.high}
        | {"decision": figure.decision}
        for made in proofs
        for name, figure in made.figures.items()
    ]
    faults = [
        {"proof": made.proof, "position": at, "fault": entry.fault, "weight": entry.weight}
        for made in proofs
        for at, entry in enumerate(made.faults)
    ]
    with log._writing.begin() as connection:
        for table, entries in ((UNITS, units), (PROOFS, rows), (FIGURES, figures), (FAULTS, faults)):
            if entries:
                connection.execute(insert(table), entries)


def next_serial(log: Log, batch: str, first: str | None = None) -> str:
    """Return the batch's next serial; it is let go at once."""
    with reserved_serial(log, log.address.folder, batch, first) as serial:
        return serial
