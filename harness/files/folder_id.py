"""Which log folder this is: a name that it keeps, so that a log shared through a server can tell whose files are where."""

from __future__ import annotations

from pathlib import Path

from harness.errors import FileError, StoreError
from harness.files.disk import Disk, make_folder, store_error
from harness.files.names import check_id, new_id
from harness.files.reading import read_text

ID_FILE = "folder-id"


def folder_id(root: Path) -> str:
    """Return the log folder's id, made and kept where it has none. StoreError: it cannot be read or written, or is none."""
    path = root / ID_FILE
    partial = root / f".partial-{new_id()}"
    try:
        if not path.exists():
            make_folder(root)
            Disk().write(partial, f"{new_id()}\n".encode())
            Disk().move(partial, path)
        return check_id(read_text(path, "the log folder's id", 100).strip())
    except OSError as error:
        raise store_error(error, f"cannot write {path}") from None
    except FileError as error:
        raise StoreError(error.message, hint=error.hint, file=str(path)) from None
    finally:
        partial.unlink(missing_ok=True)
