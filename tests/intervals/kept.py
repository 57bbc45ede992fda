"""Outcomes kept in a folder as they come, so that a run that was stopped, or wants more benches, goes on from there.

They count for the program that made them: the name of a block holds a digest of all sources that have a part in an outcome.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TypeVar

AT_ONCE = 10
BLOCK = 120
"""Jobs that are kept in one file."""
ROOT = Path(__file__).resolve().parents[2]
SOURCES = ("harness/**/*.py", "harness/**/*.toml", "drivers/**/*.py", "sequences/**/*.py", "tests/intervals/*.py", "tests/*.py")
NO_PART = ("__main__.py", "limits.py", "proportions.py", "report.py", "kept.py")
"""What of ``tests/intervals`` only counts and prints."""
Job = TypeVar("Job")
Kind = TypeVar("Kind")


@dataclass(frozen=True)
class Kept:
    """Where outcomes are kept, nowhere if ``folder`` is None; ``digest`` tells the program that made them."""

    folder: Path | None = None
    digest: str = ""

    @classmethod
    def at(cls, folder: Path | None) -> Kept:
        """Return what is kept in this folder by the program as it is now; the folder is made."""
        if folder is None:
            return cls()
        folder.mkdir(parents=True, exist_ok=True)
        found = sha256()
        here = Path(__file__).resolve().parent
        for path in sorted({path for pattern in SOURCES for path in ROOT.glob(pattern)}):
            if path not in {here / name for name in NO_PART}:
                found.update(path.read_bytes())
        return cls(folder, found.hexdigest())

    def mapped(
        self,
        pool: Executor,
        work: Callable[[Job], Kind],
        jobs: Sequence[Job],
        name: str,
        progress: Callable[[str], None] = lambda said: None,
    ) -> list[Kind]:
        """Return ``work`` of every job, in their order. ``name``: what else the outcomes depend on, in words; it is told too."""
        found: list[Kind] = []
        for first in range(0, len(jobs), BLOCK):
            block = jobs[first : first + BLOCK]
            path = self._path(name, block)
            if path is not None and path.exists():
                found += pickle.loads(path.read_bytes())
                continue
            done = list(pool.map(work, block, chunksize=AT_ONCE))
            found += done
            if path is not None:
                path.with_suffix(".part").write_bytes(pickle.dumps(done))
                path.with_suffix(".part").replace(path)
            progress(f"{len(found)} of {len(jobs)}: {name}")
        return found

    def _path(self, name: str, block: Sequence[object]) -> Path | None:
        if self.folder is None:
            return None
        return self.folder / f"{sha256(repr((self.digest, name, list(block))).encode()).hexdigest()[:32]}.pickle"
