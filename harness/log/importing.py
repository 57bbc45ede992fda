"""Records into the log, from an archive: the archive is checked whole before anything is written, and nothing is written over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from harness.errors import FileError, StoreError, TapproofError
from harness.files import (
    Disk,
    ReferenceChoice,
    Withdrawal,
    folder_name,
    pending_proof,
    read_proof,
    read_withdrawal,
    verify_folder,
)
from harness.files.disk import sha256_of, write_folder
from harness.files.kept_readings import is_filed_as
from harness.files.names import check_name, dated_name
from harness.files.proofs import MAX_KEPT_BYTES, MAX_PROOF_BYTES, PROOF_FILE, PROOFS
from harness.files.references import parse_reference
from harness.files.withdrawals import parse_withdrawal
from harness.log.archive_file import Archive, Bounds, open_archive, refuse
from harness.log.choosing import enter_choice
from harness.log.manifest import (
    FIGURES,
    MANIFEST,
    ArchivedProof,
    Manifest,
    parse_manifest,
    reading_member,
    reference_member,
    withdrawal_member,
)
from harness.log.reading_log import merge_reading
from harness.log.unit_log import Log
from harness.log.withdrawing import enter_withdrawal
from harness.records import PROOF_SCHEMA, LoggedReading, Proof, parse_proof, parse_reading

MAX_MANIFEST = 256_000_000
MAX_WITHDRAWAL = 100_000


@dataclass
class Imported:
    """Ids of proofs that are new, that were there already, whose files were put back; withdrawals that are new; a sentence for
    each chosen reference that is new, and for each conflict."""

    new: list[str] = field(default_factory=list)
    known: list[str] = field(default_factory=list)
    restored: list[str] = field(default_factory=list)
    withdrawn: list[str] = field(default_factory=list)
    references: list[str] = field(default_factory=list)
    readings: list[str] = field(default_factory=list)
    conflicts: list[str] = field(default_factory=list)


def import_archive(log: Log, root: Path, path: Path, bounds: Bounds | None = None, disk: Disk | None = None) -> Imported:
    """Merge an archive into the log: each proof whole or not at all, in the archive's order; returns what came of each.

    A proof or withdrawal that is there with other content is a conflict: it is told, and what is there stays. Of two choices of
    a unit's reference the later one counts, here as there. FileError: the
    archive is refused, and nothing was written. StoreError: writing failed; the proofs before that are in, and a second import
    goes on.
    """
    with open_archive(path, bounds) as archive:
        manifest = _manifest(archive, str(path))
        for each in manifest.proofs:
            _proof(archive, each, str(path))
        records = [_withdrawal(archive, identity, digest, str(path)) for identity, digest in manifest.withdrawals.items()]
        choices = [_reference(archive, stem, digest, str(path)) for stem, digest in manifest.references.items()]
        readings = [_reading(archive, stem, digest, str(path)) for stem, digest in manifest.readings.items()]
        done = Imported()
        units = {name.lower(): name for name in log.unit_names()}
        for each in manifest.proofs:
            proof, contents = _proof(archive, each, str(path))
            near = units.setdefault(proof.unit.lower(), proof.unit)
            if near != proof.unit:
                done.conflicts.append(
                    f"proof {proof.proof} of {proof.unit}: the log has a unit {near}, the same name but for case"
                )
                continue
            _merge(log, root, proof, contents, done, disk)
    for record in records:
        _merge_withdrawal(log, root, record, done)
    for choice in choices:
        _merge_reference(log, root, choice, done)
    for reading in readings:
        merge_reading(log, root, reading, done.readings, done.conflicts)
    return done


def _manifest(archive: Archive, source: str) -> Manifest:
    text = _text(archive.read(MANIFEST, MAX_MANIFEST), MANIFEST, source)
    manifest = parse_manifest(text, source)
    strange, missing = archive.names - manifest.members(), manifest.members() - archive.names
    if strange or missing:
        what = f"holds {min(strange)}, which its manifest does not list" if strange else f"has no {min(missing)}"
        raise refuse(source, f"it {what}")
    ids = [proof.proof for proof in manifest.proofs]
    if len(set(ids)) != len(ids) or not set(manifest.withdrawals) <= set(ids):
        raise refuse(source, "a proof is listed twice, or a withdrawal without its proof")
    _checked_bytes(archive, FIGURES, manifest.figures, MAX_MANIFEST, source)
    return manifest


def _proof(archive: Archive, listed: ArchivedProof, source: str) -> tuple[Proof, Mapping[str, bytes]]:
    """Return a proof and its files by name, every one checked against manifest and record. FileError."""
    most = {name: MAX_PROOF_BYTES if name == PROOF_FILE else MAX_KEPT_BYTES for name in listed.files}
    contents = {
        name: _checked_bytes(archive, f"{listed.folder}/{name}", digest, most[name], source)
        for name, digest in listed.files.items()
    }
    if PROOF_FILE not in contents:
        raise refuse(source, f"{listed.folder} has no {PROOF_FILE}")
    proof = parse_proof(_text(contents[PROOF_FILE], PROOF_FILE, source), f"{source}, {listed.folder}/{PROOF_FILE}")
    wrong = _wrong_record(proof, listed)
    if wrong is not None:
        raise refuse(source, f"{listed.folder}: {wrong}")
    return proof, contents


def _wrong_record(proof: Proof, listed: ArchivedProof) -> str | None:
    if proof.schema_version != PROOF_SCHEMA:
        return f"its record is of schema {proof.schema_version}; this program reads {PROOF_SCHEMA}"
    if (proof.unit, proof.proof) != (listed.unit, listed.proof):
        return f"it holds proof {proof.proof} of {proof.unit}, and the manifest says {listed.proof} of {listed.unit}"
    if proof.files != {name: digest for name, digest in listed.files.items() if name != PROOF_FILE}:
        return "the manifest lists other files than its record"
    try:
        if proof.batch is not None:
            check_name(proof.batch, "batch")
        place = f"{PROOFS}/{folder_name(proof.unit)}/{dated_name(proof.circumstances.when, proof.proof)}"
        if parse_proof(proof.model_dump_json(), PROOF_FILE) != proof:  # a figure that is not a number is equal to nothing
            return "its record holds a value that is no number"
    except (TapproofError, ValueError) as error:
        return error.message if isinstance(error, TapproofError) else str(error)
    return None if listed.folder == place else f"it belongs in {place}"


def _withdrawal(archive: Archive, identity: str, digest: str, source: str) -> Withdrawal:
    data = _checked_bytes(archive, withdrawal_member(identity), digest, MAX_WITHDRAWAL, source)
    record = parse_withdrawal(_text(data, withdrawal_member(identity), source), f"{source}, {withdrawal_member(identity)}")
    if record.proof != identity:
        raise refuse(source, f"{withdrawal_member(identity)} is the withdrawal of proof {record.proof}")
    return record


def _reference(archive: Archive, stem: str, digest: str, source: str) -> ReferenceChoice:
    member = reference_member(stem)
    data = _checked_bytes(archive, member, digest, MAX_WITHDRAWAL, source)
    choice = parse_reference(_text(data, member, source), f"{source}, {member}")
    if choice.stem != stem:
        raise refuse(source, f"{member} is the choice {choice.stem}")
    return choice


def _reading(archive: Archive, stem: str, digest: str, source: str) -> LoggedReading:
    member = reading_member(stem)
    data = _checked_bytes(archive, member, digest, MAX_WITHDRAWAL, source)
    found = parse_reading(_text(data, member, source), f"{source}, {member}")
    if not is_filed_as(found, stem):
        raise refuse(source, f"{member} is another reading")
    return found


def _checked_bytes(archive: Archive, name: str, digest: str, most: int, source: str) -> bytes:
    data = archive.read(name, most)
    if sha256_of(data) != digest:
        raise refuse(source, f"{name} is damaged: its SHA-256 is another than the manifest's")
    return data


def _text(data: bytes, name: str, source: str) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError:
        raise refuse(source, f"{name} is no UTF-8 text") from None


def _merge(log: Log, root: Path, proof: Proof, contents: Mapping[str, bytes], done: Imported, disk: Disk | None) -> None:
    target = root / PROOFS / folder_name(proof.unit) / dated_name(proof.circumstances.when, proof.proof)
    entry = log.proof(proof.proof)
    if entry is not None and entry.record() != proof:
        done.conflicts.append(f"proof {proof.proof} of {proof.unit}: the log has another proof with this id, of {entry.unit}")
        return
    if target.exists() or (entry is not None and entry.kept not in (None, log.kept)):
        here = entry is not None and not target.exists()
        if here or _is_same(target, proof):
            done.known.append(proof.proof) if entry is not None or not log.record(proof, target) else done.new.append(proof.proof)
        else:
            done.conflicts.append(f"proof {proof.proof} of {proof.unit}: its folder {target} holds something else")
        return
    _stay_inside(root, target)
    with pending_proof(root, proof):
        write_folder(target, contents, disk or Disk())
        log.record(proof, target)
    (done.restored if entry is not None else done.new).append(proof.proof)


def _is_same(folder: Path, proof: Proof) -> bool:
    try:
        return not verify_folder(folder) and read_proof(folder) == proof
    except FileError:
        return False


def _stay_inside(root: Path, target: Path) -> None:
    """Refuse to write where a link in the log folder leads out of it."""
    if not target.parent.resolve().is_relative_to(root.resolve()):
        raise StoreError(
            f"{target.parent} leads out of the log folder {root}", hint="Take the link away, and import again.", file=str(target)
        )


def _merge_withdrawal(log: Log, root: Path, record: Withdrawal, done: Imported) -> None:
    entry = log.proof(record.proof)
    if entry is None or entry.unit != record.unit:
        return  # its proof was a conflict, and is told already
    if entry.withdrawn is not None:
        if (entry.withdrawn, entry.withdrawn_when) != (record.reason, record.when):
            done.conflicts.append(
                f"proof {record.proof} of {record.unit} is withdrawn here for another reason: {entry.withdrawn}"
            )
        return
    filed = read_withdrawal(root, record.proof)
    if filed is not None and filed != record:
        done.conflicts.append(f"proof {record.proof} of {record.unit}: another withdrawal of it is on disk")
    elif filed is not None:
        log.withdraw(record.proof, record.reason, record.when)
        done.withdrawn.append(record.proof)
    else:
        enter_withdrawal(root, log, record)
        done.withdrawn.append(record.proof)


def _merge_reference(log: Log, root: Path, choice: ReferenceChoice, done: Imported) -> None:
    entry = log.proof(choice.proof)
    before, since = log.references(choice.unit).get(choice.unit, (None, None))
    if entry is None or entry.unit != choice.unit or not choice.is_later_than(before, since):
        return  # its proof was a conflict, and is told already; or the choice is known, or a later one is
    enter_choice(root, log, choice)
    was = f"; it was {before}" if before not in (None, choice.proof) else ""
    done.references.append(f"proof {choice.proof} is the reference of {choice.unit}, chosen {choice.when[:10]}{was}")
