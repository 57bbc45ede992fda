"""The same log on a PostgreSQL server that the test starts: the queries and migrations hold no database's own SQL."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.errors import StoreError
from harness.files import LogAddress, write_proof
from harness.log import check_log, enter_missing, open_log
from harness.log.migrations import MIGRATIONS
from tests.conftest import find_postgres_folder
from tests.records_for_files import corrected, proof

pytestmark = pytest.mark.needs_postgres


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Start a server of our own on a socket in a short-named folder; as root, under the system's own database user."""
    programs = find_postgres_folder()
    assert programs is not None
    folder = Path(tempfile.mkdtemp(prefix="log-pg-"))
    user = "postgres" if os.geteuid() == 0 else None
    if user is not None:
        shutil.chown(folder, user)

    def run(*command: str) -> None:
        done = subprocess.run(command, user=user, cwd=folder, capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr

    data, log = str(folder / "data"), str(folder / "server.log")
    run(str(programs / "initdb"), "-D", data, "-U", "bench", "-A", "trust", "--no-sync", "-E", "UTF8", "--locale", "C")
    options = f"-c listen_addresses= -c unix_socket_directories={folder} -c fsync=off"
    run(str(programs / "pg_ctl"), "-D", data, "-l", log, "-o", options, "-w", "start")
    try:
        yield f"postgresql://bench@/postgres?host={folder}"
    finally:
        run(str(programs / "pg_ctl"), "-D", data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder)


def test_a_log_shared_through_a_server(server: str, tmp_path: Path) -> None:
    address = LogAddress(tmp_path, server)
    with open_log(address) as log, open_log(address) as other:
        assert log.version == other.version == len(MIGRATIONS)
        filed, folder = write_proof(tmp_path, proof(), corrected(), {}, {})
        assert log.record(filed, folder)
        assert not other.record(filed, folder)
        (entry,) = other.latest()
        assert entry.record() == filed
        assert other.history("CL-0007") == other.batch("autumn") == [entry]
        assert other.next_serial("autumn") == "CL-0008"
        write_proof(tmp_path, proof("CL-0008", "eeee", decision="undecided"), corrected(), {}, {})
        assert enter_missing(tmp_path, other).entered == ("eeee",)
        assert check_log(tmp_path, log) == []
        assert [entry.proof for entry in log.latest(decision="undecided", batch="autumn")] == ["eeee"]
        log.withdraw("eeee", "wrong load")
        assert [entry.proof for entry in other.latest()] == ["ab12cd34ef56"]
    with open_log(address) as again:
        assert len(again.entries()) == 2


def test_a_server_that_is_not_there_is_told_without_the_password(tmp_path: Path) -> None:
    address = LogAddress(tmp_path, f"postgresql://bench:secret@/log?host={tmp_path}")
    with pytest.raises(StoreError, match="cannot open the log postgresql://bench:") as caught:
        open_log(address)
    assert "secret" not in caught.value.message
    assert "reachable" in caught.value.hint
