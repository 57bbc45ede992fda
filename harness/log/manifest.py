"""What an archive of proofs says of itself: ``manifest.json`` lists every file with its SHA-256."""

from __future__ import annotations

from typing import Literal

from pydantic import ValidationError

from harness.errors import FileError
from harness.records.fields import FileModel

ARCHIVE_SCHEMA = 1
MANIFEST = "manifest.json"
FIGURES = "figures.csv"


class ArchivedProof(FileModel):
    """One proof: ``folder`` as under the log folder, ``files``: name in it → SHA-256, the record (proof.json) among them."""

    unit: str
    proof: str
    folder: str
    files: dict[str, str]


class Manifest(FileModel):
    """The archive: proofs by the order in which their units were entered, oldest first. ``withdrawals``: proof id → SHA-256;
    ``references``: the same of the chosen reference of each unit that has one, by the name of its record."""

    what: Literal["tapproof log archive"] = "tapproof log archive"
    schema_version: int = ARCHIVE_SCHEMA
    program: str
    made: str
    proofs: tuple[ArchivedProof, ...]
    withdrawals: dict[str, str] = {}
    references: dict[str, str] = {}
    readings: dict[str, str] = {}
    """Logged readings of the units, by the name of their records."""
    figures: str
    """SHA-256 of figures.csv."""

    def members(self) -> set[str]:
        """Return the names of all files that an archive with this manifest holds."""
        proofs = {f"{proof.folder}/{name}" for proof in self.proofs for name in proof.files}
        beside = {*map(withdrawal_member, self.withdrawals), *map(reference_member, self.references)}
        beside |= {*map(reading_member, self.readings)}
        return proofs | beside | {FIGURES, MANIFEST}


def withdrawal_member(identity: str) -> str:
    """Return the name of a withdrawal's file in an archive."""
    return f"withdrawals/{identity}.json"


def reference_member(stem: str) -> str:
    """Return the name of a chosen reference's file in an archive."""
    return f"references/{stem}.json"


def reading_member(stem: str) -> str:
    """Return the name of a logged reading's file in an archive."""
    return f"readings/{stem}.json"


def parse_manifest(text: str, source: str) -> Manifest:
    """Return the manifest of its text; FileError where it is none, or of a later schema."""
    try:
        found = Manifest.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise FileError(f"{source}: its {MANIFEST} cannot be read: {where}: {first['msg']}", file=source) from None
    if found.schema_version != ARCHIVE_SCHEMA:
        raise FileError(
            f"{source} is an archive of schema {found.schema_version}; this program reads {ARCHIVE_SCHEMA}",
            hint="Use the newer program that wrote it.",
            file=source,
        )
    return found
