"""What the log answers with, and what it can be asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.records import Figure, Proof, parse_proof


@dataclass(frozen=True)
class LogEntry:
    """One proof as the log knows it. ``folder`` is relative to the log folder, with "/"."""

    unit: str
    proof: str
    batch: str | None
    type: str
    bench: str | None
    when: str
    """As in the proof: ISO 8601 with offset."""
    decision: str
    probability: float | None
    program: str
    folder: str
    withdrawn: str | None
    """The reason for which the proof was set aside, or None."""
    text: str
    """The proof record, as it was entered."""
    withdrawn_when: str | None = None
    kept: str | None = None
    """The id of the log folder that holds the files, where a server serves several."""

    def record(self) -> Proof:
        """Return the whole proof."""
        return parse_proof(self.text, f"the log's record of proof {self.proof}")


@dataclass(frozen=True)
class Line:
    """One proof as lists and statistics need it: its columns, figures (without tolerance) and faults; no record is parsed."""

    unit: str
    proof: str
    batch: str | None
    type: str
    bench: str | None
    when: str
    decision: str
    probability: float | None
    due: str | None
    """UTC time from which the unit is due for a recheck, or None."""
    withdrawn: str | None
    figures: Mapping[str, Figure] = field(default_factory=dict)
    faults: tuple[tuple[str, float], ...] = ()
    """(name, weight), the heaviest first."""
    reworked: str | None = None
    """What was done to the unit before this proof, or None."""


@dataclass(frozen=True)
class Query:
    """What a list is narrowed to; None: not at all. All of it is asked of the newest proof of each unit that counts.

    ``since`` and ``until``: days as the bench wrote them ("2024-05-04"), both included. ``due_before``: UTC text; units that are
    due then. ``unit``: one unit.
    """

    batch: str | None = None
    type_name: str | None = None
    bench: str | None = None
    decision: str | None = None
    since: str | None = None
    until: str | None = None
    fault: str | None = None
    due_before: str | None = None
    unit: str | None = None


@dataclass(frozen=True)
class Adopted:
    """``entered``: ids of proofs that the log did not know; ``problems``: a sentence for every folder that is not whole."""

    entered: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(frozen=True)
class Checked:
    """What a check of the log found: proofs entered that were not, what is wrong, how many proofs are kept elsewhere, and what
    was taken away (empty runs)."""

    entered: tuple[str, ...]
    wrong: tuple[str, ...]
    elsewhere: int = 0
    tidied: tuple[str, ...] = ()


def reworked_of(proof: Proof) -> str | None:
    """Return what was done to the unit before this proof, where the proof starts a new reference; None elsewhere."""
    said = (proof.drift or {}).get("reworked")
    return said if isinstance(said, str) and said else None
