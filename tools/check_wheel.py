"""Build the wheel and prove what it holds: the three packages, every file of them, and nothing else; and that it works alone.

Run from the top of the repository. The exit status is 0 when all holds, else 1 with a line for each thing that does not.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterable
from pathlib import Path

PACKAGES = ("harness", "drivers", "sequences")

# Runs with nothing but the wheel and the libraries on the path: imports every module and starts the command line through its
# entry point.
ALONE = """
import importlib, importlib.metadata, pkgutil, sys
alone, tree, *packages = sys.argv[1:]
sys.path[:] = [place for place in sys.path if place != tree]
for name in packages:
    package = importlib.import_module(name)
    assert package.__file__.startswith(alone), package.__file__
    for module in pkgutil.walk_packages(package.__path__, name + "."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
(distribution,) = importlib.metadata.distributions(name="tapproof", path=[alone])
(command,) = [point.load() for point in distribution.entry_points if point.name == "tapproof"]
sys.argv = ["tapproof", "--help"]
command()
"""


def tree_files(root: Path) -> set[str]:
    """Return the files of the three packages under ``root``, as paths with forward slashes; compiled files left out."""
    return {
        path.relative_to(root).as_posix()
        for package in PACKAGES
        for path in (root / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".pyc"
    }


def faults_of(names: Iterable[str], wanted: set[str]) -> list[str]:
    """Return a line for each file that the wheel lacks or that does not belong in it."""
    metadata = re.compile(r"tapproof-[^/]+\.dist-info/")
    held = {name for name in names if not name.endswith("/") and not metadata.match(name)}
    return [f"missing from the wheel: {name}" for name in sorted(wanted - held)] + [
        f"does not belong in the wheel: {name}" for name in sorted(held - wanted)
    ]


def build(folder: Path) -> Path:
    """Build the wheel of the current folder into ``folder`` with the installed backend and return its path."""
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)  # noqa: S603  our own interpreter, fixed arguments
    (wheel,) = folder.glob("*.whl")
    return wheel


def works_alone(wheel: Path, folder: Path) -> str:
    """Unpack the wheel into ``folder`` and use it from there; return "" or what went wrong."""
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder)
    command = [sys.executable, "-c", ALONE, str(folder), str(Path().resolve()), *PACKAGES]
    surroundings = {**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(command, cwd=folder, env=surroundings, capture_output=True, text=True, check=False)  # noqa: S603
    return "" if done.returncode == 0 else done.stderr.strip() or f"exit status {done.returncode}"


def main() -> int:
    """Build, compare, use; print what was found and return the exit status."""
    wanted = tree_files(Path())
    with tempfile.TemporaryDirectory() as scratch:
        (built := Path(scratch, "built")).mkdir()
        (alone := Path(scratch, "alone").resolve()).mkdir()
        wheel = build(built)
        with zipfile.ZipFile(wheel) as archive:
            faults = faults_of(archive.namelist(), wanted)
        trouble = works_alone(wheel, alone)
    faults += [f"does not work by itself:\n{trouble}"] if trouble else []
    data = sum(name.endswith(".toml") for name in wanted)
    sys.stdout.write(
        "\n".join(faults) + "\n" if faults else f"{wheel.name}: {len(wanted)} files, {data} of them TOML, nothing else\n"
    )
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
