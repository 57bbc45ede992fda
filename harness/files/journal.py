"""The journal of a run: ``runs/<unit>-<id>/``, where every raw sweep is on the disk before the run goes on.

``journal.jsonl`` holds one JSON object a line: "start" (unit, run, meta), "sweep" (step, file, SHA-256), "note", "set aside".
A sweep's file is written whole before its line. A line that is not a whole object counts for nothing, wherever it stands: a
process may be killed while it writes, and what it wrote last then stays torn in the middle of a run that went on.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from harness.errors import FileError, StoreError
from harness.files.disk import PARTIAL, Disk, make_folder, sha256_of, store_error
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
_LOCK = ".lock"
_RUN = re.compile(r"[A-Za-z0-9%].*-[A-Za-z0-9]{4,64}", re.ASCII)


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
        except OSError as error:
            raise store_error(error, f"cannot begin the run in {folder}") from None
        lock = _lock(folder)  # before the folder: a run's folder without a lock is nobody's
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

    @classmethod
    def is_left(cls, root: Path, unit: str) -> bool:
        """Tell whether the unit has a run that was neither closed as done nor set aside, whoever is at it. StoreError."""
        return any(_is_open(_read_lines(folder / JOURNAL_FILE), unit) for folder in _run_folders(root, unit))

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
            said = {"step": step_id, "sweep": sweep.name, "ports": sweep.ports, "file": name, "sha256": sha256_of(data)}
            try:
                with self._disk.together():  # a power cut may leave the line without the file: its SHA-256 tells
                    self._disk.write(partial, data)
                    self._disk.move(partial, self._folder / name)
                    line = self._add_line({"line": "sweep", **said})
            finally:
                partial.unlink(missing_ok=True)
        except OSError as error:
            raise store_error(error, f"cannot keep the sweep {sweep.name} in {self._folder}") from None
        self._lines.append(line)

    def note(self, what: str, **details: str) -> None:
        """Write a line into the journal (an override, a repeat, a remark). StoreError."""
        self._write_line({"line": "note", "what": what, "details": details})

    def notes(self) -> list[dict[str, str]]:
        """Return the notes in order, each with "what" and its details."""
        return [{"what": line["what"], **line["details"]} for line in self._lines if line["line"] == "note"]

    def overridden(self, step_id: str) -> str | None:
        """Return what was overridden, in words, of the sweep that the step last left; None where nothing was."""
        said: str | None = None
        for line in self._lines:
            if line["line"] == "sweep" and line["step"] == step_id:
                said = None  # an override is of one sweep; taken again, it is another
            elif line["line"] == "note" and line["what"] == "override" and line["details"].get("step") == step_id:
                said = f"{line['details'].get('title', '')}: {line['details'].get('says', '')}"
        return said

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
            self._folder.mkdir()
            with self._disk.together():
                self._disk.sync(self._folder.parent)
                self._disk.write(self._folder / JOURNAL_FILE, b"")
                self._disk.sync(self._folder)
                line = self._add_line(first)
        except OSError as error:
            raise store_error(error, f"cannot begin the run in {self._folder}") from None
        self._lines.append(line)

    def _write_line(self, line: dict[str, Any]) -> None:
        try:
            written = self._add_line(line)
        except OSError as error:
            raise store_error(error, f"cannot write the journal {self._folder / JOURNAL_FILE}") from None
        self._lines.append(written)

    def _add_line(self, line: dict[str, Any]) -> dict[str, Any]:
        """Add a line to the file and return it as it reads back. OSError."""
        path = self._folder / JOURNAL_FILE
        text = json.dumps(line, ensure_ascii=False, allow_nan=False)
        before = b"" if _ends_whole(path) else b"\n"
        self._disk.append(path, before + text.encode(errors="backslashreplace") + b"\n")
        return dict(json.loads(text))


def _lock(folder: Path) -> FileLock:
    try:
        return FileLock(folder.with_name(f"{folder.name}{_LOCK}"))
    except BlockingIOError:
        raise StoreError(
            f"the run in {folder} is under way in another process",
            hint="Finish or stop that run first.",
            file=str(folder),
        ) from None
    except OSError as error:
        raise store_error(error, f"cannot lock the run in {folder}") from None


def tidy_runs(root: Path) -> list[str]:
    """Take away what runs left that were killed before their journal's first line, or in going away; return a sentence for each.

    A run that began, or that a process is at, is left alone, and so is a folder with anything but an empty or torn journal in
    it. StoreError: the folder of the runs cannot be read.
    """
    told = []
    for path in _entries(root / RUNS):
        if path.name.startswith(PARTIAL):
            shutil.rmtree(path, ignore_errors=True)
            told.append(f"{path}: what was left of a finished run was taken away")
        if _RUN.fullmatch(path.name) and path.is_dir() and _without_lock(path, _take_empty):
            told.append(f"{path}: an empty run was taken away; it was stopped before it began")
    for path in _entries(root / RUNS):
        folder = path.with_name(path.name.removesuffix(_LOCK))
        if path.name.endswith(_LOCK) and _RUN.fullmatch(folder.name) and not folder.exists():
            _without_lock(folder, lambda _: True)
    return told


def _without_lock(folder: Path, take: Callable[[Path], bool]) -> bool:
    """Return what ``take`` says of a run's folder that no process is at, the lock held meanwhile; False of another's."""
    try:
        lock = _lock(folder)
    except StoreError:
        return False
    try:
        taken = take(folder)
    except OSError:
        taken = False
    lock.release(remove=taken or not folder.exists())
    return taken


def _take_empty(folder: Path) -> bool:
    """Remove the folder of a run that has not begun. OSError."""
    journal = folder / JOURNAL_FILE
    if set(folder.iterdir()) - {journal}:
        return False
    if journal.exists() and b"\n" in read_bytes(journal, "a journal", MAX_JOURNAL_BYTES):
        return False  # a whole line, be it of another version
    journal.unlink(missing_ok=True)
    folder.rmdir()
    return True


def _run_folders(root: Path, unit: str) -> list[Path]:
    pattern = re.compile(re.escape(folder_name(unit)) + r"-[A-Za-z0-9]{4,64}", re.ASCII)
    return [path for path in _entries(root / RUNS) if pattern.fullmatch(path.name) and path.is_dir()]


def _entries(top: Path) -> list[Path]:
    try:
        return sorted(top.iterdir()) if top.exists() else []
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
