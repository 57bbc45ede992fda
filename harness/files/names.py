"""Names of units, batches and benches as names of folders, and the times and ids that folders carry.

A name is 1 to 64 of the characters A–Z a–z 0–9 space . _ + ( ) -, begins with a letter or digit and does not end with a space.
Most names are folder names as they stand. What some file system would refuse or change is written as ``%XX``: a point at the
end, and the first letter of a device name (CON, NUL, COM1 …). ``%`` is in no name, so the folder's name gives the name back.
"""

from __future__ import annotations

import re
import secrets
from datetime import UTC, datetime

from harness.errors import StoreError, UsageError

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._+()-]{0,63}", re.ASCII)
_DEVICE = re.compile(r"(CON|PRN|AUX|NUL|COM[0-9]|LPT[0-9])(?=$|[ .])", re.ASCII | re.IGNORECASE)
_ESCAPED = re.compile(r"%([0-9A-F]{2})", re.ASCII)
_ID = re.compile(r"[A-Za-z0-9]{4,64}", re.ASCII)
_FILE = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._+()-]{0,99}", re.ASCII)


def check_name(name: str, what: str = "unit") -> str:
    """Return ``name`` as it stands; UsageError, naming ``what``, where it is no name."""
    if _NAME.fullmatch(name) is None or name.endswith(" "):
        raise UsageError(
            f"{what}: {name!r} is not a name",
            hint="Use 1 to 64 letters, digits, spaces and . _ + ( ) -, beginning with a letter or a digit.",
        )
    return name


def folder_name(name: str, what: str = "unit") -> str:
    """Return the name of the folder that belongs to ``name``; different names give different folders. UsageError: no name."""
    check_name(name, what)
    kept = _escape(name[0]) + name[1:] if _DEVICE.match(name) else name
    stem = kept.rstrip(".")
    return stem + "%2E" * (len(kept) - len(stem))


def name_of_folder(folder: str) -> str:
    """Return the name that ``folder_name`` made ``folder`` of."""
    return _ESCAPED.sub(lambda match: chr(int(match[1], 16)), folder)


def _escape(character: str) -> str:
    return f"%{ord(character):02X}"


def new_id() -> str:
    """Return a new id: 12 hexadecimal digits."""
    return secrets.token_hex(6)


def check_id(identity: str) -> str:
    """Return ``identity`` as it stands; StoreError where it cannot be part of a folder's name."""
    if _ID.fullmatch(identity) is None:
        raise StoreError(f"{identity!r} is no id; 4 to 64 letters and digits are allowed", hint="Run the measurement again.")
    return identity


def check_file_name(name: str) -> str:
    """Return ``name`` as it stands; StoreError where it is no plain file name."""
    if _FILE.fullmatch(name) is None or name.endswith((" ", ".")) or _DEVICE.match(name):
        raise StoreError(f"{name!r} is not a plain file name", hint="Use letters, digits and . _ + ( ) -.")
    return name


def is_device(name: str) -> bool:
    """Tell whether a file of this name would be a device on some systems (CON, NUL, COM1.txt …)."""
    return _DEVICE.match(name) is not None


def utc_time(iso: str) -> datetime:
    """Return an ISO 8601 time with offset as a time in UTC; StoreError where it is none."""
    try:
        when = datetime.fromisoformat(iso)
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise StoreError(f"{iso!r} is not a time with offset; for example 2024-05-04T10:11:12+02:00", hint="Set the clock.")
    return when.astimezone(UTC)


def dated_name(iso: str, identity: str) -> str:
    """Return "20240504T081112Z-<id>": the folder's name of a proof or a calibration. Such names sort by time."""
    return f"{utc_time(iso):%Y%m%dT%H%M%SZ}-{check_id(identity)}"
