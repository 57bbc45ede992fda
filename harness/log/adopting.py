"""Proof folders and the database held together: what is filed and not entered, what is entered and not whole."""

from __future__ import annotations

from pathlib import Path

from harness.errors import TapproofError
from harness.files import folder_name, partial_folders, proof_folders, read_proof, verify_folder
from harness.files.names import dated_name
from harness.log.entries import Adopted
from harness.log.unit_log import Log
from harness.records import Proof


def enter_missing(root: Path, log: Log) -> Adopted:
    """Enter every whole proof folder under ``root`` that the log does not know; return what was entered and what is wrong.

    A folder that is not whole, or does not belong to the unit and time in its record, is not entered.
    """
    known = set(log.folders().values())
    entered: list[str] = []
    problems: list[str] = []
    found = [folder for folder in proof_folders(root) if folder.relative_to(root).as_posix() not in known]
    for folder in sorted(found, key=lambda path: path.name):  # by time, so that serials come in the order of the bench
        wrong = _what_is_wrong(folder)
        if wrong:
            problems += [f"{folder}: {said}" for said in wrong]
            continue
        proof = read_proof(folder)
        try:
            log.record(proof, folder)
        except TapproofError as error:
            problems.append(f"{folder}: {error.message}")
            continue
        entered.append(proof.proof)
    return Adopted(tuple(entered), tuple(problems))


def check_log(root: Path, log: Log) -> list[str]:
    """Return what is wrong with the log, a sentence each: every file of every proof is read. Empty where all is well."""
    wrong: list[str] = []
    known = log.folders()
    for identity in known:
        entry = log.proof(identity)
        if entry is None:
            continue
        folder = root / entry.folder
        if not folder.is_dir():
            wrong.append(f"proof {entry.proof} of {entry.unit}: its folder {entry.folder} is missing")
            continue
        said = verify_folder(folder)
        if not said and read_proof(folder).model_dump_json() != entry.text:
            said = ["its record is another than the one that was entered"]
        wrong += [f"proof {entry.proof} of {entry.unit}: {sentence}" for sentence in said]
    filed = set(known.values())
    unknown = [path for path in proof_folders(root) if path.relative_to(root).as_posix() not in filed]
    wrong += [f"{path}: the log does not know this proof" for path in unknown]
    return wrong + [
        f"{path}: a run was stopped while it wrote this folder; it may be taken away" for path in partial_folders(root)
    ]


def _what_is_wrong(folder: Path) -> list[str]:
    wrong = verify_folder(folder)
    return wrong or _what_is_misplaced(folder, read_proof(folder))


def _what_is_misplaced(folder: Path, proof: Proof) -> list[str]:
    try:
        names = (folder_name(proof.unit), dated_name(proof.circumstances.when, proof.proof))
    except TapproofError as error:
        return [error.message]
    if (folder.parent.name, folder.name) != names:
        return [f"it holds proof {proof.proof} of {proof.unit}, which belongs in {names[0]}/{names[1]}"]
    return []
