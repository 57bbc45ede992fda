"""Run a target under a coverage-guided fuzzer: ``python -m tests.fuzz TARGET FOLDER [libFuzzer options]``; see docs/fuzzing.md.

Needs the package atheris, which is no dependency of the project: it goes into an environment of its own.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path


def main(words: list[str]) -> int:
    """Write the seeds into FOLDER, and let the fuzzer go on from there."""
    atheris = importlib.import_module("atheris")

    if len(words) < 2:
        print("usage: python -m tests.fuzz TARGET FOLDER [libFuzzer options]", file=sys.stderr)
        return 2
    with atheris.instrument_imports(include=["drivers", "harness", "zipfile", "tomllib"]):
        from tests.fuzz import targets
    if words[0] not in targets.TARGETS:
        print(f"no such target: {words[0]}; there are: {', '.join(targets.TARGETS)}", file=sys.stderr)
        return 2
    folder = Path(words[1])
    folder.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(targets.seeds(words[0])):
        (folder / f"seed-{number:03d}").write_bytes(seed)
    atheris.Setup([sys.argv[0], *words[2:], str(folder)], targets.TARGETS[words[0]])
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
