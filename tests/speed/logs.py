"""Measurements of the log at size: lists and histories, writing, and the statistics of a batch.

The records are of the size of real ones: a proof on a grid of 201 points, its numbers changed from unit to unit. One unit in a
hundred has a fault.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from harness import wiring
from harness.files import pending_proof, read_stored_sweeps, write_proof
from harness.log import Query, open_log
from harness.log.batches import batch_report
from harness.log.unit_log import Log
from harness.records import CouplingTable, Proof, Sweep
from tests.batch_records import enter_many, renamed, unit_proof
from tests.speed.measuring import Row, in_turn, row_of, timed

POINTS = 201
SMALL, LARGE = 1_000, 100_000
WRITE_SMALL = 100
UNITS = 1_000
MEMORY_UNITS = 10_000
SIZE_GOAL, STATISTICS_GOAL, MEMORY_GOAL_MB = 1.5, 1 / 20, 500.0
FAULT_GOAL = 5.0
"""A hundred times as many units have the fault, and the newest 50 of them are sorted out: it cannot be as quick."""
ARRAYS_GOAL = 1 / 10
RUNS = 15
QUICK_RUNS = 75
"""For what takes a few milliseconds and is easily disturbed."""
_PART = 5_000


def _sweeps(seed: int = 1) -> dict[str, Sweep]:
    """Return the sweeps of one proof: four hook-ups and the assembled three-port."""
    rng = np.random.default_rng(seed)
    grid = np.linspace(1e6, 100e6, POINTS)

    def sweep(name: str, ports: int, *keys: str) -> Sweep:
        values = {key: rng.normal(size=POINTS) + 1j * rng.normal(size=POINTS) for key in keys}
        return Sweep(name, grid, values, ports)

    whole = tuple(f"s{row}{column}" for row in (1, 2, 3) for column in (1, 2, 3))
    two = {name: sweep(name, 2, "s11", "s21") for name in ("coupled", "line", "coupled-far")}
    return {**two, "sample": sweep("sample", 1, "s11"), "unit": sweep("unit", 3, *whole)}


def _base() -> Proof:
    hz = tuple(np.linspace(1e6, 100e6, POINTS))
    db = tuple(30 + 1e-3 * number for number in range(POINTS))
    table = CouplingTable(hz=hz, db=db, low=db, high=db)
    return unit_proof("CL-000000", "id000000", 30.1, fault="turns").model_copy(update={"coupling_table": table})


def _proofs(count: int, first: int = 0) -> Iterator[list[Proof]]:
    """Yield proofs of ``count`` units in parts; batches of 50 units."""
    base, rng = _base(), np.random.default_rng(4)
    for start in range(first, first + count, _PART):
        numbers = range(start, min(start + _PART, first + count))
        made = [renamed(base, f"CL-{n:06d}", f"id{n:06d}", float(rng.normal(30.1, 0.1)), f"batch-{n // 50}") for n in numbers]
        yield [each if int(each.proof[2:]) % 100 == 7 else each.model_copy(update={"faults": ()}) for each in made]


def _fill(log: Log, count: int) -> None:
    first = 1
    for part in _proofs(count):
        enter_many(log, part, first)
        first += len(part)


@contextmanager
def _two_logs(small: int, large: int) -> Iterator[tuple[Log, Log]]:
    with tempfile.TemporaryDirectory() as folder, open_log(Path(folder) / "s") as one, open_log(Path(folder) / "l") as other:
        _fill(one, small)
        _fill(other, large)
        yield one, other


def size_rows() -> list[Row]:
    """Return the rows for a list, a history and a batch in a log of 100,000 proofs against one of 1,000; opening is counted."""
    with _two_logs(SMALL, LARGE) as (small, large):
        questions = {
            "list (the latest 50)": lambda store: wiring.latest_units(store, 50, Query()),
            "list --fault (one unit in a hundred)": lambda store: wiring.latest_units(store, 50, Query(fault="turns")),
            "list --due": lambda store: wiring.latest_units(store, 50, Query(due_before="2100-01-01")),
            "show": lambda store: wiring.unit_history(store, "CL-000500"),
            "batch (50 units)": lambda store: wiring.batch_report(store, "batch-10"),
        }
        rows = []
        for name, ask in questions.items():

            def answered(log: Log, ask: object = ask) -> float:
                def work() -> None:
                    with wiring.open_store(str(log.address.folder)) as store:
                        ask(store)  # type: ignore[operator]

                return timed(work)

            pair = in_turn(lambda answered=answered: answered(large), lambda answered=answered: answered(small), QUICK_RUNS)  # type: ignore[misc]
            goal = FAULT_GOAL if "fault" in name else SIZE_GOAL
            rows.append(row_of(f"{name}, {LARGE:,} proofs against {SMALL:,}", pair, goal))
    return rows


def write_rows() -> list[Row]:
    """Return the row for filing and entering one proof in a log of 100,000 proofs against one of 100."""
    with _two_logs(WRITE_SMALL, LARGE) as (small, large):
        base, sweeps = _base(), _sweeps()
        numbers = iter(range(1, 10_000))

        def write(log: Log) -> float:
            number = next(numbers)
            made = renamed(base, f"NEW-{number:06d}", f"new{number:06d}", 30.1)
            root = log.address.folder

            def work() -> None:
                with pending_proof(root, made):
                    filed, folder = write_proof(root, made, sweeps, {}, {"transcript.txt": "x\n" * 500})
                    log.record(filed, folder)

            return timed(work)

        pair = in_turn(lambda: write(large), lambda: write(small), 2 * RUNS)
    return [row_of(f"a proof written, {LARGE:,} proofs in the log against {WRITE_SMALL}", pair, SIZE_GOAL)]


def statistics_rows() -> list[Row]:
    """Return the rows for a batch of 1,000 units: its statistics, and its sweeps' arrays, against scikit-rf on the same texts."""
    with tempfile.TemporaryDirectory() as name, open_log(Path(name)) as log:
        folders = []
        for part in _proofs(UNITS):
            for number, made in enumerate(part):
                one = made.model_copy(update={"batch": "all"})
                filed, folder = write_proof(Path(name), one, _sweeps(number), {}, {})
                log.record(filed, folder)
                folders.append((folder, filed.files))

        def texts() -> float:
            import skrf

            return timed(lambda: [skrf.Network(path) for folder, _ in folders for path in sorted(folder.glob("*.s?p"))])

        def report() -> float:
            return timed(lambda: batch_report(log, "all"))

        def arrays() -> float:
            return timed(lambda: [read_stored_sweeps(folder, listed) for folder, listed in folders])

        figures = in_turn(report, texts, 2)
        stored = in_turn(arrays, texts, 1)
    return [
        row_of(f"the statistics of a batch of {UNITS:,} units, from the log", figures, STATISTICS_GOAL),
        row_of(f"all sweeps of {UNITS:,} proofs as arrays, checksums compared", stored, ARRAYS_GOAL),
    ]


MEASURE = """
import resource, sys
from pathlib import Path
from harness.log import open_log
from harness.log.batches import batch_report
with open_log(Path(sys.argv[1])) as log:
    report = batch_report(log, "all")
    report.as_dict()
assert len(report.units) == int(sys.argv[2])
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def memory_rows() -> list[Row]:
    """Return the row for the most memory of a process that reports a batch of 10,000 units; kilobytes as Linux counts them."""
    with tempfile.TemporaryDirectory() as name:
        with open_log(Path(name)) as log:
            first = 1
            for part in _proofs(MEMORY_UNITS):
                enter_many(log, [made.model_copy(update={"batch": "all"}) for made in part], first)
                first += len(part)
        words = [sys.executable, "-c", MEASURE, name, str(MEMORY_UNITS)]
        done = subprocess.run(words, capture_output=True, text=True, check=True)
    megabytes = int(done.stdout) / 1024
    what = f"memory of a process that reports a batch of {MEMORY_UNITS:,} units"
    return [Row(what, f"{megabytes:.0f} MB", f"{MEMORY_GOAL_MB:.0f} MB", megabytes / MEMORY_GOAL_MB, 1.0)]
