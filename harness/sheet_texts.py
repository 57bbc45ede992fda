"""Sheets from records: the unit sheet that goes into a proof's folder, and any sheet made again from the log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from harness import files
from harness.analysis import Band, parse_bands
from harness.errors import DataError, UsageError
from harness.records import Proof, Sweep

if TYPE_CHECKING:
    from harness.log.entries import LogEntry
    from harness.log.unit_log import Log

SHEET_FILE = "sheet.html"
DRIFT_FILE = "drift.html"
Kind = Literal["unit", "label", "batch", "drift"]


@dataclass(frozen=True)
class Made:
    """Sheets: their kind, what they are of (``proof`` None for a batch), and text by file name ending ("sheet.html")."""

    kind: Kind
    name: str
    proof: str | None
    texts: Mapping[str, str]

    @property
    def stem(self) -> str:
        """The beginning of their files' names."""
        return files.folder_name(self.name)


def unit_sheet_text(proof: Proof, sweeps: Mapping[str, Sweep], withdrawn: str | None = None) -> str:
    """Return the unit sheet of a proof; ``sweeps``: the corrected ones, empty where they are not at hand."""
    from harness.sampler.design import shipped_parts
    from harness.sheets.unit import unit_sheet

    return unit_sheet(proof, sweeps, bands=_bands(), parts=shipped_parts(), withdrawn=withdrawn)


def filed_sheets(proof: Proof, sweeps: Mapping[str, Sweep], log: Log) -> dict[str, str]:
    """Return the sheets that go into a proof's folder, by file name: the unit sheet and, of a recheck, the drift sheet."""
    texts = {SHEET_FILE: unit_sheet_text(proof, sweeps)}
    if isinstance((proof.drift or {}).get("reference"), str):
        texts[DRIFT_FILE] = _drift_text(log, proof)
    return texts


def make_again(log: Log, name: str, kind: Kind | None = None) -> Made:
    """Make the sheet of a unit (its newest proof that counts), a proof or a batch, in this order, from the log.

    ``kind`` "batch" means the batch where a unit has the same name; "label" and "drift" give these of a unit or proof.
    UsageError: no such name, or nothing to make this sheet of.
    """
    if kind != "batch":
        entry = _entry(log, name)
        if entry is not None:
            return _of_entry(log, entry, kind or "unit")
    if kind in (None, "batch") and log.batch_lines(name):
        return Made("batch", name, None, {"batch.html": _batch_text(log, name)})
    what = "batch" if kind == "batch" else "unit or proof" if kind else "unit, proof or batch"
    raise UsageError(
        f"the log in {log.address.folder} knows no {what} {name!r}",
        hint="'tapproof list' shows units and batches, 'tapproof show UNIT' a unit's proofs.",
    )


def _entry(log: Log, name: str) -> LogEntry | None:
    """Return a unit's newest proof that counts, or the proof with this id; None where the log knows neither."""
    history = log.history(name)
    if history:
        found = next((entry for entry in history if entry.withdrawn is None), None)
        if found is None:
            raise UsageError(
                f"every proof of {name} is withdrawn: there is no sheet that counts",
                hint="Give a proof's id for the sheet of a withdrawn proof; it says so.",
            )
        return found
    return log.proof(name)


def _of_entry(log: Log, entry: LogEntry, kind: Kind) -> Made:
    proof = entry.record()
    if kind == "label":
        return Made(kind, entry.unit, entry.proof, _labels(proof, entry.withdrawn))
    if kind == "drift":
        return Made(kind, entry.unit, entry.proof, {DRIFT_FILE: _drift_text(log, proof)})
    text = unit_sheet_text(proof, _sweeps(log, entry, proof), entry.withdrawn)
    return Made("unit", entry.unit, entry.proof, {SHEET_FILE: text})


def _sweeps(log: Log, entry: LogEntry, proof: Proof) -> Mapping[str, Sweep]:
    """Return the proof's sweeps; none where another bench of a shared log keeps them. FileError where one was changed."""
    if log.kept is not None and entry.kept not in (None, log.kept):
        return {}
    return files.read_stored_sweeps(log.address.folder / entry.folder, proof.files)


def _labels(proof: Proof, withdrawn: str | None) -> dict[str, str]:
    from harness.sampler.design import shipped_parts
    from harness.sheets.label import label_marks, label_pdf, label_svg

    if withdrawn is not None:
        raise UsageError(f"the proof {proof.proof} is withdrawn: no label is made from it", hint="Prove the unit again.")
    if "coupling_db" not in proof.figures:
        raise DataError(f"the proof {proof.proof} holds no coupling: no label is made from it", hint="Prove the unit again.")
    marks, says = label_marks(proof, shipped_parts()), f"Label {proof.unit}"
    return {"label.svg": label_svg(marks, says), "label.pdf": label_pdf(marks, says)}


def _drift_text(log: Log, proof: Proof) -> str:
    from harness.sheets.drift import drift_sheet

    reference = (proof.drift or {}).get("reference")
    found = log.proof(reference) if isinstance(reference, str) else None
    return drift_sheet(proof, None if found is None else found.record(), bands=_bands())


def _batch_text(log: Log, name: str) -> str:
    from harness.log.batches import batch_report
    from harness.sheets.batch import batch_sheet

    report = batch_report(log, name)
    proofs = {entry.unit: entry.record() for entry in log.batch(name)}
    return batch_sheet(name, report.units, report.statistics, proofs, bands=_bands())


def _bands() -> tuple[Band, ...]:
    return tuple(parse_bands(files.read_data_text("bands.toml"), "bands.toml"))
