"""Runs that kill themselves at every point: ``python -m tests.interrupted_run FOLDER FIRST-LOG|- one|all WORDS…``.

A point is an operation on the disk (writing, adding, moving a name) or the entry into the database, counted from 1. The process
ends by SIGKILL before it, or with half of its bytes written. Nothing in the program knows of this: the operations are wrapped
here, in processes of the tests' own.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from harness.cli import main
from harness.files.disk import Disk
from harness.log.unit_log import Log

count = 0
KINDS: list[str] = []
WRITING = ("write", "append")


OPERATIONS: tuple[tuple[type, str], ...] = ((Disk, "write"), (Disk, "append"), (Disk, "move"), (Log, "record"))
ORIGINAL: dict[str, Callable[..., Any]] = {name: getattr(owner, name) for owner, name in OPERATIONS}


def end() -> None:
    """End this process as a power cut does: no handler runs."""
    os.kill(os.getpid(), signal.SIGKILL)


def wrapped(operation: Callable[..., Any], number: int, moment: str, *, writes: bool) -> Callable[..., Any]:
    """Return the operation, which ends the process at its turn."""

    def run(self: Any, *given: Any) -> Any:
        global count  # noqa: PLW0603  # one process, one count
        count += 1
        KINDS.append(operation.__name__)
        if count == number and moment == "before":
            end()
        if count == number and moment == "half" and writes:
            operation(self, given[0], given[1][: len(given[1]) // 2])
            end()
        value = operation(self, *given)
        if count == number:
            end()
        return value

    return run


def run(number: int, moment: str, words: list[str]) -> int:
    """Call the program with its disk and its log wrapped; return its exit status."""
    for owner, name in OPERATIONS:
        setattr(owner, name, wrapped(ORIGINAL[name], number, moment, writes=name in WRITING))
    try:
        main(words)
    except SystemExit as ended:
        return int(ended.code or 0)
    return 0


def forked(number: int, moment: str, words: list[str], quiet: Path) -> int:
    """Run in a child of this process; return its exit status, or minus the signal that ended it."""
    child = os.fork()
    if child == 0:
        status = 99
        try:
            sink = os.open(quiet, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
            os.dup2(sink, 1)
            os.dup2(sink, 2)
            status = run(number, moment, words)
            sys.stdout.flush()
            sys.stderr.write(f"\noperations: {count}\n")
            sys.stderr.flush()
        finally:
            os._exit(status)
    _, waited = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(waited)


def walk(words: list[str], folder: Path, first: Path | None, *, all_moments: bool) -> None:
    """Kill one run after another, each at its own point in a log of its own, and then let it go on; one line of JSON a point.

    ``first``: a log that each begins with. What is on the disk after one operation is what is there before the next, so the
    moments are "before" and, where bytes are written, "half"; without ``all_moments`` one of the two.
    """
    global count  # noqa: PLW0603
    logs = Logs(folder, first)
    nowhere = io.StringIO()
    with contextlib.redirect_stdout(nowhere), contextlib.redirect_stderr(nowhere):
        status = run(0, "after", [*words, "--log", str(logs.new("whole"))])  # here: each child has all that is imported
    assert status in (0, 4), nowhere.getvalue()  # 4: undecided, which is a whole proof as well
    last, kinds = count, list(KINDS)
    for number in range(1, last + 1):
        moments = ("before", "half") if kinds[number - 1] in WRITING else ("before",)
        for moment in moments if all_moments else moments[-1:]:
            log = logs.new(f"{number}-{moment}")
            count = 0
            killed = forked(number, moment, [*words, "--log", str(log)], folder / "killed.txt")
            kept = len(list(log.glob("runs/U1-*/[0-9]*.s[12]p")))
            filed = len(list(log.glob("proofs/*/[0-9]*")))
            again = forked(0, "after", [*words, "--log", str(log)], folder / "again.txt")
            told = (folder / "again.txt").read_text()
            checked = forked(0, "after", ["log", "check", "--json", "--log", str(log)], folder / "check.txt")
            found = json.loads((folder / "check.txt").read_text().rsplit("operations:", 1)[0])
            # A run that was killed before its first line stood leaves an empty folder, which is never taken for a run.
            left = len(list(log.glob("runs/U1-*/[0-9]*")))
            said = {"number": number, "of": last, "kind": kinds[number - 1], "moment": moment, "killed": killed, "kept": kept}
            said |= {"filed": filed, "again": again, "whole": status, "checked": checked, "found": found, "left": left}
            print(json.dumps(said | {"document": json.loads(told[told.index("{\n") : told.rindex("}\n") + 1])}), flush=True)
            shutil.rmtree(log)


class Logs:
    """Log folders of one walk."""

    def __init__(self, folder: Path, first: Path | None) -> None:
        self._folder, self._first = folder, first

    def new(self, name: str) -> Path:
        """Return a new log folder, a copy of the first where there is one."""
        path = self._folder / name
        if self._first is not None:
            shutil.copytree(self._first, path)
        return path


if __name__ == "__main__":
    _, folder, first, moments, *words = sys.argv
    walk(words, Path(folder), None if first == "-" else Path(first), all_moments=moments == "all")
