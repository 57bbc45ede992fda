"""Records out of the log, into one archive: whole proof folders, withdrawals, a table of all figures, and the manifest."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.errors import TapproofError, UsageError
from harness.files import (
    ReferenceChoice,
    Withdrawal,
    check_free,
    chosen_references,
    new_id,
    read_proof,
    read_reference,
    read_withdrawal,
    verify_folder,
)
from harness.files.disk import sha256_of, store_error
from harness.files.kept_readings import reading_bytes
from harness.files.proofs import PROOF_FILE
from harness.files.references import reference_bytes
from harness.files.withdrawals import withdrawal_bytes
from harness.log.entries import LogEntry
from harness.log.manifest import FIGURES, MANIFEST, ArchivedProof, Manifest, reading_member, reference_member, withdrawal_member
from harness.log.reading_log import kept_of
from harness.log.unit_log import Log

_DATE = (1980, 1, 1, 0, 0, 0)
_PROOF_COLUMNS = ("unit", "proof", "batch", "type", "bench", "when", "decision", "probability", "withdrawn")
FIGURE_COLUMNS = (*_PROOF_COLUMNS, "figure", "value", "low", "high", "least", "most", "figure_decision")


@dataclass(frozen=True)
class Exported:
    """What went into the archive, and a sentence for every proof that did not."""

    proofs: int
    withdrawals: int
    left_out: tuple[str, ...]


def export(log: Log, root: Path, target: Path, ids: Sequence[str], *, program: str, made: str) -> Exported:
    """Write the proofs ``ids`` into the archive ``target``, whole or not at all; returns what went in.

    A proof whose files are damaged, or are kept by another bench of a shared log, is left out and said. UsageError: the file is
    there already, or two units' names differ by case only. StoreError: it cannot be written.
    """
    check_free(target, force=False)
    _refuse_near_names(log, ids)
    partial = target.with_name(f".{target.name}.{new_id()}.partial")
    try:
        with zipfile.ZipFile(partial, "x", zipfile.ZIP_DEFLATED) as archive:
            done = _fill(archive, log, root, ids, program, made)
        partial.replace(target)
    except OSError as error:
        raise store_error(error, f"cannot write {target}") from None
    finally:
        partial.unlink(missing_ok=True)
    return done


def _fill(archive: zipfile.ZipFile, log: Log, root: Path, ids: Sequence[str], program: str, made: str) -> Exported:
    proofs: list[ArchivedProof] = []
    withdrawals: dict[str, str] = {}
    left_out: list[str] = []
    table = io.StringIO()
    rows = csv.writer(table, lineterminator="\n")
    rows.writerow(FIGURE_COLUMNS)

    def add(name: str, data: bytes) -> str:
        archive.writestr(zipfile.ZipInfo(name, _DATE), data, zipfile.ZIP_DEFLATED)
        return sha256_of(data)

    for identity in ids:
        entry = log.proof(identity)
        if entry is None:
            continue
        wrong = _wrong_with(log, root, entry)
        if wrong:
            left_out.append(f"proof {identity} of {entry.unit} is left out: {wrong}")
            continue
        proofs.append(_add_proof(root, entry, add))
        rows.writerows(_figure_rows(entry))
        record = _withdrawal_of(log, root, entry)
        if record is not None:
            withdrawals[identity] = add(withdrawal_member(identity), withdrawal_bytes(record))
    references = {
        choice.stem: add(reference_member(choice.stem), reference_bytes(choice)) for choice in _references(log, root, proofs)
    }
    readings = {
        stem: add(reading_member(stem), reading_bytes(reading))
        for stem, reading in kept_of(log, list(dict.fromkeys(each.unit for each in proofs))).items()
    }
    said = Manifest(
        program=program,
        made=made,
        proofs=tuple(proofs),
        withdrawals=withdrawals,
        references=references,
        readings=readings,
        figures=add(FIGURES, table.getvalue().encode()),
    )
    add(MANIFEST, (said.model_dump_json(indent=1) + "\n").encode())
    return Exported(len(proofs), len(withdrawals), tuple(left_out))


def _add_proof(root: Path, entry: LogEntry, add: Callable[[str, bytes], str]) -> ArchivedProof:
    folder = root / entry.folder
    names = [PROOF_FILE, *read_proof(folder).files]
    files = {name: add(f"{entry.folder}/{name}", (folder / name).read_bytes()) for name in names}
    return ArchivedProof(unit=entry.unit, proof=entry.proof, folder=entry.folder, files=files)


def _wrong_with(log: Log, root: Path, entry: LogEntry) -> str | None:
    """Return why a proof cannot go into an archive, or None."""
    if entry.kept is not None and entry.kept != log.kept:
        return "its files are kept by another bench; export it there"
    folder = root / entry.folder
    if not folder.is_dir():
        return f"its folder {entry.folder} is missing"
    try:
        wrong = verify_folder(folder)
        if not wrong and read_proof(folder) != entry.record():
            wrong = ["its record is another than the one that was entered"]
        if not wrong and entry.withdrawn is not None and _withdrawal_of(log, root, entry) is None:
            wrong = ["it is withdrawn, and the file of the withdrawal is missing"]
    except TapproofError as error:
        wrong = [error.message]
    return "; ".join(wrong) or None


def _withdrawal_of(log: Log, root: Path, entry: LogEntry) -> Withdrawal | None:
    """Return the withdrawal of a proof; in a shared log another bench may have it on disk, and the log's own words are taken."""
    found = read_withdrawal(root, entry.proof)
    if found is None and entry.withdrawn is not None and log.kept is not None:
        when = entry.withdrawn_when or entry.when
        return Withdrawal(proof=entry.proof, unit=entry.unit, reason=entry.withdrawn, when=when, program=entry.program)
    return found


def _references(log: Log, root: Path, proofs: Sequence[ArchivedProof]) -> list[ReferenceChoice]:
    """Return the choice of a reference of each unit whose chosen proof is in the archive; where another bench has its file, or
    none has it, it is made of the log's own words."""
    inside = {each.proof: each.unit for each in proofs}
    found = []
    for unit, (proof, when) in sorted(log.references().items()):
        if inside.get(proof) != unit:
            continue
        entry = log.proof(proof)
        program = "" if entry is None else entry.program
        choice = ReferenceChoice(unit=unit, proof=proof, when=when, program=program)
        found.append(read_reference(root, choice.stem) if choice.stem in set(chosen_references(root)) else choice)
    return found


def _figure_rows(entry: LogEntry) -> Iterable[Sequence[object]]:
    head = (entry.unit, entry.proof, entry.batch, entry.type, entry.bench, entry.when, entry.decision, entry.probability)
    mark = "" if entry.withdrawn is None else "withdrawn"
    for name, figure in entry.record().figures.items():
        yield (*head, mark, name, figure.value, figure.low, figure.high, *figure.tolerance, figure.decision)


def _refuse_near_names(log: Log, ids: Sequence[str]) -> None:
    seen: dict[str, str] = {}
    wanted = set(ids)
    for name in log.unit_names() if wanted else ():
        other = seen.setdefault(name.lower(), name)
        if other != name and wanted & {*log.ids(unit=name)} and wanted & {*log.ids(unit=other)}:
            raise UsageError(
                f"the units {other} and {name} cannot be in one archive: some systems take the two names for one",
                hint="Export them one by one with --unit.",
            )


def chosen(log: Log, units: Sequence[str], batch: str | None) -> list[str]:
    """Return the ids of the proofs to export: all, or those of ``units`` and ``batch``. UsageError: one is not known."""
    if not units and batch is None:
        found = log.ids()
        if not found:
            raise UsageError("the log holds no proof", hint="'tapproof prove UNIT --type T --bench B' makes one.")
        return found
    parts = [(f"unit {unit!r}", log.ids(unit=unit)) for unit in units]
    parts += [(f"batch {batch!r}", log.ids(batch=batch))] if batch is not None else []
    for what, ids in parts:
        if not ids:
            raise UsageError(f"the log knows no {what}", hint="'tapproof list' shows the units it knows.")
    wanted = {identity for _, ids in parts for identity in ids}
    return [identity for identity in log.ids() if identity in wanted]
