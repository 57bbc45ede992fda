"""A batch's next serial goes to one bench only, on every database. The project's own rules, no outside source."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from harness.files import Journal
from harness.log import open_log
from harness.log.reserving import SERIAL_LOCKS, reserved_serial
from harness.log.unit_log import Log
from harness.proving import Records, Wish, next_units
from tests.batch_records import file_proof, next_serial, unit_proof
from tests.fakes import FakeClock
from tests.records_for_files import tree


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path) as opened:
        yield opened


def test_two_at_once_get_two_serials_and_the_next_one_knows(log: Log) -> None:
    root = log.address.folder
    with open_log(log.address) as other:
        with reserved_serial(log, root, "autumn", "CL-0009") as one, reserved_serial(other, root, "autumn", "CL-0009") as two:
            assert (one, two) == ("CL-0009", "CL-0010")
            file_proof(other, unit_proof(two, "second", 30.1))
            assert next_serial(other, "autumn") == "CL-0011"
            file_proof(log, unit_proof(one, "first1", 30.1))
        assert next_serial(log, "autumn") == "CL-0011"
    assert tree(root / SERIAL_LOCKS) == []


def test_a_serial_without_proof_and_run_is_let_go(log: Log) -> None:
    with reserved_serial(log, log.address.folder, "autumn", "CL-0001") as serial:
        pass
    with pytest.raises(RuntimeError), reserved_serial(log, log.address.folder, "autumn", "CL-0001") as again:
        raise RuntimeError
    assert serial == again == next_serial(log, "autumn", "CL-0001") == "CL-0001"


def test_a_serial_that_is_let_go_after_later_ones_leaves_no_gap(log: Log) -> None:
    root = log.address.folder
    with reserved_serial(log, root, "autumn", "CL-0009"):
        with reserved_serial(log, root, "autumn") as later:
            file_proof(log, unit_proof(later, "later1", 30.1))
        assert later == "CL-0010"
    with reserved_serial(log, root, "autumn") as one:
        assert one == "CL-0009"
        assert next_serial(log, "autumn") == "CL-0011"
        file_proof(log, unit_proof(one, "first1", 30.1))
    assert next_serial(log, "autumn") == "CL-0011"


def test_a_serial_at_a_run_that_can_go_on_comes_first_and_to_no_other_bench(log: Log, tmp_path: Path) -> None:
    root = log.address.folder
    with reserved_serial(log, root, "autumn", "CL-0001") as serial:
        Journal.start(root, serial, {}).close()
    assert next_serial(log, "autumn") == "CL-0001"
    if log.address.database is not None:  # a bench with another folder, where several share one database
        with open_log(type(log.address)(tmp_path / "elsewhere", log.address.database)) as other:
            assert next_serial(other, "autumn") == "CL-0002"
    file_proof(log, unit_proof("CL-0001", "first1", 30.1))
    assert next_serial(log, "autumn") == "CL-0002"


def test_a_batch_whose_only_unit_is_under_way_counts_on_from_it(log: Log) -> None:
    with reserved_serial(log, log.address.folder, "autumn", "CL-99"):
        assert next_serial(log, "autumn") == "CL-100"


def test_two_runs_of_next_walk_different_units(log: Log) -> None:
    records = Records(log.address.folder, log, FakeClock())
    wish = Wish("", "hf30", "simulated-serial", "autumn")
    with closing(next_units(wish, records, "CL-0001", None)) as one, closing(next_units(wish, records, "CL-0001", None)) as other:
        assert (next(one).unit, next(other).unit) == ("CL-0001", "CL-0002")
        file_proof(log, unit_proof("CL-0001", "first1", 30.1))
        assert next(one).unit == "CL-0003"
    assert next_serial(log, "autumn") == "CL-0002"  # neither of the two that were let go has become a gap


NEXT = """
import sys
from pathlib import Path
from harness.files import LogAddress
from harness.log import open_log
from harness.log.reserving import reserved_serial
from tests.batch_records import file_proof, unit_proof
root, database, bench = Path(sys.argv[1]), sys.argv[2] or None, sys.argv[3]
with open_log(LogAddress(root, database)) as log:
    for number in range(6):
        with reserved_serial(log, root, "autumn", "CL-0001") as serial:
            file_proof(log, unit_proof(serial, f"{bench}{number:04d}", 30.1))
"""


def prove_in_two_processes(roots: tuple[Path, Path], database: str = "") -> None:
    """Two processes prove the next units of one batch at once: each serial once, none left out."""
    commands = [[sys.executable, "-c", NEXT, str(root), database, bench] for root, bench in zip(roots, "ab", strict=True)]
    running = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for command in commands]
    assert [process.communicate()[1] for process in running] == ["", ""]


def test_two_processes_share_a_folder(tmp_path: Path) -> None:
    prove_in_two_processes((tmp_path, tmp_path))
    with open_log(tmp_path) as log:
        assert sorted((entry.unit, len(log.history(entry.unit))) for entry in log.batch("autumn")) == expected_units()


def expected_units() -> list[tuple[str, int]]:
    """Twelve units with one proof each."""
    return [(f"CL-{number:04d}", 1) for number in range(1, 13)]
