"""Writing a file that a person asked for: whole or not at all, and over nothing that is there."""

from __future__ import annotations

from pathlib import Path

from harness.errors import StoreError, UsageError
from harness.files.names import new_id


def check_free(path: Path, *, force: bool) -> None:
    """Raise UsageError where something stands at ``path`` already, and StoreError where it is no file that may be replaced."""
    if path.is_dir():
        raise StoreError(f"{path} is a folder; a file's name is needed", hint="Give the name of a file in it.", file=str(path))
    if path.exists() and not force:
        raise UsageError(f"{path} is there already; nothing was written", hint="Give another name, or --force to write over it.")


def write_asked(path: Path, text: str, *, force: bool) -> None:
    """Write UTF-8 text. UsageError where the file is there and ``force`` is not given; StoreError where it cannot be written."""
    check_free(path, force=force)
    try:
        data = text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise UsageError(
            f"{text[error.start : error.end]!r} is no character that a file can hold; {path} was not written",
            hint="Give names and titles in plain characters.",
        ) from None
    partial = path.with_name(f".{path.name}.{new_id()}.partial")
    try:
        with partial.open("xb") as file:
            file.write(data)
        partial.replace(path)
    except OSError as error:
        partial.unlink(missing_ok=True)
        said = error.strerror or str(error)
        raise StoreError(
            f"cannot write {path}: {said[:1].lower()}{said[1:]}",
            hint="Give a folder that is there and can be written.",
            file=str(path),
        ) from None
