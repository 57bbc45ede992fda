"""Calibrations on disk: ``calibrations/<bench>/<time>-<id>/`` with the standards' raw sweeps and ``calibration.json``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import count
from pathlib import Path

from pydantic import ValidationError

from harness.errors import FileError, StoreError
from harness.files.disk import Disk, sha256_of, store_error, write_folder
from harness.files.names import dated_name, folder_name, name_of_folder, utc_time
from harness.files.proofs import sweep_contents
from harness.files.reading import decode, read_bytes, read_text
from harness.files.sweep_files import MAX_TOUCHSTONE_BYTES, file_name
from harness.records import CalibrationRecord, Sweep
from harness.touchstone import read_sweep

CALIBRATIONS = "calibrations"
RECORD_FILE = "calibration.json"
_AGAIN = "Calibrate again; tapproof takes the newest calibration."


def save_calibration(
    root: Path, record: CalibrationRecord, raw: Mapping[str, Sweep], disk: Disk | None = None
) -> CalibrationRecord:
    """File a calibration under the log folder ``root``; return the record with the SHA-256 of every raw sweep's file.

    The same sweeps with the same id are filed once: a run that goes on after an interruption gets back the record that was
    filed. Where a standard was swept again since, it is another calibration, and its id gets "n2", "n3" … at the end.
    StoreError: it cannot be written; then nothing of it is left behind.
    """
    contents = sweep_contents(raw)
    digests = {name: sha256_of(contents[file_name(name, sweep.ports)]) for name, sweep in raw.items()}
    known = {old.id: old for old in list_calibrations(root, record.bench)}
    identity = next(one for one in _ids(record.id) if one not in known or known[one].files == digests)
    if identity in known:
        return known[identity]
    filed = record.model_copy(update={"id": identity, "files": digests})
    text = filed.model_dump_json(indent=1) + "\n"
    if _parse(text, RECORD_FILE) != filed:
        raise StoreError(f"the calibration of {record.bench} would read back changed", hint=_AGAIN)
    target = _bench_folder(root, record.bench) / dated_name(record.made, identity)
    write_folder(target, {**contents, RECORD_FILE: text.encode()}, disk or Disk())
    return filed


def latest_calibration(root: Path, bench: str) -> tuple[CalibrationRecord, dict[str, Sweep]] | None:
    """Return the bench's newest calibration with its raw sweeps by name, or None where there is none.

    StoreError where the newest one is damaged: an older one is not taken in its place without anybody knowing.
    """
    newest: tuple[CalibrationRecord, Path] | None = None
    for folder in _newest_folders(root, bench):
        if newest is not None and folder.name[:16] != newest[1].name[:16]:
            break  # a second is what folder names tell apart; within it the records do
        record = _read_record(folder)
        if record.bench == bench and (newest is None or utc_time(record.made) > utc_time(newest[0].made)):
            newest = record, folder
    if newest is None:
        return None
    record, folder = newest
    return record, {name: _read_raw(folder, name, digest) for name, digest in record.files.items()}


def list_calibrations(root: Path, bench: str) -> list[CalibrationRecord]:
    """Return the records of the bench's calibrations, newest first; damaged ones are left out."""
    records = []
    for folder in _newest_folders(root, bench):
        try:
            record = _read_record(folder)
        except StoreError:
            continue
        if record.bench == bench:
            records.append(record)
    return sorted(records, key=lambda record: utc_time(record.made), reverse=True)


def damaged_calibrations(root: Path) -> list[str]:
    """Return what is wrong with filed calibrations, a sentence each: every file of every one is read."""
    wrong: list[str] = []
    top = root / CALIBRATIONS
    for bench in sorted(top.iterdir()) if top.is_dir() else []:
        for folder in _newest_folders(root, name_of_folder(bench.name)):
            try:
                for name, digest in _read_record(folder).files.items():
                    _read_raw(folder, name, digest)
            except StoreError as error:
                wrong.append(error.message)
    return wrong


def _ids(identity: str) -> Iterator[str]:
    yield identity
    yield from (f"{identity}n{number}" for number in count(2))


def _bench_folder(root: Path, bench: str) -> Path:
    return root / CALIBRATIONS / folder_name(bench, "bench")


def _newest_folders(root: Path, bench: str) -> list[Path]:
    top = _bench_folder(root, bench)
    try:
        if not top.exists():
            return []
        found = [path for path in top.iterdir() if path.is_dir() and not path.name.startswith(".")]
    except OSError as error:
        raise store_error(error, f"cannot read the folder {top}") from None
    return sorted(found, reverse=True)


def _read_record(folder: Path) -> CalibrationRecord:
    path = folder / RECORD_FILE
    try:
        return _parse(read_text(path, "a calibration record"), str(path))
    except FileError as error:
        raise StoreError(f"the calibration in {folder} is damaged: {error.message}", hint=_AGAIN, file=str(path)) from None


def _parse(text: str, source: str) -> CalibrationRecord:
    try:
        record = CalibrationRecord.model_validate_json(text)
        utc_time(record.made)
    except (ValidationError, StoreError) as error:
        first = error.errors(include_url=False)[0]["msg"] if isinstance(error, ValidationError) else error.message
        raise StoreError(f"{source} is not a calibration record that this version reads: {first}", hint=_AGAIN) from None
    return record


def _read_raw(folder: Path, name: str, digest: str) -> Sweep:
    for ports in (1, 2):
        path = folder / file_name(name, ports)
        if "/" in name or "\\" in name or not path.exists():
            continue
        try:
            data = read_bytes(path, "a raw sweep", MAX_TOUCHSTONE_BYTES)
            if sha256_of(data) != digest:
                raise FileError("its SHA-256 is another than when it was filed")
            return read_sweep(decode(data, path), name, ports, str(path))
        except FileError as error:
            raise StoreError(f"the calibration's file {path} is damaged: {error.message}", hint=_AGAIN, file=str(path)) from None
    raise StoreError(f"the calibration in {folder} has no sweep {name}", hint=_AGAIN, file=str(folder))
