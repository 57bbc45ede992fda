"""Readings on disk: ``readings/<time>-<id>.json``, a new record for each; none is ever changed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.errors import FileError, StoreError
from harness.files.disk import Disk, make_folder, store_error
from harness.files.names import dated_name, new_id
from harness.files.reading import read_text
from harness.records import LoggedReading, parse_reading

READINGS = "readings"


def reading_stem(reading: LoggedReading) -> str:
    """Return the name of a reading's file, without ``.json``. StoreError: its time or id is none."""
    return dated_name(reading.when, reading.id)


def is_filed_as(reading: LoggedReading, stem: str) -> bool:
    """Tell whether this is the name of the reading's file."""
    try:
        return reading_stem(reading) == stem
    except StoreError:
        return False


def reading_bytes(reading: LoggedReading) -> bytes:
    """Return the record as it is filed. StoreError where it would not read back."""
    try:
        text = reading.model_dump_json(indent=1) + "\n"
        data = text.encode()
        parse_reading(text, "the reading")
    except (ValueError, FileError):  # a text that is no Unicode, from a keyboard set up wrongly
        raise StoreError("the reading cannot be written as UTF-8", hint="Type the note again.") from None
    return data


def save_reading(root: Path, reading: LoggedReading, disk: Disk | None = None) -> None:
    """File a reading, whole or not at all; StoreError where another has its name, or it cannot be written."""
    target = root / READINGS / f"{reading_stem(reading)}.json"
    data, on = reading_bytes(reading), disk or Disk()
    partial = target.with_name(f".partial-{new_id()}")
    try:
        make_folder(target.parent)
        if target.exists():
            raise StoreError(f"{target} is there already, and nothing is written over", hint="Log the reading again.")
        on.write(partial, data)
        on.move(partial, target)
    except OSError as error:
        raise store_error(error, f"cannot write {target}") from None
    finally:
        partial.unlink(missing_ok=True)


def read_kept_reading(root: Path, stem: str) -> LoggedReading:
    """Return the reading that is filed under a name; FileError where it is damaged or belongs elsewhere."""
    path = root / READINGS / f"{stem}.json"
    found = parse_reading(read_text(path, "a reading"), str(path))
    if not is_filed_as(found, stem):
        raise FileError(f"{path} is a reading that belongs elsewhere", hint="It was moved or changed by hand.", file=str(path))
    return found


def kept_readings(root: Path) -> Iterator[str]:
    """Yield the name of every reading on disk, the earliest first; StoreError where the folder cannot be read."""
    folder = root / READINGS
    try:
        names = sorted(path.name for path in folder.iterdir()) if folder.exists() else []
    except OSError as error:
        raise store_error(error, f"cannot read the folder {folder}") from None
    yield from (name.removesuffix(".json") for name in names if name.endswith(".json") and not name.startswith("."))
