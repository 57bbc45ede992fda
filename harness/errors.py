"""The only exception classes of the program.

::

    TapproofError                     exit status
    ├── UsageError                    2   wrong options, unknown unit, nothing to do
    ├── FileError                     2   a file a person gave cannot be used (file, line, what is allowed)
    ├── DataError                     2   sweeps that cannot be analysed (grid, band, passivity)
    ├── StoreError                    3   the log or a proof folder cannot be read or written
    ├── InstrumentError               3   anything between us and the instrument
    │   ├── LinkError                 3   the address does not open, the device vanished
    │   ├── ReplyTimeout              3   no complete reply within the stated deadline
    │   ├── ReplyError                3   a reply came and is not what the dialect describes
    │   └── CommandRefused            3   the instrument's error queue is not empty
    ├── CalibrationError              3   a standard or the verification is not plausible
    └── Stopped                       130 the operator stopped the run

Every error carries what the bench needs: ``message`` (what was tried, what came, what was allowed, with units), ``hint``
(what to do), and, for files, ``file`` and ``line``. ``kind`` is the word that stands in the JSON error object.
"""

from __future__ import annotations


class TapproofError(Exception):
    """Base of all errors that are reported to the user as one clear message."""

    kind = "error"
    exit_status = 2

    def __init__(self, message: str, *, hint: str = "", file: str | None = None, line: int | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint
        self.file = file
        self.line = line

    def as_json(self) -> dict[str, str | int | None]:
        """Return the error object of the command line's JSON: kind, message, hint, file, line."""
        return {"kind": self.kind, "message": self.message, "hint": self.hint, "file": self.file, "line": self.line}


class UsageError(TapproofError):
    """Wrong options or arguments, or a name that is not known."""

    kind = "usage"


class FileError(TapproofError):
    """A file that a person gave cannot be used."""

    kind = "file"


class DataError(TapproofError):
    """Sweeps that cannot be analysed: grid, band, passivity, missing traces."""

    kind = "data"


class StoreError(TapproofError):
    """The log or a proof folder cannot be read or written."""

    kind = "store"
    exit_status = 3


class InstrumentError(TapproofError):
    """Trouble between the program and the instrument."""

    kind = "instrument"
    exit_status = 3


class LinkError(InstrumentError):
    """The address does not open, or the device vanished."""

    kind = "link"


class ReplyTimeout(InstrumentError):
    """No complete reply came within the stated deadline."""

    kind = "timeout"


class ReplyError(InstrumentError):
    """A reply came, and it is not what the dialect describes."""

    kind = "reply"


class CommandRefused(InstrumentError):
    """The instrument reported an error of its own."""

    kind = "refused"


class CalibrationError(TapproofError):
    """A standard or the verification sweep is not plausible, or the calibration does not fit this run."""

    kind = "calibration"
    exit_status = 3


class Stopped(TapproofError):
    """The operator stopped the run; what is done is kept."""

    kind = "stopped"
    exit_status = 130
