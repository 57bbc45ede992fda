"""The unit log: which units were proved, when, and what came of it. The database library is imported late, by ``open_log``.

A proof's folder is filed first, then its row is written. A marker stands from before the folder until after the row, so a
proof that was cut off in between is entered by whoever opens the log next (:func:`enter_pending`); :func:`enter_missing` enters
whatever the database does not know, a whole lost database too.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from harness.files import LogAddress
from harness.log.entries import Adopted, Checked, Line, LogEntry, Query

if TYPE_CHECKING:
    from harness.log.unit_log import Log

__all__ = [
    "Adopted",
    "Checked",
    "Line",
    "Log",
    "LogEntry",
    "Query",
    "check_log",
    "enter_missing",
    "enter_pending",
    "examine",
    "open_log",
]

if not TYPE_CHECKING:

    def __getattr__(name):
        """Import ``Log`` when it is first asked for: it brings the database library with it."""
        if name == "Log":
            from harness.log.unit_log import Log

            return Log
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def open_log(where: Path | LogAddress) -> Log:
    """Return the log of a folder (made where it is missing), its tables brought up to this version.

    StoreError: it cannot be opened, is no log, or was written by a later version of the program.
    """
    from harness.log.unit_log import Log

    return Log(where if isinstance(where, LogAddress) else LogAddress(where))


def enter_missing(root: Path, log: Log) -> Adopted:
    """Enter every whole proof folder under ``root`` that the log does not know; return what was entered and what is wrong."""
    from harness.log.adopting import enter_missing as enter

    return enter(root, log)


def enter_pending(root: Path, log: Log) -> Adopted:
    """Enter what runs that were cut off filed and did not enter: a look into one small folder, so it is done at every opening."""
    from harness.log.adopting import enter_pending as enter

    return enter(root, log)


def check_log(root: Path, log: Log) -> list[str]:
    """Return what is wrong with the log, a sentence each: every file of every proof is read. Empty where all is well."""
    from harness.log.adopting import check_log as check

    return check(root, log)


def examine(root: Path, log: Log) -> Checked:
    """Enter what is missing, then read every stored file; return both."""
    from harness.log.adopting import examine as look

    return look(root, log)
