"""The same log on a PostgreSQL server that the test starts: the queries and migrations hold no database's own SQL."""

from __future__ import annotations

import inspect
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from harness.errors import StoreError
from harness.files import LogAddress, pending_proof, write_proof
from harness.log import check_log, enter_missing, enter_pending, examine, open_log
from harness.log.exporting import chosen, export
from harness.log.importing import import_archive
from harness.log.migrations import MIGRATIONS
from harness.log.unit_log import Log
from harness.log.withdrawing import withdraw_proof
from harness.records import Proof
from tests import test_batch_report, test_log, test_log_pending, test_log_queries, test_log_references, test_log_serials
from tests.batch_records import file_batch, file_proof, next_serial, unit_proof
from tests.conftest import find_postgres_folder
from tests.records_for_files import corrected, proof

pytestmark = pytest.mark.needs_postgres

SAID = {"when": "2024-05-20T10:00:00+02:00", "who": "", "program": "tapproof 0.1.0"}


class Server:
    """A server of our own on a socket in a short-named folder; as root, under the system's own database user."""

    def __init__(self) -> None:
        programs = find_postgres_folder()
        assert programs is not None
        self._programs = programs
        self.folder = Path(tempfile.mkdtemp(prefix="log-pg-"))
        self._user = "postgres" if os.geteuid() == 0 else None
        if self._user is not None:
            shutil.chown(self.folder, self._user)
        self._numbers = count(1)
        self._run("initdb", "-U", "bench", "-A", "trust", "--no-sync", "-E", "UTF8", "--locale", "C")
        self.start()

    def start(self) -> None:
        options = f"-c listen_addresses= -c unix_socket_directories={self.folder} -c fsync=off"
        self._run("pg_ctl", "-l", str(self.folder / "server.log"), "-o", options, "-w", "start")

    def stop(self) -> None:
        """End the server as a power cut would: without a word to those connected."""
        self._run("pg_ctl", "-m", "immediate", "-w", "stop")

    def database(self) -> str:
        """Return the address of a new, empty database."""
        name = f"log{next(self._numbers)}"
        engine = create_engine(
            self._address("postgres").replace("postgresql", "postgresql+psycopg"), isolation_level="AUTOCOMMIT"
        )
        with engine.connect() as connection:
            connection.execute(text(f"CREATE DATABASE {name}"))
        engine.dispose()
        return self._address(name)

    def _address(self, name: str) -> str:
        return f"postgresql://bench@/{name}?host={self.folder}"

    def _run(self, program: str, *words: str) -> None:
        command = [str(self._programs / program), "-D", str(self.folder / "data"), *words]
        done = subprocess.run(command, user=self._user, cwd=self.folder, capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    running = Server()
    yield running
    running.stop()
    shutil.rmtree(running.folder)


@pytest.fixture
def database(server: Server) -> str:
    return server.database()


def test_a_log_shared_through_a_server(database: str, tmp_path: Path) -> None:
    address = LogAddress(tmp_path, database)
    with open_log(address) as log, open_log(address) as other:
        assert log.version == other.version == len(MIGRATIONS)
        filed, folder = write_proof(tmp_path, proof(), corrected(), {}, {})
        assert log.record(filed, folder)
        assert not other.record(filed, folder)
        (entry,) = other.latest()
        assert entry.record() == filed
        assert other.history("CL-0007") == other.batch("autumn") == [entry]
        assert next_serial(other, "autumn") == "CL-0008"
        write_proof(tmp_path, proof("CL-0008", "eeee", decision="undecided"), corrected(), {}, {})
        assert enter_missing(tmp_path, other).entered == ("eeee",)
        assert check_log(tmp_path, log) == []
        assert [entry.proof for entry in log.latest(decision="undecided", batch="autumn")] == ["eeee"]
        log.withdraw("eeee", "wrong load")
        assert [entry.proof for entry in other.latest()] == ["ab12cd34ef56"]
    with open_log(address) as again:
        assert len(again.entries()) == 2


SAME = [
    test_log.test_entering_the_same_twice_enters_it_once,
    test_log.test_the_latest_are_units_by_their_newest_proof_that_counts,
    test_log.test_fifty_units_are_listed_unless_asked,
    test_log.test_time_sorts_by_the_moment_whatever_the_offset,
    test_log.test_a_batch_is_one_proof_a_unit_in_the_order_of_entering,
    test_log.test_the_next_serial,
    test_log.test_withdrawing_needs_a_proof_and_a_reason,
    test_log_queries.test_a_line_tells_figures_and_faults,
    test_log_queries.test_many_lines_keep_their_own_figures,
    test_log_queries.test_days_are_those_that_the_bench_wrote,
    test_log_queries.test_filters_ask_the_newest_proof_that_counts,
    test_log_queries.test_units_that_are_due_stand_with_the_longest_due_first,
    test_log_queries.test_a_unit_has_the_batch_that_was_said_last_in_whatever_order_proofs_are_entered,
    test_log_queries.test_a_record_of_an_earlier_version_is_the_same_proof,
    test_log_queries.test_ids_stand_by_unit_and_age,
    test_log_pending.test_a_withdrawal_is_a_new_record_and_touches_no_other,
    test_log_pending.test_a_withdrawal_is_made_once_and_with_a_reason,
    test_log_pending.test_a_withdrawal_cut_off_before_its_entry_is_entered_at_the_next_opening,
    test_log_pending.test_a_process_that_is_killed_leaves_a_marker_that_nobody_holds,
    test_log_pending.test_the_check_enters_what_is_missing_and_then_finds_all_well,
    test_batch_report.test_repeats_are_those_of_the_unit_as_it_is_now,
    test_batch_report.test_repeats_begin_anew_where_a_unit_was_reworked,
    test_log_references.test_the_latest_choice_counts_and_every_one_stays_on_disk,
    test_log_references.test_a_choice_cut_off_before_its_entry_is_entered_at_the_next_opening,
    test_log_serials.test_two_at_once_get_two_serials_and_the_next_one_knows,
    test_log_serials.test_a_serial_without_proof_and_run_is_let_go,
    test_log_serials.test_a_serial_that_is_let_go_after_later_ones_leaves_no_gap,
    test_log_serials.test_a_serial_at_a_run_that_can_go_on_comes_first_and_to_no_other_bench,
    test_log_serials.test_a_batch_whose_only_unit_is_under_way_counts_on_from_it,
    test_batch_report.test_a_withdrawn_proof_leaves_the_one_before_and_a_unit_without_any_is_missing,
    test_batch_report.test_units_without_serials_stand_in_the_order_of_entering,
]


@pytest.mark.parametrize("check", SAME, ids=lambda check: check.__name__.removeprefix("test_"))
def test_the_log_is_the_same_on_a_server(check: Callable[..., None], database: str, tmp_path: Path) -> None:
    with open_log(LogAddress(tmp_path, database)) as log:
        given = {"log": log, "tmp_path": tmp_path}
        check(**{name: given[name] for name in inspect.signature(check).parameters})


PROVING = """
import sys
from pathlib import Path
from harness.files import LogAddress
from harness.log import open_log
from tests.batch_records import file_proof, unit_proof
root, database, bench = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
with open_log(LogAddress(root / bench, database)) as log:
    for number in range(8):
        file_proof(log, unit_proof(f"CL-{number:04d}", f"{bench}{number:04d}", 30.1))  # the same units at every bench
        file_proof(log, unit_proof(f"{bench}-{number}", f"own{bench}{number}", 30.1))
"""


def test_benches_that_prove_at_once_lose_nothing(database: str, tmp_path: Path) -> None:
    """Three processes open a new log and prove the same and other units into it; each keeps its own files."""
    benches = ("a", "b", "c")
    commands = [[sys.executable, "-c", PROVING, str(tmp_path), database, bench] for bench in benches]
    running = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for command in commands]
    assert [process.communicate()[1] for process in running] == ["", "", ""]
    with open_log(LogAddress(tmp_path / "a", database)) as log:
        assert log.count() == 48
        assert len(log.unit_names()) == 8 + 24
        assert len(log.history("CL-0003")) == 3
        places = [line.unit for line in log.lines(limit=None)]
        assert len(places) == len(set(places)) == 32
        found = examine(tmp_path / "a", log)
        assert (found.entered, found.wrong, found.elsewhere) == ((), (), 32)


def test_two_benches_that_take_the_next_serial_at_once_take_different_ones(database: str, tmp_path: Path) -> None:
    roots = (tmp_path / "a", tmp_path / "b")
    test_log_serials.prove_in_two_processes(roots, database)
    with open_log(LogAddress(roots[0], database)) as log:
        found = sorted((entry.unit, len(log.history(entry.unit))) for entry in log.batch("autumn"))
        assert found == test_log_serials.expected_units()


def file_while_the_server_dies(log: Log, one: Proof, server: Server) -> None:
    """File and enter a proof as a run does; the server is gone between the two."""
    root = log.address.folder
    with pending_proof(root, one):
        filed, folder = write_proof(root, one, corrected(), {}, {})
        server.stop()
        log.record(filed, folder)


def test_a_server_that_dies_in_mid_proof_has_the_proof_when_it_is_back(server: Server, database: str, tmp_path: Path) -> None:
    address = LogAddress(tmp_path, database)
    one = proof()
    with open_log(address) as log:
        file_proof(log, unit_proof("CL-0001", "before", 30.1))
        with pytest.raises(StoreError, match="cannot write the log") as caught:
            file_while_the_server_dies(log, one, server)
        assert "is whole in its folder; the next command that opens the log enters it" in caught.value.hint
        with pytest.raises(StoreError, match="cannot open the log"):
            open_log(address)
        server.start()
        assert log.count() == 1  # the same program goes on with the server that is back
    with open_log(address) as again:
        assert enter_pending(tmp_path, again).entered == (one.proof,)
        assert [entry.proof for entry in again.history(one.unit)] == [one.proof]
        assert check_log(tmp_path, again) == []


def test_records_kept_by_another_bench(database: str, tmp_path: Path) -> None:
    with open_log(LogAddress(tmp_path / "a", database)) as log, open_log(LogAddress(tmp_path / "b", database)) as other:
        file_batch(log, (30.1, 30.2))
        withdraw_proof(tmp_path / "b", other, "autumn0002", "load forgotten", **SAID)
        assert check_log(tmp_path / "a", log) == check_log(tmp_path / "b", other) == []
        made = {"program": "tapproof 0.1.0", "made": SAID["when"]}
        elsewhere = export(other, tmp_path / "b", tmp_path / "b.zip", chosen(other, (), None), **made)
        assert elsewhere.proofs == 0
        assert "kept by another bench" in elsewhere.left_out[0]
        assert export(log, tmp_path / "a", tmp_path / "a.zip", chosen(log, (), None), **made).withdrawals == 1
        assert import_archive(other, tmp_path / "b", tmp_path / "a.zip").known == ["autumn0001", "autumn0002"]
        assert not (tmp_path / "b" / "proofs").exists()
    with open_log(tmp_path / "alone") as alone:
        assert import_archive(alone, tmp_path / "alone", tmp_path / "a.zip").withdrawn == ["autumn0002"]
        assert told(alone) == [("autumn0001", None), ("autumn0002", "load forgotten")]


def told(log: Log) -> list[tuple[str, str | None]]:
    return [(entry.proof, entry.withdrawn) for entry in log.entries()]


def test_a_server_that_is_not_there_is_told_without_the_password(tmp_path: Path) -> None:
    address = LogAddress(tmp_path, f"postgresql://bench:secret@/log?host={tmp_path}")
    with pytest.raises(StoreError, match="cannot open the log postgresql://bench:") as caught:
        open_log(address)
    assert "secret" not in caught.value.message
    assert "reachable" in caught.value.hint
