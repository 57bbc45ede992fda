"""Choosing the reference proof of a unit: a new record on disk, then the entry. The latest choice counts."""

from __future__ import annotations

from pathlib import Path

from harness.errors import UsageError
from harness.files import ReferenceChoice, pending_reference, save_reference
from harness.log.unit_log import Log


def choose_reference(root: Path, log: Log, unit: str, identity: str, *, when: str, program: str) -> None:
    """Compare the unit with this proof from now on. UsageError: no proof of this unit, withdrawn, or a later choice is known."""
    found = log.proof(identity)
    if found is None or found.unit != unit:
        raise UsageError(f"{unit} has no proof {identity!r}", hint=f"'tapproof show {unit}' lists its proofs.")
    if found.withdrawn is not None:
        raise UsageError(f"proof {identity} is withdrawn: {found.withdrawn}", hint="Choose one that counts.")
    chosen, since = log.references(unit).get(unit, (None, None))
    if chosen == identity:
        return
    choice = ReferenceChoice(unit=unit, proof=identity, when=when, program=program)
    if not choice.is_later_than(chosen, since):
        raise UsageError(
            f"the reference {chosen} of {unit} was chosen at {since}, and it is {when} now",
            hint="Set this computer's clock, and choose again.",
        )
    enter_choice(root, log, choice)


def enter_choice(root: Path, log: Log, choice: ReferenceChoice) -> None:
    """File a choice and enter it; cut off in between, it is entered when the log is opened next."""
    with pending_reference(root, choice.stem):
        save_reference(root, choice)
        log.enter_reference(choice)
