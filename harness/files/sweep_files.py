"""Touchstone files on disk: one sweep a file, and the folder of sweeps that ``prove --from`` reads."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from harness.errors import FileError
from harness.files.reading import read_bytes
from harness.records import Sweep
from harness.touchstone import read_sweep

MAX_TOUCHSTONE_BYTES = 64_000_000
"""100,001 points of a three-port at full precision are about 50 MB."""

_HOLDS = {
    "line.s2p": ("analyser 1 on line in, analyser 2 on line out, the sample port loaded", True),
    "coupled.s2p": ("analyser 1 on line in, analyser 2 on the sample port, line out loaded", True),
    "coupled-far.s2p": ("analyser 1 on line out, analyser 2 on the sample port, line in loaded", False),
    "sample.s1p": ("analyser 1 on the sample port, line in and line out loaded", False),
}


def file_name(name: str, ports: int) -> str:
    """Return the name of the file that holds a sweep: "line.s2p"."""
    return f"{name}.s{ports}p"


def read_sweep_file(path: str | Path, name: str, ports: int) -> Sweep:
    """Return the sweep of a Touchstone file with ``ports`` ports, called ``name``; FileError tells line and reason."""
    data = read_bytes(Path(path), f"a Touchstone file with {ports} port{'s' if ports > 1 else ''}", MAX_TOUCHSTONE_BYTES)
    return read_sweep(_text_of(data), name, ports, str(path))


def _text_of(data: bytes) -> str:
    """Return the text of a Touchstone file. Its data are ASCII; some instruments write Latin-1 (µ, °) into comments."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def read_sweep_folder(folder: str | Path, note: Callable[[str], None] | None = None) -> dict[str, Sweep]:
    """Return the corrected sweeps of a folder by name: "line" and "coupled", and "coupled-far" and "sample" where they are.

    ``note`` is called with a sentence for every file that is left aside. FileError: no such folder, a file missing or
    misnamed, a file that cannot be used.
    """
    root = Path(folder)
    names = _names_in(root)
    sweeps: dict[str, Sweep] = {}
    for file, (holds, required) in _HOLDS.items():
        stem, ports = file.split(".")[0], int(file[-2])
        if file in names:
            sweeps[stem] = read_sweep_file(root / file, stem, ports)
            continue
        near = _near(file, names)
        if required or near:
            raise _missing(root, file, holds, near)
    for name in names:
        if note is not None and name not in _HOLDS:
            _remark(name, note)
    return sweeps


def _names_in(root: Path) -> list[str]:
    try:
        return sorted(entry.name for entry in root.iterdir())
    except NotADirectoryError:
        message, hint = f"{root} is a file; a folder of sweeps is needed", "Give the folder that holds line.s2p and coupled.s2p."
    except FileNotFoundError:
        message, hint = f"the folder {root} is not there", "Check the path."
    except PermissionError:
        message, hint = f"no permission to read the folder {root}", "Make the folder readable for you."
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        message, hint = f"the folder {root} cannot be read: {said}", "Check the path."
    raise FileError(message, hint=hint, file=str(root))


def _near(file: str, names: list[str]) -> str | None:
    """Return the name in the folder that was probably meant as ``file``: other case, another or a doubled extension."""
    stem = file.split(".")[0]
    likely = [name for name in names if name.lower() == file]
    likely += [name for name in names if name not in _HOLDS and name.split(".")[0].lower().replace("_", "-") == stem]
    return likely[0] if likely else None


def _missing(root: Path, file: str, holds: str, near: str | None) -> FileError:
    hint = f"There is {near}: if that is it, name it {file}." if near else "Add the file, and run again."
    if near and near.lower() != file and near.lower().endswith(("p", "p.txt")):
        hint = f"There is {near}: if it holds a {file[-2]}-port sweep of this hook-up, name it {file}."
    return FileError(f"{root} has no {file}; it must hold: {holds}", hint=hint, file=str(root / file))


def _remark(name: str, note: Callable[[str], None]) -> None:
    if name == "unit.s3p":
        note("unit.s3p is left aside: it is assembled anew from the other sweeps.")
    elif name.lower().endswith((".s1p", ".s2p", ".s3p", ".ts")):
        note(f"{name} is left aside: the files that are read are {', '.join(_HOLDS)}.")
