"""Files and the database held together: what is filed and not entered, what is entered and not whole."""

from __future__ import annotations

from pathlib import Path

from harness.errors import TapproofError
from harness.files import (
    ReferenceChoice,
    chosen_references,
    damaged_calibrations,
    folder_name,
    partial_folders,
    proof_folders,
    read_proof,
    read_reference,
    read_withdrawal,
    tidy_runs,
    verify_folder,
    withdrawn_proofs,
)
from harness.files.names import dated_name
from harness.files.pending import REFERENCE, WITHDRAWAL, folders_of, pending_names, settle
from harness.log.entries import Adopted, Checked, LogEntry
from harness.log.reading_log import enter_kept_readings
from harness.log.unit_log import Log
from harness.records import Proof


def enter_missing(root: Path, log: Log) -> Adopted:
    """Enter every whole proof folder and every withdrawal under ``root`` that the log does not know.

    Returns what was entered and what is wrong. A folder that is not whole, or does not belong to the unit and time in its record,
    is not entered. Of the references that were chosen the latest of each unit is entered.
    """
    known = set(log.folders().values())
    entered: list[str] = []
    problems: list[str] = []
    found = [folder for folder in proof_folders(root) if folder.relative_to(root).as_posix() not in known]
    for folder in sorted(found, key=lambda path: path.name):  # by time, so that serials come in the order of the bench
        one = _enter_folder(folder, log)
        entered += one.entered
        problems += one.problems
    withdrawn = log.withdrawals()
    for identity in withdrawn_proofs(root):
        if identity not in withdrawn:
            problems += _enter_withdrawal(root, identity, log)
    problems += _enter_references(root, log)
    problems += enter_kept_readings(root, log)
    return Adopted(tuple(entered), tuple(problems))


def enter_pending(root: Path, log: Log) -> Adopted:
    """Enter what runs that were cut off filed and did not enter, by their markers: a look into one small folder.

    What another process is filing at this moment is left to it. Problems stay marked, for 'tapproof log check' to tell.
    """
    entered: list[str] = []
    problems: list[str] = []

    def enter(name: str) -> bool:
        if name.startswith(WITHDRAWAL):
            wrong = _enter_withdrawal(root, name.removeprefix(WITHDRAWAL), log)
            problems.extend(wrong)
            return not wrong
        if name.startswith(REFERENCE):
            wrong = _enter_reference(root, name.removeprefix(REFERENCE), log)
            problems.extend(wrong)
            return not wrong
        found = [_enter_folder(folder, log) for folder in folders_of(root, name)]
        entered.extend(identity for one in found for identity in one.entered)
        problems.extend(sentence for one in found for sentence in one.problems)
        return not any(one.problems for one in found)

    for name in pending_names(root):
        settle(root, name, enter)
    return Adopted(tuple(entered), tuple(problems))


def examine(root: Path, log: Log) -> Checked:
    """Enter what is missing, then read every stored file; what is wrong is said once. Empty runs are taken away."""
    adopted = enter_missing(root, log)
    settled = enter_pending(root, log)  # the markers of what was entered just now
    told = tuple(sentence.split(": ")[0] + ":" for sentence in adopted.problems)
    more = [sentence for sentence in check_log(root, log) if not sentence.startswith(told)]
    wrong = dict.fromkeys([*adopted.problems, *settled.problems, *more])
    elsewhere = log.count() - len(log.folders())
    return Checked((*adopted.entered, *settled.entered), tuple(wrong), elsewhere, tuple(tidy_runs(root)))


def check_log(root: Path, log: Log) -> list[str]:
    """Return what is wrong with the log, a sentence each: every file of every proof is read. Empty where all is well."""
    known = log.folders()
    wrong = [sentence for identity in known for sentence in _wrong_with(root, log.proof(identity))]
    filed = set(known.values())
    unknown = [path for path in proof_folders(root) if path.relative_to(root).as_posix() not in filed]
    wrong += [f"{path}: the log does not know this proof" for path in unknown]
    wrong += [f"{path}: a run was stopped while it wrote this folder; it may be taken away" for path in partial_folders(root)]
    return wrong + _wrong_withdrawals(root, log) + damaged_calibrations(root)


def _wrong_with(root: Path, entry: LogEntry | None) -> list[str]:
    if entry is None:
        return []
    folder = root / entry.folder
    if not folder.is_dir():
        return [f"proof {entry.proof} of {entry.unit}: its folder {entry.folder} is missing"]
    said = verify_folder(folder)
    if not said and read_proof(folder) != entry.record():
        said = ["its record is another than the one that was entered"]
    return [f"proof {entry.proof} of {entry.unit}: {sentence}" for sentence in said]


def _wrong_withdrawals(root: Path, log: Log) -> list[str]:
    """A withdrawal on disk that the log does not have, or tells otherwise; one folder's log has them all on disk as well."""
    known = log.withdrawals()
    wrong: list[str] = []
    filed = list(withdrawn_proofs(root))
    for identity in filed:
        try:
            found = read_withdrawal(root, identity)
        except TapproofError as error:
            wrong.append(error.message)
            continue
        if found is not None and known.get(identity) != found.reason:
            wrong.append(f"proof {identity}: the log has another withdrawal than the file: {known.get(identity) or 'none'}")
    if log.kept is None:
        wrong += [f"proof {identity}: the file of its withdrawal is missing" for identity in known if identity not in filed]
    return wrong


def _enter_folder(folder: Path, log: Log) -> Adopted:
    wrong = verify_folder(folder)
    wrong = wrong or _what_is_misplaced(folder, read_proof(folder))
    if wrong:
        return Adopted((), tuple(f"{folder}: {said}" for said in wrong))
    proof = read_proof(folder)
    try:
        new = log.record(proof, folder)
    except TapproofError as error:
        return Adopted((), (f"{folder}: {error.message}",))
    return Adopted((proof.proof,) if new else ())


def _enter_withdrawal(root: Path, identity: str, log: Log) -> list[str]:
    """Enter a withdrawal that is on disk; return what is wrong with it."""
    try:
        found = read_withdrawal(root, identity)
        if found is not None and identity not in log.withdrawals():
            log.withdraw(identity, found.reason, found.when)
    except TapproofError as error:
        return [f"the withdrawal of proof {identity}: {error.message}"]
    return []


def _enter_references(root: Path, log: Log) -> list[str]:
    """Enter the latest choice of each unit where the log has an earlier one or none; return what is wrong."""
    known = log.references()
    latest: dict[str, ReferenceChoice] = {}
    wrong = []
    for stem in chosen_references(root):
        try:
            choice = read_reference(root, stem)
        except TapproofError as error:
            wrong.append(error.message)
            continue
        before = latest.get(choice.unit)
        if choice.is_later_than(*known.get(choice.unit, (None, None))) and (
            before is None or choice.is_later_than(before.proof, before.when)
        ):
            latest[choice.unit] = choice
    return wrong + [sentence for choice in latest.values() for sentence in _enter_reference(root, choice.stem, log)]


def _enter_reference(root: Path, stem: str, log: Log) -> list[str]:
    """Enter a choice that is on disk; return what is wrong with it. One that was not filed any more is nothing wrong."""
    try:
        if stem in chosen_references(root):
            log.enter_reference(read_reference(root, stem))
    except TapproofError as error:
        return [f"the chosen reference {stem}: {error.message}"]
    return []


def _what_is_misplaced(folder: Path, proof: Proof) -> list[str]:
    try:
        names = (folder_name(proof.unit), dated_name(proof.circumstances.when, proof.proof))
    except TapproofError as error:
        return [error.message]
    if (folder.parent.name, folder.name) != names:
        return [f"it holds proof {proof.proof} of {proof.unit}, which belongs in {names[0]}/{names[1]}"]
    return []
