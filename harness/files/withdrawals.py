"""Withdrawals on disk: ``withdrawals/<proof id>.json``. A proof's own folder is never touched; a correction is a new record."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pydantic import Field, ValidationError

from harness.errors import FileError, StoreError
from harness.files.disk import Disk, make_folder, store_error
from harness.files.names import check_id, new_id
from harness.files.reading import read_text
from harness.records.fields import FileModel

WITHDRAWALS = "withdrawals"
MAX_REASON = 500


class Withdrawal(FileModel):
    """That a proof does not count any more: which, why, when (ISO 8601 with offset), by whom, by what program."""

    schema_version: int = 1
    proof: str
    unit: str
    reason: str = Field(min_length=1, max_length=MAX_REASON)
    when: str
    who: str = ""
    program: str


def withdrawal_bytes(withdrawal: Withdrawal) -> bytes:
    """Return the record as it is filed. StoreError where it would not read back."""
    try:
        text = withdrawal.model_dump_json(indent=1) + "\n"
        data = text.encode()
    except ValueError:  # a text that is no Unicode, from a keyboard set up wrongly
        raise StoreError("the reason cannot be written as UTF-8", hint="Type it again.") from None
    parse_withdrawal(text, "the withdrawal")
    return data


def save_withdrawal(root: Path, withdrawal: Withdrawal, disk: Disk | None = None) -> None:
    """File a withdrawal, whole or not at all; StoreError where there is one of this proof already, or it cannot be written."""
    target = root / WITHDRAWALS / f"{check_id(withdrawal.proof)}.json"
    data, on = withdrawal_bytes(withdrawal), disk or Disk()
    partial = target.with_name(f".partial-{new_id()}")
    try:
        make_folder(target.parent)
        if target.exists():
            raise StoreError(f"{target} is there already, and nothing is written over")
        on.write(partial, data)
        on.move(partial, target)
    except OSError as error:
        raise store_error(error, f"cannot write {target}") from None
    finally:
        partial.unlink(missing_ok=True)


def read_withdrawal(root: Path, identity: str) -> Withdrawal | None:
    """Return the withdrawal of a proof, or None where it was not withdrawn; FileError where the record is damaged."""
    path = root / WITHDRAWALS / f"{check_id(identity)}.json"
    if not path.exists():
        return None
    found = parse_withdrawal(read_text(path, "a withdrawal"), str(path))
    if found.proof != identity:
        raise FileError(f"{path} is the withdrawal of another proof: {found.proof}", file=str(path))
    return found


def withdrawn_proofs(root: Path) -> Iterator[str]:
    """Yield the id of every proof that has a withdrawal on disk, sorted; StoreError where the folder cannot be read."""
    folder = root / WITHDRAWALS
    try:
        names = sorted(path.name for path in folder.iterdir()) if folder.exists() else []
    except OSError as error:
        raise store_error(error, f"cannot read the folder {folder}") from None
    for name in names:
        stem = name.removesuffix(".json")
        if stem != name and stem.isalnum() and stem.isascii():
            yield stem


def parse_withdrawal(text: str, source: str) -> Withdrawal:
    """Return the withdrawal of a record's text; FileError where it is none, or of a later schema."""
    try:
        found = Withdrawal.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise FileError(f"{source} is no withdrawal that this version reads: {where}: {first['msg']}", file=source) from None
    if found.schema_version != 1:
        raise FileError(f"{source} is a withdrawal of schema {found.schema_version}; this program reads 1", file=source)
    return found
