"""The calibration record: what stands beside a calibration's raw sweeps on disk.

The raw sweeps of the standards are the calibration; the error terms are solved from them again whenever they are needed.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from harness.records.bench_file import StandardsEntry
from harness.records.fields import FileModel


class CalibrationRecord(FileModel):
    """One calibration of one bench: belongs to one analyser identity and one frequency grid."""

    schema_version: int = 1
    id: str
    bench: str
    analyser: str
    made: str
    """ISO 8601 with offset."""
    paths: Literal["one-path", "two-path"]
    standards: StandardsEntry
    loads: tuple[str, ...] = ()
    """Names of the bench's loads that were swept: their raw sweeps are "load-A", "load-B"."""
    verification_db: float | None = None
    """The largest error of the verification sweep, in dB relative to a total reflection."""
    files: dict[str, str] = Field(default={})
    """Raw sweep name → sha256 of its Touchstone file."""
