"""Proofs written by four processes into one log, each killed at random again and again; then every promise is looked at.

``python -m tests.evidence.log_kills COUNT FOLDER SEED`` prints the result as JSON. Half of the lives end at a chosen operation on
the disk (SIGKILL), half after a random time (SIGALRM without a handler: no code runs either), in the database's writing as well.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from harness.files import Disk, filed_proof, pending_proof, read_proof, verify_folder, write_proof
from harness.files.pending import pending_names
from harness.files.proofs import partial_folders, proof_folders
from harness.log import enter_pending, examine, open_log
from harness.log.unit_log import Log
from tests.batch_records import renamed, unit_proof
from tests.records_for_files import corrected, raw

DOCUMENT = "docs/log-kills.md"
COUNT, WORKERS, SEED = 10_000, 4, 1
OPERATIONS = 150
"""A life ends at one of so many operations, or within so many milliseconds of LONGEST_S."""
LONGEST_S = 0.8


@dataclass
class Result:
    """What came of it. ``committed``: proofs that a writer was told are in the log. ``partial``: folders of killed writers."""

    count: int
    seed: int
    kills: int = 0
    committed: int = 0
    in_log: int = 0
    folders: int = 0
    partial: int = 0
    seconds: float = 0.0
    problems: list[str] = field(default_factory=list)


class MortalDisk(Disk):
    """A disk that ends the process at one operation, half of its bytes written."""

    def __init__(self, left: int) -> None:
        self._left = left

    def _spend(self) -> bool:
        self._left -= 1
        return self._left < 0

    def write(self, path: Path, data: bytes) -> None:
        if self._spend():
            super().write(path, data[: len(data) // 2])
            os.kill(os.getpid(), signal.SIGKILL)
        super().write(path, data)

    def move(self, source: Path, target: Path) -> None:
        if self._spend():
            os.kill(os.getpid(), signal.SIGKILL)
        super().move(source, target)
        if self._spend():
            os.kill(os.getpid(), signal.SIGKILL)


def names(worker: int, number: int) -> tuple[str, str]:
    """Return unit and id of a writer's proof; every third proof is one more of an older unit."""
    return f"W{worker}-{number - number % 3:05d}", f"w{worker}n{number:05d}"


def live(root: Path, worker: int, count: int, chance: random.Random) -> None:
    """One life of a writer: go on where the last one ended, and write until all are done or the life is over."""
    told = root.parent / f"told-{worker}"
    disk = Disk()
    if chance.random() < 0.5:
        disk = MortalDisk(chance.randrange(OPERATIONS))
    else:
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_REAL, 0.02 + LONGEST_S * chance.random())
    base = unit_proof("W", "base", 30.1)
    with open_log(root) as log, told.open("ab", buffering=0) as said:
        enter_pending(root, log)
        for number in range(len(told.read_bytes().splitlines()), count):
            unit, identity = names(worker, number)
            folder = filed_proof(root, unit, identity)
            if folder is not None:
                log.record(read_proof(folder), folder)
            else:
                made = renamed(base, unit, identity, 30 + number / COUNT)
                with pending_proof(root, made):
                    filed, folder = write_proof(root, made, corrected(), raw(), {"transcript.txt": "> who\n"}, disk)
                    log.record(filed, folder)
            said.write(f"{identity}\n".encode())


def run(count: int, folder: Path, seed: int) -> Result:
    """Let four writers write ``count`` proofs into a log under ``folder``, and return what is found there."""
    root = folder / "log"
    open_log(root).close()
    begun = time.monotonic()
    kills, lives, living = 0, dict.fromkeys(range(WORKERS), 0), {}
    quota = {worker: count // WORKERS + (worker < count % WORKERS) for worker in range(WORKERS)}
    for worker in range(WORKERS):
        living[_born(root, worker, quota[worker], seed, 0)] = worker
    wrong = []
    while living:
        child, status = os.wait()
        worker = living.pop(child)
        if os.WIFSIGNALED(status):
            kills += 1
            lives[worker] += 1
            living[_born(root, worker, quota[worker], seed, lives[worker])] = worker
        elif os.WEXITSTATUS(status):
            wrong.append(f"writer {worker} ended with an error: see its output")
    found = look(root, count, seed, [names(worker, n)[1] for worker in range(WORKERS) for n in range(quota[worker])])
    found.kills, found.seconds = kills, time.monotonic() - begun
    found.problems += wrong
    return found


def _born(root: Path, worker: int, count: int, seed: int, life: int) -> int:
    child = os.fork()
    if child:
        return child
    status = 1
    try:
        live(root, worker, count, random.Random(f"{seed} {worker} {life}"))  # noqa: S311  # no secret
        status = 0
    except BaseException as error:
        print(f"writer {worker}, life {life}: {type(error).__name__}: {error}", file=sys.stderr, flush=True)
    finally:
        os._exit(status)


def look(root: Path, count: int, seed: int, wanted: list[str]) -> Result:
    """Look at every promise: committed proofs are in the log and whole, none is twice, nothing is left over."""
    found = Result(count, seed)
    told = [line for path in sorted(root.parent.glob("told-*")) for line in path.read_text().splitlines()]
    found.committed = len(told)
    if sorted(told) != sorted(wanted):
        found.problems.append(f"{len(wanted)} proofs were to be written, {len(told)} were committed")
    with open_log(root) as log:
        found.partial = len(partial_folders(root))
        checked = examine(root, log)
        found.problems += [one for one in checked.wrong if "a run was stopped while it wrote this folder" not in one]
        found.problems += [f"{identity} was not in the log before the check" for identity in checked.entered if identity in told]
        found.in_log = log.count()
        found.problems += _look_at(log, root, told)
    folders = list(proof_folders(root))
    found.folders = len(folders)
    if found.folders != found.in_log:
        found.problems.append(f"{found.folders} folders, {found.in_log} proofs in the log")
    found.problems += [f"{name} is still pending" for name in pending_names(root)]
    return found


def _look_at(log: Log, root: Path, told: list[str]) -> list[str]:
    known: dict[str, str] = log.folders()
    problems = [f"{identity} was committed and is not in the log" for identity in told if identity not in known]
    if len(set(known.values())) != len(known):
        problems.append("two proofs have one folder")
    for identity, folder in known.items():
        problems += [f"{identity}: {wrong}" for wrong in verify_folder(root / folder)]
    return problems


HEAD = """# A log, four writers, and random kills

Written by `make evidence` ({when}, seed {seed}). Four processes write proofs into one log at the same time. Each is killed again
and again, at a chosen operation on the disk (half of its bytes written, SIGKILL) or after a random time (in the database's
writing as well), started anew, and goes on.

| what | count |
| --- | --- |
| proofs written | {count} |
| kills | {kills} |
| committed: a writer was told that the proof is in the log | {committed} |
| proofs in the log after `log check` | {in_log} |
| proof folders | {folders} |
| half-written folders that killed writers left; `log check` names each, none is taken for a proof | {partial} |
| seconds | {seconds:.0f} |
| problems: committed and not in the log, not whole, twice, orphaned, pending | {wrong} |

Every file of every proof was read, and its SHA-256 compared.
"""


def write(root: Path, when: str, seed: int = SEED, count: int = COUNT) -> list[str]:
    """Run it at full size and write the document below ``root``; return what is wrong."""
    with tempfile.TemporaryDirectory() as folder:
        found = run(count, Path(folder), seed)
    values: dict[str, Any] = asdict(found)
    path = root / DOCUMENT
    path.parent.mkdir(exist_ok=True)
    path.write_text(HEAD.format(when=when, wrong=len(found.problems), **values), encoding="utf-8")
    return found.problems


MAIN: Callable[[list[str]], Result] = lambda words: run(int(words[0]), Path(words[1]), int(words[2]))  # noqa: E731

if __name__ == "__main__":
    print(json.dumps(asdict(MAIN(sys.argv[1:]))))
