"""Proof folders: ``proofs/<unit>/<time>-<id>/`` with everything that one proof rests on, there whole or not at all."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

from harness.errors import FileError, StoreError
from harness.files.compact import SWEEPS_FILE, pack_sweeps, unpack_sweeps
from harness.files.disk import PARTIAL, Disk, sha256_of, store_error, write_folder
from harness.files.names import check_file_name, check_id, dated_name, folder_name
from harness.files.reading import read_bytes, read_text
from harness.files.sweep_files import file_name, read_sweep_file
from harness.records import Proof, Sweep, parse_proof
from harness.touchstone import write_sweep

PROOFS = "proofs"
PROOF_FILE = "proof.json"
RAW = "raw"
MAX_PROOF_BYTES = 32_000_000
MAX_KEPT_BYTES = 256_000_000
_TOUCHSTONE = re.compile(r"(?P<name>.+)\.s(?P<ports>[1-9])p", re.ASCII)


def write_proof(
    root: Path,
    proof: Proof,
    sweeps: Mapping[str, Sweep],
    raw: Mapping[str, Sweep],
    texts: Mapping[str, str],
    disk: Disk | None = None,
) -> tuple[Proof, Path]:
    """File a proof under the log folder ``root``; return it with the SHA-256 of every file, and its folder.

    ``sweeps``: corrected sweeps by name, the assembled three-port under "unit"; they are kept as arrays too (``sweeps.npz``).
    ``raw``: raw sweeps, the calibration's among them, kept under ``raw/``. ``texts``: file name → text ("transcript.txt",
    "sheet.html"). StoreError: the folder is there already or cannot be written; then nothing of it is left behind.
    UsageError: a unit's name that is none.
    """
    target = root / PROOFS / folder_name(proof.unit) / dated_name(proof.circumstances.when, proof.proof)
    contents = _contents(sweeps, raw, texts)
    filed = proof.model_copy(update={"files": {name: sha256_of(data) for name, data in contents.items()}})
    write_folder(target, {**contents, PROOF_FILE: _record_bytes(filed)}, disk or Disk())
    return filed, target


def read_proof(folder: Path) -> Proof:
    """Return the proof of a folder, as it is written there; FileError where it is missing or not readable."""
    path = folder / PROOF_FILE
    return parse_proof(read_text(path, "a proof record", MAX_PROOF_BYTES), str(path))


def read_proof_sweeps(folder: Path) -> dict[str, Sweep]:
    """Return the corrected sweeps of a proof's folder by name, with "unit"; FileError where one was changed or is missing."""
    sweeps = {}
    for file, digest in read_proof(folder).files.items():
        match = _TOUCHSTONE.fullmatch(file)
        if match is None or "/" in file:
            continue
        wrong = _what_is_wrong(folder, file, digest)
        if wrong is not None:
            raise FileError(f"{folder}: {wrong}", hint="Use another proof, or the copy of this one.", file=str(folder / file))
        sweeps[match["name"]] = read_sweep_file(folder / file, match["name"], int(match["ports"]))
    return sweeps


def read_stored_sweeps(folder: Path, files: Mapping[str, str] | None = None) -> dict[str, Sweep]:
    """Return the corrected sweeps of a proof's folder by name, without comments, from its arrays: no text is parsed.

    ``files``: the proof's file names and SHA-256, where they are known already. A proof filed without arrays gives the sweeps
    of its Touchstone files. FileError where a file was changed, is missing, or holds anything but arrays of numbers.
    """
    listed = read_proof(folder).files if files is None else files
    if SWEEPS_FILE not in listed:
        return read_proof_sweeps(folder)
    path = folder / SWEEPS_FILE
    data = read_bytes(path, "the proof's arrays", MAX_KEPT_BYTES)
    if sha256_of(data) != listed[SWEEPS_FILE]:
        raise FileError(
            f"{path} was changed after it was filed: its SHA-256 is another",
            hint="Use another proof, or the copy of this one.",
            file=str(path),
        )
    return unpack_sweeps(data, str(path))


def verify_folder(folder: Path) -> list[str]:
    """Return what is wrong with a proof's folder, a sentence each; an empty list where every file is as it was filed."""
    try:
        proof = read_proof(folder)
    except FileError as error:
        return [error.message]
    wrong = [said for file, digest in proof.files.items() if (said := _what_is_wrong(folder, file, digest)) is not None]
    present = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir())
    return wrong + [f"{name} is here, and the proof does not list it" for name in present if _is_stranger(name, proof)]


def proof_folders(root: Path) -> Iterator[Path]:
    """Yield every proof's folder under the log folder, by unit and time; StoreError where it cannot be read."""
    yield from (folder for folder in _unit_contents(root) if not folder.name.startswith("."))


def partial_folders(root: Path) -> list[Path]:
    """Return folders of proofs and calibrations that are being written, or that a killed run left half-written."""
    return sorted(path for path in root.glob(f"*/*/{PARTIAL}*") if path.is_dir())


def filed_proof(root: Path, unit: str, identity: str) -> Path | None:
    """Return the folder of the unit's proof with this id, or None where it is not filed."""
    ending = f"-{check_id(identity)}"
    unit_folder = root / PROOFS / folder_name(unit)
    return next((path for path in sorted(unit_folder.glob("[0-9]*")) if path.name.endswith(ending)), None)


def sweep_contents(sweeps: Mapping[str, Sweep], prefix: str = "") -> dict[str, bytes]:
    """Return file name → Touchstone text of every sweep."""
    files = {check_file_name(file_name(name, sweep.ports)): sweep for name, sweep in sweeps.items()}
    return {prefix + file: _text_bytes(file, write_sweep(sweep)) for file, sweep in files.items()}


def _contents(sweeps: Mapping[str, Sweep], raw: Mapping[str, Sweep], texts: Mapping[str, str]) -> dict[str, bytes]:
    corrected, beside = sweep_contents(sweeps), sweep_contents(raw, f"{RAW}/")
    written = {check_file_name(name): _text_bytes(name, text) for name, text in texts.items()}
    clash = written.keys() & {*corrected, PROOF_FILE, RAW, SWEEPS_FILE}
    if clash:
        raise StoreError(f"the name {min(clash)} is given twice in one proof", hint="Call the text something else.")
    return {**corrected, **beside, SWEEPS_FILE: pack_sweeps(sweeps), **written}


def _record_bytes(proof: Proof) -> bytes:
    """A value that JSON cannot carry (an infinite figure) would make a proof that nobody can read again: refuse it now."""
    try:
        text = proof.model_dump_json(indent=1) + "\n"
        same = parse_proof(text, PROOF_FILE) == proof
    except (FileError, ValueError) as error:  # ValueError: a text that is no Unicode, from a keyboard set up wrongly
        said = error.message if isinstance(error, FileError) else str(error)
        raise StoreError(f"the proof of {proof.unit} would not read back: {said}", hint="Check names and notes.") from None
    if not same:
        raise StoreError(f"the proof of {proof.unit} would read back changed", hint="Check names and notes.")
    return text.encode()


def _text_bytes(name: str, text: str) -> bytes:
    try:
        return text.encode()
    except UnicodeEncodeError:
        raise StoreError(f"the text of {name} cannot be written as UTF-8", hint="Check names and notes.") from None


def _what_is_wrong(folder: Path, file: str, digest: str) -> str | None:
    path = folder / file
    parts = file.split("/")
    if "\\" in file or any(part in ("", ".", "..") for part in parts) or ":" in parts[0]:
        return f"{file!r} is not the name of a file in this folder"
    if any((folder / Path(*parts[:count])).is_symlink() for count in range(1, len(parts) + 1)):
        return f"{file} is a link to somewhere else"
    try:
        data = read_bytes(path, "a file of the proof", MAX_KEPT_BYTES)
    except FileError as error:
        return f"{file} is missing" if not path.exists() else error.message
    return None if sha256_of(data) == digest else f"{file} was changed after it was filed: its SHA-256 is another"


def _is_stranger(name: str, proof: Proof) -> bool:
    return name not in proof.files and name != PROOF_FILE


def _unit_contents(root: Path) -> Iterator[Path]:
    top = root / PROOFS
    try:
        if not top.exists():
            return
        for unit in sorted(path for path in top.iterdir() if path.is_dir()):
            yield from sorted(path for path in unit.iterdir() if path.is_dir())
    except OSError as error:
        raise store_error(error, f"cannot read the folder {top}") from None
