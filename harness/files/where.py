"""Where the log is: a folder, and for a log that several benches share, a database beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import platformdirs

from harness.errors import UsageError

VARIABLE = "TAPPROOF_LOG"
DATABASE_SCHEME = "postgresql://"


@dataclass(frozen=True)
class LogAddress:
    """``folder`` holds proofs, runs and calibrations; ``database`` is None for the ``log.sqlite`` in it."""

    folder: Path
    database: str | None = None


def log_address(option: str | None, environ: Mapping[str, str]) -> LogAddress:
    """Return where the log is: the option, else the variable TAPPROOF_LOG, else the platform's data folder.

    With ``postgresql://…`` as the option the folder is that of the variable, or the platform's. UsageError: an empty option,
    or an address of another kind.
    """
    if option is not None and not option.strip():
        raise UsageError("--log: the folder is empty", hint="Give a folder, or leave --log out.")
    variable = environ.get(VARIABLE, "").strip() or None
    for where, said in (("--log", option), (VARIABLE, variable)):
        if said is None:
            continue
        if said.startswith(DATABASE_SCHEME):
            rest = variable if where == "--log" else None
            folder = _platform_folder() if rest is None or "://" in rest else Path(rest).expanduser()
            return LogAddress(folder, said)
        return LogAddress(_folder(said, where))
    return LogAddress(_platform_folder())


def log_folder(option: str | None, environ: Mapping[str, str]) -> Path:
    """Return the folder of :func:`log_address`."""
    return log_address(option, environ).folder


def _folder(said: str, where: str) -> Path:
    if "://" in said:
        raise UsageError(
            f"{where}: {said!r} is neither a folder nor an address that begins with {DATABASE_SCHEME}",
            hint=f"Give a folder, or {DATABASE_SCHEME}host/database.",
        )
    try:
        return Path(said).expanduser()
    except RuntimeError:
        raise UsageError(f"{where}: the home folder in {said!r} is not known", hint="Write the folder in full.") from None


def _platform_folder() -> Path:
    return Path(platformdirs.user_data_dir("tapproof", appauthor=False))
