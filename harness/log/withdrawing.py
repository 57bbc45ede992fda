"""Setting a proof aside: a new record on disk, then the entry. What was measured stays as it was."""

from __future__ import annotations

from pathlib import Path

from harness.errors import UsageError
from harness.files import Withdrawal, pending_withdrawal, save_withdrawal
from harness.files.withdrawals import MAX_REASON
from harness.log.unit_log import Log


def withdraw_proof(root: Path, log: Log, identity: str, reason: str, *, when: str, who: str, program: str) -> Withdrawal:
    """Withdraw a proof and return the record that was filed. UsageError: unknown, withdrawn already, no reason; StoreError."""
    entry = log.proof(identity)
    if entry is None:
        raise UsageError(f"the log has no proof {identity!r}", hint="'tapproof show UNIT' lists a unit's proofs.")
    if entry.withdrawn is not None:
        raise UsageError(f"proof {identity} is withdrawn already: {entry.withdrawn}", hint="Nothing was changed.")
    said = " ".join(reason.split())
    if not 1 <= len(said) <= MAX_REASON:
        raise UsageError(
            f"a proof is withdrawn with a reason of 1 to {MAX_REASON} characters; {len(said)} came",
            hint="Say in a few words why it does not count.",
        )
    for what, text in (("the reason", said), ("the name of who withdraws", who)):
        if any(0xD800 <= ord(letter) <= 0xDFFF for letter in text):
            raise UsageError(f"{what} is not UTF-8 text: {text!r}", hint="Type it again.")
    record = Withdrawal(proof=identity, unit=entry.unit, reason=said, when=when, who=who, program=program)
    enter_withdrawal(root, log, record)
    return record


def enter_withdrawal(root: Path, log: Log, record: Withdrawal) -> None:
    """File a withdrawal and enter it; cut off in between, it is entered when the log is opened next."""
    with pending_withdrawal(root, record.proof):
        save_withdrawal(root, record)
        log.withdraw(record.proof, record.reason, record.when)
