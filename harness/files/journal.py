"""The journal of a run: ``runs/<unit>-<id>/``, where every raw sweep is on the disk before the run goes on.

``journal.jsonl`` holds one JSON object a line: "start" (unit, run, meta), "sweep" (step, file, SHA-256), "note", "set aside".
A sweep's file is written whole before its line. A line that is not a whole object counts for nothing, wherever it stands: a
process may be killed while it writes, and what it wrote last then stays torn in the middle of a run that went on.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from harness.errors import FileError, StoreError
from harness.files.disk import PARTIAL, Disk, make_folder, sha256_of, store_error, sync_folder
from harness.files.lock import FileLock
from harness.files.names import check_file_name, check_id, folder_name, new_id
from harness.files.reading import decode, read_bytes
from harness.files.sweep_files import MAX_TOUCHSTONE_BYTES, file_name
from harness.records import Sweep
from harness.touchstone import read_sweep, write_sweep

RUNS = "runs"
JOURNAL_FILE = "journal.jsonl"
JOURNAL_SCHEMA = 1
MAX_JOURNAL_BYTES = 64_000_000


class Journal:
    """One run's journal, held by one process until it is closed. Made by :meth:`start` or :meth:`unfinished`."""

    def __init__(self, folder: Path, lock: FileLock, lines: list[dict[str, Any]], disk: Disk) -> None:
        self._folder = folder
        self._lock = lock
        self._lines = lines
        self._disk = disk

    @classmethod
    def start(
        cls, root: Path, unit: str, meta: Mapping[str, Any], *, run_id: str | None = None, disk: Disk | None = None
    ) -> Self:
        """Begin a run under the log folder ``root``; ``meta`` is kept with it. StoreError where it cannot be written."""
        identity = check_id(run_id or new_id())
        folder = root / RUNS / f"{folder_name(unit)}-{identity}"
        first = {"line": "start", "schema": JOURNAL_SCHEMA, "unit": unit, "run": identity, "meta": dict(meta)}
        try:
            make_folder(folder.parent)
            folder.mkdir()
            sync_folder(folder.parent)
        except OSError as error:
            raise store_error(error, f"cannot begin the run in {folder}") from None
        lock = _lock(folder)
        journal = cls(folder, lock, [], disk or Disk())
        try:
            journal._begin(first)
        except StoreError:
            shutil.rmtree(folder, ignore_errors=True)
            lock.release(remove=True)
            raise
        return journal

    @classmethod
    def unfinished(cls, root: Path, unit: str, disk: Disk | None = None) -> Self | None:
        """Return the unit's latest run that was neither closed as done nor set aside, or None.

        StoreError where another process is at it, or where its journal is of a later version of the program.
        """
        found = [folder for folder in _run_folders(root, unit) if _is_open(_read_lines(folder / JOURNAL_FILE), unit)]
        for folder in sorted(found, key=_last_written, reverse=True):
            lock = _lock(folder)
            lines = _read_lines(folder / JOURNAL_FILE)
            if _is_open(lines, unit):  # it may have been finished between the first look and the lock
                return cls(folder, lock, lines, disk or Disk())
            lock.release(remove=True)
        return None

    @property
    def folder(self) -> Path:
        """The run's folder."""
        return self._folder

    @property
    def run_id(self) -> str:
        """The run's id."""
        return str(self._lines[0]["run"])

    @property
    def meta(self) -> dict[str, Any]:
        """What was given to :meth:`start`."""
        return dict(self._lines[0]["meta"])

    def kept(self, step_id: str) -> Sweep | None:
        """Return the raw sweep that the step last left, or None: never measured, or its file is not as it was written."""
        line = next((line for line in reversed(self._lines) if line["line"] == "sweep" and line["step"] == step_id), None)
        if line is None:
            return None
        try:
            path = self._folder / check_file_name(line["file"])
            data = read_bytes(path, "a raw sweep", MAX_TOUCHSTONE_BYTES)
            if sha256_of(data) != line["sha256"]:
                return None
            return read_sweep(decode(data, path), line["sweep"], line["ports"], str(path))
        except (FileError, StoreError):
            return None

    def keep(self, step_id: str, sweep: Sweep) -> None:
        """Put a raw sweep on disk, durably, before returning. A sweep taken again is a new file. StoreError."""
        data = write_sweep(sweep).encode()
        try:
            number = 1 + sum(path.suffix.startswith(".s") for path in self._folder.iterdir())
            name = check_file_name(f"{number:03d}-{file_name(sweep.name, sweep.ports)}")
            partial = self._folder / f"{PARTIAL}{new_id()}"
            try:
                self._disk.write(partial, data)
                self._disk.move(partial, self._folder / name)
            finally:
                partial.unlink(missing_ok=True)
        except OSError as error:
            raise store_error(error, f"cannot keep the sweep {sweep.name} in {self._folder}") from None
        said = {"step": step_id, "sweep": sweep.name, "ports": sweep.ports, "file": name, "sha256": sha256_of(data)}
        self._write_line({"line": "sweep", **said})

    def note(self, what: str, **details: str) -> None:
        """Write a line into the journal (an override, a repeat, a remark). StoreError."""
        self._write_line({"line": "note", "what": what, "details": details})

    def notes(self) -> list[dict[str, str]]:
        """Return the notes in order, each with "what" and its details."""
        return [{"what": line["what"], **line["details"]} for line in self._lines if line["line"] == "note"]

    def close_as_done(self) -> None:
        """Take the run away, its proof being filed. StoreError where it cannot be; then it stays as it was."""
        gone = self._folder.with_name(f"{PARTIAL}{new_id()}")
        try:
            self._disk.move(self._folder, gone)  # first, so that a half-removed run is never taken for an unfinished one
        except OSError as error:
            raise store_error(error, f"cannot take the finished run {self._folder} away") from None
        shutil.rmtree(gone, ignore_errors=True)
        self._lock.release(remove=True)

    def set_aside(self, reason: str) -> None:
        """Keep the run's files, but never offer it again as unfinished. StoreError."""
        self._write_line({"line": "set aside", "reason": reason})
        self._lock.release(remove=True)

    def close(self) -> None:
        """Let go of the run, which stays unfinished; never raises."""
        self._lock.release()

    def __enter__(self) -> Self:
        """Return the journal itself."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """Close."""
        self.close()

    def _begin(self, first: dict[str, Any]) -> None:
        try:
            self._disk.write(self._folder / JOURNAL_FILE, b"")
            sync_folder(self._folder)
        except OSError as error:
            raise store_error(error, f"cannot begin the run in {self._folder}") from None
        self._write_line(first)

    def _write_line(self, line: dict[str, Any]) -> None:
        path = self._folder / JOURNAL_FILE
        try:
            text = json.dumps(line, ensure_ascii=False, allow_nan=False)
            before = b"" if _ends_whole(path) else b"\n"
            self._disk.append(path, before + text.encode(errors="backslashreplace") + b"\n")
        except OSError as error:
            raise store_error(error, f"cannot write the journal {path}") from None
        self._lines.append(json.loads(text))


def _lock(folder: Path) -> FileLock:
    try:
        return FileLock(folder.with_name(f"{folder.name}.lock"))
    except BlockingIOError:
        raise StoreError(
            f"the run in {folder} is under way in another process",
            hint="Finish or stop that run first.",
            file=str(folder),
        ) from None
    except OSError as error:
        raise store_error(error, f"cannot lock the run in {folder}") from None


def _run_folders(root: Path, unit: str) -> list[Path]:
    pattern = re.compile(re.escape(folder_name(unit)) + r"-[A-Za-z0-9]{4,64}", re.ASCII)
    top = root / RUNS
    try:
        return [path for path in top.iterdir() if pattern.fullmatch(path.name) and path.is_dir()] if top.exists() else []
    except OSError as error:
        raise store_error(error, f"cannot read the folder {top}") from None


def _last_written(folder: Path) -> int:
    try:
        return (folder / JOURNAL_FILE).stat().st_mtime_ns
    except OSError:
        return 0  # taken away since it was listed; the look after the lock sees that


def _is_open(lines: list[dict[str, Any]], unit: str) -> bool:
    return bool(lines) and lines[0]["unit"] == unit and not any(line["line"] == "set aside" for line in lines)


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        if file.seek(0, 2) == 0:
            return True
        file.seek(-1, 2)
        return file.read(1) == b"\n"


_NEEDED: dict[str, dict[str, type]] = {
    "start": {"schema": int, "unit": str, "run": str, "meta": dict},
    "sweep": {"step": str, "sweep": str, "ports": int, "file": str, "sha256": str},
    "note": {"what": str, "details": dict},
    "set aside": {"reason": str},
}


def _read_lines(path: Path) -> list[dict[str, Any]]:
    """Return the lines that are whole; an empty list where the first whole one does not begin a run."""
    try:
        data = read_bytes(path, "a journal", MAX_JOURNAL_BYTES)
    except FileError:
        return []
    lines = [line for piece in data.split(b"\n") if (line := _whole_line(piece)) is not None]
    if not lines or lines[0]["line"] != "start":
        return []
    if lines[0]["schema"] > JOURNAL_SCHEMA:
        raise StoreError(
            f"{path} was written by a later version of the program",
            hint="Use that version, or move the run's folder away.",
            file=str(path),
        )
    return lines


def _whole_line(piece: bytes) -> dict[str, Any] | None:
    try:
        line = json.loads(piece)
    except (ValueError, RecursionError):
        return None
    if not isinstance(line, dict):
        return None
    needed = _NEEDED.get(str(line.get("line")))
    if needed is None or not all(isinstance(line.get(key), kind) for key, kind in needed.items()):
        return None
    return line
