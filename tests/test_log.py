"""The unit log on SQLite. Expectations: the project's own rules, no outside source; what SQLite says of itself is asked of it."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from harness.errors import StoreError, UsageError
from harness.files import LogAddress, write_proof
from harness.log import LogEntry, Query, check_log, enter_missing, open_log
from harness.log.unit_log import Log
from harness.records import Decision
from tests.batch_records import next_serial
from tests.records_for_files import WHEN, corrected, proof, tree


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path) as opened:
        yield opened


def folder_of(root: Path, unit: str = "CL-0007") -> Path:
    return root / "proofs" / unit / "x"


def enter(log: Log, unit: str, identity: str, day: int, batch: str | None = "autumn", decision: Decision = "conforms") -> None:
    one = proof(unit, identity, when=f"2024-05-{day:02d}T10:00:00Z", batch=batch, decision=decision)
    log.record(one, folder_of(log.address.folder, unit))


def ids(entries: list[LogEntry]) -> list[str]:
    return [entry.proof for entry in entries]


def test_a_proof_comes_back_as_it_was_entered(log: Log, tmp_path: Path) -> None:
    assert log.record(proof(), folder_of(tmp_path))
    (entry,) = log.history("CL-0007")
    assert entry.record() == proof()
    assert (entry.unit, entry.proof, entry.batch, entry.type) == ("CL-0007", "ab12cd34ef56", "autumn", "hf30")
    assert (entry.bench, entry.when, entry.decision) == ("simulated-serial", WHEN, "conforms")
    assert (entry.probability, entry.program, entry.folder) == (0.9991, "tapproof 0.1.0", "proofs/CL-0007/x")
    assert entry.withdrawn is None
    assert log.proof("ab12cd34ef56") == entry
    assert log.proof("none") is None
    assert log.history("none") == []
    with closing(sqlite3.connect(tmp_path / "log.sqlite")) as plain:
        figures = plain.execute("SELECT name, value, low, high, decision FROM figures ORDER BY name").fetchall()
        faults = plain.execute("SELECT proof, position, fault, weight FROM faults").fetchall()
    assert figures == [("coupling_db", 30.12, 29.98, 30.26, "conforms"), ("swr", 1.04, None, 1.06, None)]
    assert faults == [("ab12cd34ef56", 0, "turns", 0.97)]


def test_entering_the_same_twice_enters_it_once(log: Log, tmp_path: Path) -> None:
    assert log.record(proof(), folder_of(tmp_path))
    assert not log.record(proof(), folder_of(tmp_path))
    assert len(log.entries()) == 1
    with pytest.raises(StoreError, match="another proof with the id ab12cd34ef56"):
        log.record(proof(coupling_db=29.5), folder_of(tmp_path))
    assert log.entries()[0].record() == proof()


def test_a_proof_that_cannot_be_entered_whole_is_not_entered_at_all(log: Log, tmp_path: Path) -> None:
    fault = proof().faults[0].model_copy(update={"weight": float("nan")})  # SQLite keeps NaN as NULL, and NULL is refused
    with pytest.raises(StoreError, match="cannot write the log"):
        log.record(proof().model_copy(update={"faults": (fault,)}), folder_of(tmp_path))
    with closing(sqlite3.connect(tmp_path / "log.sqlite")) as plain:
        for query in ("SELECT * FROM units", "SELECT * FROM proofs", "SELECT * FROM figures"):
            assert plain.execute(query).fetchall() == []


@pytest.mark.parametrize("elsewhere", ["..", "../other/proofs"])
def test_a_folder_outside_the_log_is_refused(log: Log, tmp_path: Path, elsewhere: str) -> None:
    with pytest.raises(StoreError, match="is not in the log folder"):
        log.record(proof(), tmp_path / elsewhere)


def test_the_latest_are_units_by_their_newest_proof_that_counts(log: Log) -> None:
    enter(log, "CL-0001", "aaaa", 1)
    enter(log, "CL-0002", "bbbb", 2, decision="does not conform")
    enter(log, "CL-0001", "cccc", 3, decision="undecided")
    enter(log, "XX-1", "dddd", 4, batch=None)
    assert ids(log.latest()) == ["dddd", "cccc", "bbbb"]
    assert ids(log.latest(2)) == ["dddd", "cccc"]
    assert ids(log.latest(None, batch="autumn")) == ["cccc", "bbbb"]
    assert ids(log.latest(decision="conforms")) == ["dddd"]  # CL-0001 conformed once, and no longer
    assert ids(log.latest(type_name="hf30", bench="simulated-serial")) == ["dddd", "cccc", "bbbb"]
    assert log.latest(type_name="other") == log.latest(bench="other") == []
    log.withdraw("cccc", "load forgotten")
    assert ids(log.latest()) == ["dddd", "bbbb", "aaaa"]
    assert [(entry.proof, entry.withdrawn) for entry in log.history("CL-0001")] == [("cccc", "load forgotten"), ("aaaa", None)]


def test_fifty_units_are_listed_unless_asked(log: Log) -> None:
    for number in range(60):
        enter(log, f"CL-{number:04d}", f"{number:04d}", 1 + number % 28)
    assert len(log.latest()) == 50
    assert len(log.latest(None)) == 60


def test_time_sorts_by_the_moment_whatever_the_offset(log: Log, tmp_path: Path) -> None:
    times = {"aaaa": "2024-05-04T10:00:00+02:00", "bbbb": "2024-05-04T09:30:00Z", "cccc": "2024-05-04T09:30:00.5Z"}
    for identity, when in times.items():
        log.record(proof(identity=identity, when=when), folder_of(tmp_path))
    assert ids(log.history("CL-0007")) == ["cccc", "bbbb", "aaaa"]
    assert ids(log.entries()) == ["aaaa", "bbbb", "cccc"]


def test_a_batch_is_one_proof_a_unit_in_the_order_of_entering(log: Log) -> None:
    enter(log, "CL-0002", "aaaa", 5)
    enter(log, "CL-0001", "bbbb", 1)
    enter(log, "CL-0002", "cccc", 6)
    enter(log, "CL-0003", "dddd", 7, batch="spring")
    assert ids(log.batch("autumn")) == ["cccc", "bbbb"]
    assert log.batch("none") == []
    enter(log, "CL-0001", "eeee", 8, batch=None)  # a recheck without --batch leaves the unit in its batch
    assert ids(log.batch("autumn")) == ["cccc", "eeee"]


def test_the_next_serial(log: Log) -> None:
    assert next_serial(log, "autumn") == "autumn-0001"
    assert next_serial(log, "autumn", "CL-0006") == "CL-0006"
    enter(log, "CL-0007", "aaaa", 1)
    assert next_serial(log, "autumn") == next_serial(log, "autumn", "CL-0001") == "CL-0008"
    enter(log, "CL-0008", "bbbb", 2)
    enter(log, "CL-0007", "cccc", 3)  # proved again: CL-0008 stays the last
    assert next_serial(log, "autumn") == "CL-0009"
    enter(log, "CL-0009", "dddd", 4, batch="other")  # taken elsewhere
    assert next_serial(log, "autumn") == "CL-0010"
    enter(log, "CL-9999", "eeee", 5)
    assert next_serial(log, "autumn") == "CL-10000"
    enter(log, "proto", "ffff", 6, batch="trial")
    with pytest.raises(UsageError, match="'proto' does not end in a number"):
        next_serial(log, "trial")
    with pytest.raises(UsageError, match="is not a name"):
        next_serial(log, "new", "../CL")


def test_withdrawing_needs_a_proof_and_a_reason(log: Log) -> None:
    with pytest.raises(UsageError, match="has no proof aaaa"):
        log.withdraw("aaaa", "wrong load")
    with pytest.raises(UsageError, match="with a reason"):
        log.withdraw("aaaa", " ")


def test_folders_that_the_log_does_not_know_are_entered(tmp_path: Path) -> None:
    filed = [
        write_proof(tmp_path, proof(unit, identity, when=when), corrected(), {}, {})
        for unit, identity, when in (
            ("CL-0002", "bbbb", "2024-05-02T10:00:00Z"),
            ("CL-0001", "cccc", "2024-05-03T10:00:00Z"),
            ("CL-0001", "aaaa", "2024-05-01T10:00:00Z"),
        )
    ]
    damaged = write_proof(tmp_path, proof("CL-0003", "dddd"), corrected(), {}, {})[1]
    (damaged / "line.s2p").write_text("")
    moved = write_proof(tmp_path, proof("CL-0004", "eeee"), corrected(), {}, {})[1]
    moved.rename(filed[0][1].parent / moved.name)
    with open_log(tmp_path) as log:
        log.record(*filed[0])
        assert len(check_log(tmp_path, log)) == 4
        adopted = enter_missing(tmp_path, log)
        assert adopted.entered == ("aaaa", "cccc")
        assert len(adopted.problems) == 2
        assert "line.s2p was changed" in adopted.problems[0]
        assert "belongs in CL-0004" in adopted.problems[1]
        assert ids(log.latest()) == ["cccc", "bbbb"]
        assert enter_missing(tmp_path, log).entered == ()


def test_a_lost_database_is_made_again_from_the_folders(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        log.record(*write_proof(tmp_path, proof(), corrected(), {}, {}))
        before = log.entries()
    for name in tree(tmp_path):
        if name.startswith("log.sqlite"):
            (tmp_path / name).unlink()
    with open_log(tmp_path) as log:
        assert enter_missing(tmp_path, log).entered == ("ab12cd34ef56",)
        assert log.entries() == before
        assert check_log(tmp_path, log) == []


def test_the_check_of_the_log_tells_what_is_wrong(tmp_path: Path) -> None:
    filed, folder = write_proof(tmp_path, proof(), corrected(), {}, {})
    with open_log(tmp_path) as log:
        log.record(filed, folder)
        assert check_log(tmp_path, log) == []
        record = folder / "proof.json"
        good = record.read_text()
        record.write_text(good.replace("30.12", "30.02"))
        assert check_log(tmp_path, log) == ["proof ab12cd34ef56 of CL-0007: its record is another than the one that was entered"]
        record.write_text(good)
        (folder.parent / ".partial-ab").mkdir()
        assert "a run was stopped while it wrote this folder" in check_log(tmp_path, log)[0]
        (folder.parent / ".partial-ab").rmdir()
        folder.rename(tmp_path / "elsewhere")
        assert "is missing" in check_log(tmp_path, log)[0]


def test_sqlite_is_opened_for_durable_shared_use(log: Log) -> None:
    with log._engine.connect() as connection:
        said = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "foreign_keys", "busy_timeout", "synchronous")
        }
    # sqlite.org/pragma.html: synchronous 2 is FULL
    assert said == {"journal_mode": "wal", "foreign_keys": 1, "busy_timeout": 10000, "synchronous": 2}


def test_a_writing_transaction_keeps_others_from_writing_from_its_first_moment(log: Log, tmp_path: Path) -> None:
    """One that begins by reading could find, when it comes to write, that another has written since, and would have to fail."""
    with closing(sqlite3.connect(tmp_path / "log.sqlite", timeout=0, isolation_level=None)) as other:
        with log._writing.begin(), pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")
        with log._engine.begin():  # reading keeps nobody out
            other.execute("BEGIN IMMEDIATE")
            other.execute("ROLLBACK")


def test_the_listing_is_read_along_the_index_on_time(log: Log) -> None:
    """50 of 100,000 proofs must not need a sort of all of them; asked of SQLite's own plan."""
    from harness.log.queries import newest_lines

    query = newest_lines(Query(), 50)
    with log._engine.connect() as connection:
        plan = [
            row[3]
            for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {query.compile(compile_kwargs={'literal_binds': True})}")
        ]
    assert any("proofs_by_time" in line for line in plan), plan
    assert any("proofs_by_unit" in line for line in plan), plan
    assert not any("TEMP B-TREE" in line for line in plan), plan


def test_two_logs_on_one_folder_see_each_others_proofs(tmp_path: Path) -> None:
    with open_log(tmp_path) as one, open_log(tmp_path) as other:
        enter(one, "CL-0001", "aaaa", 1)
        enter(other, "CL-0002", "bbbb", 2)
        assert ids(one.latest()) == ids(other.latest()) == ["bbbb", "aaaa"]


def test_many_processes_at_a_new_log_lose_nothing(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from harness.log import open_log; from tests.records_for_files import proof\n"
        "root, name = Path(sys.argv[1]), sys.argv[2]\n"
        "with open_log(root) as log:\n"
        "    for number in range(5): log.record(proof(f'{name}-{number}', f'{name}000{number}'), root / 'proofs' / name)\n"
    )
    commands = [[sys.executable, "-c", code, str(tmp_path), name] for name in ("a", "b", "c")]
    running = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for command in commands]
    assert [process.communicate()[1] for process in running] == ["", "", ""]
    with open_log(tmp_path) as log:
        assert len(log.entries()) == 15


def test_importing_the_log_does_not_bring_the_database_library() -> None:
    code = "import sys, harness.log, harness.files; print('sqlalchemy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


@pytest.mark.parametrize("content", [b"hello, this is no database at all" * 100, b"\0" * 5000])
def test_a_file_that_is_no_database_is_told(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "log.sqlite").write_bytes(content)
    with pytest.raises(StoreError, match="cannot open the log") as caught:
        open_log(tmp_path)
    assert "made again from the proof folders" in caught.value.hint


def test_a_log_folder_that_is_a_file_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot make the log folder"):
        open_log(tmp_path / "file")
    (tmp_path / "log.sqlite").mkdir()
    with pytest.raises(StoreError, match="cannot open the log"):
        open_log(tmp_path)


def test_a_database_address_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        open_log(LogAddress(tmp_path, "postgresql://host:port:port/x"))
