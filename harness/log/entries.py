"""What the log answers with."""

from __future__ import annotations

from dataclasses import dataclass

from harness.records import Proof, parse_proof


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

    def record(self) -> Proof:
        """Return the whole proof."""
        return parse_proof(self.text, f"the log's record of proof {self.proof}")


@dataclass(frozen=True)
class Adopted:
    """``entered``: ids of proofs that the log did not know; ``problems``: a sentence for every folder that is not whole."""

    entered: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
