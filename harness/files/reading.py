"""Reading the files that people write: bounded, regular files only, strict UTF-8. Shipped types, benches and dialects by name."""

from __future__ import annotations

import stat
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Literal

from harness.errors import FileError, UsageError
from harness.records import Bench, SamplerType, parse_bench, parse_type
from harness.records.fields import line_of
from harness.sampler import parse_cables, parse_cores
from harness.sampler.type_check import objection_to

Kind = Literal["type", "bench", "dialect", "limits"]
_SHIPPED: dict[Kind, tuple[str, str]] = {
    "type": ("harness", "data/types"),
    "bench": ("harness", "data/benches"),
    "dialect": ("drivers", "dialects"),
    "limits": ("harness", "data/limits"),
}
OWN_PARTS = "parts.toml"
MAX_TEXT_BYTES = 1_000_000
"""A type, bench or dialect is a few kilobytes; a log or a picture given by mistake is refused before it is read."""


def read_type(name_or_path: str) -> SamplerType:
    """Return the type of a file, or a shipped one by its name.

    A file ``parts.toml`` beside the type file adds cores and cables of one's own. UsageError: unknown name; FileError: cannot
    be used, names a part that is not known, or asks for a coupling that its turns cannot give.
    """
    text, source = _find(name_or_path, "type", Path())
    type_ = parse_type(text, source)
    objection = objection_to(type_, *_known_parts(Path(source).parent / OWN_PARTS))
    if objection is not None:
        line = line_of(text, list(objection.key))
        where = f"{source}, line {line}" if line else source
        raise FileError(f"{where}: {'.'.join(objection.key)}: {objection.says}", hint=objection.hint, file=source, line=line)
    return type_


def read_own_parts(type_: str) -> tuple[str, str] | None:
    """Return the text of ``parts.toml`` beside a type file, and its path; None where there is none. FileError."""
    own = Path(_find(type_, "type", Path())[1]).parent / OWN_PARTS
    return (read_text(own, "a file of parts"), str(own)) if _is_file(own) else None


def _known_parts(own: Path) -> tuple[set[str], set[str]]:
    """Return the names of the cores and of the cables that a type may name."""
    sizes, cables = parse_cores(read_data_text("cores.toml")), parse_cables(read_data_text("cables.toml"))
    cores = {f"{name}-{material}" for name, size in sizes.items() for material in size.published_a_l}
    if not _is_file(own):
        return cores, set(cables)
    from harness.sampler.design import parse_parts

    parts = parse_parts(read_text(own, "a file of parts"), str(own))
    return cores | set(parts.core_names()), set(cables) | set(parts.cables)


def read_bench(name_or_path: str) -> Bench:
    """Return the bench of a file, or a shipped one by its name. UsageError: unknown name; FileError: cannot be used."""
    return parse_bench(*_find(name_or_path, "bench", Path()))


def read_limits_text(name_or_path: str) -> tuple[str, str]:
    """Return the text of a file of limits, or of shipped ones by their name, and what to call it. UsageError; FileError."""
    return _find(name_or_path, "limits", Path())


def read_dialect_text(name_or_path: str, beside: str | Path | None = None) -> tuple[str, str]:
    """Return a dialect's text and what to call its source in messages; a relative path starts at the bench file ``beside``.

    ``beside`` is the bench as it was given: a file, or the name of a shipped one. UsageError: unknown name; FileError.
    """
    return _find(name_or_path, "dialect", folder_beside(beside))


def read_data_text(name: str) -> str:
    """Return the text of a file of the program's own data ("cores.toml"); FileError where the program is not whole."""
    return _read_shipped(files("harness").joinpath("data", *name.split("/")), name)


def shipped_names(kind: Kind) -> tuple[str, ...]:
    """Return the names of the shipped types, benches or dialects, sorted."""
    package, folder = _SHIPPED[kind]
    inside = files(package).joinpath(*folder.split("/"))
    if not inside.is_dir():
        return ()
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in inside.iterdir() if entry.name.endswith(".toml")))


def folder_beside(bench: str | Path | None) -> Path:
    """Return the folder where a bench file's relative paths start: its own, or the current one for a shipped bench or None."""
    if bench is None or (str(bench) in shipped_names("bench") and not _looks_like_path(str(bench))):
        return Path()
    return Path(bench).parent


def read_text(path: Path, what: str, limit: int = MAX_TEXT_BYTES) -> str:
    """Return a file's text. FileError, calling it ``what``: not there, no regular file, over ``limit`` bytes, not UTF-8."""
    return decode(read_bytes(path, what, limit), path)


def read_bytes(path: Path, what: str, limit: int) -> bytes:
    """Return a file's bytes. FileError, calling it ``what``: not there, no regular file, over ``limit`` bytes, no permission."""
    source = str(path)
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):
            came = "a folder" if stat.S_ISDIR(mode) else "no regular file"
            raise FileError(f"{source} is {came}; {what} is needed", hint="Give the file itself.", file=source)
        with path.open("rb") as file:
            data = file.read(limit + 1)
    except FileNotFoundError:
        raise FileError(f"{source} is not there; {what} is needed", hint="Check the path.", file=source) from None
    except PermissionError:
        raise FileError(f"no permission to read {source}", hint="Make the file readable for you.", file=source) from None
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise FileError(f"{source} cannot be read: {said}", hint="Check the path and the disk.", file=source) from None
    if len(data) > limit:
        raise FileError(
            f"{source} has more than {limit} bytes; that is no {what.removeprefix('a ').removeprefix('an ')}",
            hint="Check that this is the file you meant.",
            file=source,
        )
    return data


def decode(data: bytes, path: Path) -> str:
    """Return UTF-8 ``data`` as text, a byte order mark taken off; FileError names the line of the first byte that is not."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise FileError(
            f"{path}, line {line}: the byte 0x{data[error.start]:02X} is not UTF-8",
            hint="Save the file as UTF-8, or take the special characters out of its comments.",
            file=str(path),
            line=line,
        ) from None


def _looks_like_path(text: str) -> bool:
    return "/" in text or "\\" in text or text.lower().endswith(".toml")


def _find(name_or_path: str, kind: Kind, folder: Path) -> tuple[str, str]:
    """Return text and source. A bare name means a shipped file first; "./hf30" means the file of that name."""
    names = shipped_names(kind)
    if name_or_path in names:
        package, inside = _SHIPPED[kind]
        shipped = files(package).joinpath(*inside.split("/"), f"{name_or_path}.toml")
        return _read_shipped(shipped, name_or_path), f"{name_or_path} (shipped {kind})"
    path = folder / expanded(name_or_path)
    if not _looks_like_path(name_or_path) and not _is_file(path):
        raise UsageError(
            f"{kind} {name_or_path!r} is not known",
            hint=f"Give a {kind} file, or one of the shipped: {', '.join(names) or 'none'}.",
        )
    return read_text(path, f"a {kind} file"), str(path)


def expanded(text: str) -> Path:
    """Return the path of ``text`` with "~" filled in; FileError where the home folder that it names is not known."""
    try:
        return Path(text).expanduser()
    except RuntimeError:
        raise FileError(f"the home folder in {text!r} is not known", hint="Write the path in full.", file=text) from None


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _read_shipped(entry: Traversable, name: str) -> str:
    try:
        return entry.read_text(encoding="utf-8")
    except (OSError, ValueError):
        raise FileError(f"the program's own file {name} is missing or broken", hint="Install the program again.") from None
