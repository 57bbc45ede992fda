"""Characterisations on disk: ``characterisations/<bench>/<time>-<id>/`` with the raw sweeps and ``characterisation.json``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pydantic import ValidationError

from harness.errors import FileError, StoreError
from harness.files.disk import Disk, sha256_of, store_error, write_folder
from harness.files.names import dated_name, folder_name, utc_time
from harness.files.proofs import sweep_contents
from harness.files.reading import read_text
from harness.files.sweep_files import file_name
from harness.records import Characterised, Sweep

CHARACTERISATIONS = "characterisations"
RECORD_FILE = "characterisation.json"
_AGAIN = "Characterise the bench again; tapproof takes the newest characterisation."


def save_characterisation(
    root: Path, record: Characterised, raw: Mapping[str, Sweep], disk: Disk | None = None
) -> tuple[Characterised, Path]:
    """File a characterisation under the log folder ``root``; return the record with every raw file's SHA-256, and its folder.

    ``raw``: file stem → sweep. StoreError: it cannot be written; then nothing of it is left behind.
    """
    contents = sweep_contents(raw)
    digests = {name: sha256_of(contents[file_name(name, sweep.ports)]) for name, sweep in raw.items()}
    filed = record.model_copy(update={"files": digests})
    text = filed.model_dump_json(indent=1) + "\n"
    if _parse(text, RECORD_FILE) != filed:
        raise StoreError(f"the characterisation of {record.bench} would read back changed", hint=_AGAIN)
    target = _bench_folder(root, record.bench) / dated_name(record.made, record.id)
    write_folder(target, {**contents, RECORD_FILE: text.encode()}, disk or Disk())
    return filed, target


def latest_characterisation(root: Path, bench: str) -> Characterised | None:
    """Return the bench's newest characterisation, or None where there is none.

    StoreError where one is damaged: an older one is not taken in its place without anybody knowing.
    """
    top = _bench_folder(root, bench)
    try:
        found = [path for path in top.iterdir() if path.is_dir() and not path.name.startswith(".")] if top.exists() else []
    except OSError as error:
        raise store_error(error, f"cannot read the folder {top}") from None
    # A second is what folder names tell apart; within it the records do.
    newest = max((path.name[:16] for path in found), default="")
    records = [_read_record(path) for path in found if path.name[:16] == newest]
    return max((one for one in records if one.bench == bench), key=lambda one: utc_time(one.made), default=None)


def _bench_folder(root: Path, bench: str) -> Path:
    return root / CHARACTERISATIONS / folder_name(bench, "bench")


def _read_record(folder: Path) -> Characterised:
    path = folder / RECORD_FILE
    try:
        return _parse(read_text(path, "a characterisation"), str(path))
    except FileError as error:
        raise StoreError(f"the characterisation in {folder} is damaged: {error.message}", hint=_AGAIN, file=str(path)) from None


def _parse(text: str, source: str) -> Characterised:
    try:
        record = Characterised.model_validate_json(text)
        utc_time(record.made)
    except (ValidationError, StoreError) as error:
        first = error.errors(include_url=False)[0]["msg"] if isinstance(error, ValidationError) else error.message
        raise StoreError(f"{source} is not a characterisation that this version reads: {first}", hint=_AGAIN) from None
    return record
