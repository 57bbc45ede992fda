"""The characterisation record: what verification sweeps have shown of a bench's residual errors, and when."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from harness.records.fields import FileModel
from harness.records.residuals import Residuals

Verdict = Literal["better than stated", "as stated", "not proved as good as stated", "worse than stated", "not seen"]


class Term(FileModel):
    """One size: ``size_db`` as in Residuals (a level in dB, or ± dB), beside what was stated and what the sweeps showed.

    ``seen_db``: what the sweeps alone show, None where they cannot. ``verdict`` compares it with what was stated; "not seen"
    leaves the stated size.
    """

    term: str
    size_db: float
    stated_db: float | None
    seen_db: float | None
    verdict: Verdict
    how: str
    """How it was found."""
    bound: str
    """What bounds it: what the method cannot see, and what is taken instead."""


class Offset(FileModel):
    """The cable between analyser and standard, as its sweep shows it: delay one way in s, loss one way at ``at_hz`` in dB."""

    delay_s: float
    loss_db: float
    at_hz: float


class Characterised(FileModel):
    """Sizes of a bench's residual errors from verification sweeps, dated, and the table that explains each of them."""

    schema_version: int = 1
    id: str
    bench: str
    analyser: str
    made: str
    """ISO 8601 with offset."""
    calibration: str
    """Id of the calibration that corrected the sweeps."""
    residuals: Residuals
    terms: tuple[Term, ...]
    offset: Offset
    misfit: float
    """Root mean square of what the fit leaves, over what is expected of it: about 1."""
    files: dict[str, str] = Field(default={})
    """Raw sweep name → sha256 of its Touchstone file."""
