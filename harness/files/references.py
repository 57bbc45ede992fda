"""Chosen reference proofs on disk: ``references/<time>-<proof id>.json``, a new record for each choice; the latest one counts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pydantic import ValidationError

from harness.errors import FileError, StoreError
from harness.files.disk import Disk, make_folder, store_error
from harness.files.names import check_id, dated_name, new_id, utc_time
from harness.files.reading import read_text
from harness.records.fields import FileModel

REFERENCES = "references"


class ReferenceChoice(FileModel):
    """That a unit is compared with this proof from then on: which, when (ISO 8601 with offset), by what program."""

    schema_version: int = 1
    unit: str
    proof: str
    when: str
    program: str

    @property
    def stem(self) -> str:
        """The name of its file, without ``.json``. StoreError: its time or id is none."""
        return dated_name(self.when, check_id(self.proof))

    def is_later_than(self, proof: str | None, when: str | None) -> bool:
        """Tell whether this choice supersedes the choice of ``proof`` at ``when`` (None: none was made)."""
        if proof is None or when is None:
            return True
        return (utc_time(self.when), self.proof) > (utc_time(when), proof)


def reference_bytes(choice: ReferenceChoice) -> bytes:
    """Return the record as it is filed."""
    return (choice.model_dump_json(indent=1) + "\n").encode()


def save_reference(root: Path, choice: ReferenceChoice, disk: Disk | None = None) -> None:
    """File a choice, whole or not at all. StoreError: another choice has its name, or it cannot be written."""
    target = root / REFERENCES / f"{choice.stem}.json"
    partial, on = target.with_name(f".partial-{new_id()}"), disk or Disk()
    try:
        make_folder(target.parent)
        if target.exists():
            if read_reference(root, choice.stem) == choice:
                return
            raise StoreError(f"{target} is there already, and nothing is written over", hint="Choose again in a moment.")
        on.write(partial, reference_bytes(choice))
        on.move(partial, target)
    except OSError as error:
        raise store_error(error, f"cannot write {target}") from None
    finally:
        partial.unlink(missing_ok=True)


def read_reference(root: Path, stem: str) -> ReferenceChoice:
    """Return the choice that is filed under a name; FileError where it is damaged or belongs elsewhere."""
    path = root / REFERENCES / f"{stem}.json"
    found = parse_reference(read_text(path, "a chosen reference"), str(path))
    if found.stem != stem:
        raise FileError(f"{path} is the choice {found.stem}", file=str(path))
    return found


def chosen_references(root: Path) -> Iterator[str]:
    """Yield the name of every choice on disk, the earliest first; StoreError where the folder cannot be read."""
    folder = root / REFERENCES
    try:
        names = sorted(path.name for path in folder.iterdir()) if folder.exists() else []
    except OSError as error:
        raise store_error(error, f"cannot read the folder {folder}") from None
    yield from (name.removesuffix(".json") for name in names if name.endswith(".json") and not name.startswith("."))


def parse_reference(text: str, source: str) -> ReferenceChoice:
    """Return the choice of a record's text; FileError where it is none, or of a later schema."""
    try:
        found = ReferenceChoice.model_validate_json(text)
        _ = found.stem
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise FileError(
            f"{source} is no choice of a reference that this version reads: {where}: {first['msg']}", file=source
        ) from None
    except StoreError as error:
        raise FileError(f"{source} is no choice of a reference: {error.message}", file=source) from None
    if found.schema_version != 1:
        raise FileError(f"{source} is a choice of schema {found.schema_version}; this program reads 1", file=source)
    return found
