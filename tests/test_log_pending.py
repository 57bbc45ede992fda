"""What is cut off between its files and the log is entered by whoever opens the log next.

The project's own rules, no outside source.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from harness import wiring
from harness.errors import StoreError, UsageError
from harness.files import (
    Withdrawal,
    folder_id,
    pending_proof,
    pending_withdrawal,
    read_withdrawal,
    save_withdrawal,
    write_proof,
)
from harness.files.lock import FileLock
from harness.files.names import dated_name
from harness.files.pending import PENDING
from harness.log import check_log, enter_missing, enter_pending, examine, open_log
from harness.log.unit_log import Log
from harness.log.withdrawing import withdraw_proof
from tests.batch_records import file_proof, unit_proof
from tests.records_for_files import FullDisk, corrected, proof, tree


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path) as opened:
        yield opened


class Gone(Exception):
    """Stands for the end of the process between folder and entry."""


def cut_off(root: Path, identity: str = "ab12cd34ef56", *, filed: bool = True) -> None:
    """File a proof, or only begin to, and come to an end before the entry."""
    one = proof(identity=identity)
    with suppress(Gone), pending_proof(root, one):
        if filed:
            write_proof(root, one, corrected(), {}, {})
        raise Gone


def markers(root: Path) -> list[str]:
    return tree(root / PENDING)


def test_a_new_marker_waits_for_somebody_who_looks_at_it(tmp_path: Path, log: Log) -> None:
    """Who looks for markers of dead processes may hold the new one for as long as a busy machine gives it no turn."""
    one = proof()
    marker = tmp_path / PENDING / dated_name(one.circumstances.when, one.proof)
    marker.parent.mkdir(exist_ok=True)
    held = FileLock(marker)
    letting_go = threading.Timer(0.2, held.release)
    letting_go.start()
    with pending_proof(tmp_path, one):
        letting_go.join()
        assert markers(tmp_path) == [marker.name]
    assert markers(tmp_path) == []


def test_a_proof_cut_off_before_its_entry_is_entered_at_the_next_opening(tmp_path: Path, log: Log) -> None:
    cut_off(tmp_path)
    assert log.entries() == []
    assert len(markers(tmp_path)) == 1
    with wiring.open_store(str(tmp_path)) as store:
        assert [entry.proof for entry in store.log.entries()] == ["ab12cd34ef56"]
    assert markers(tmp_path) == []
    assert check_log(tmp_path, log) == []


def test_a_process_that_is_killed_leaves_a_marker_that_nobody_holds(tmp_path: Path, log: Log) -> None:
    code = (
        "import os, sys; from pathlib import Path\n"
        "from harness.files import pending_proof, write_proof; from tests.records_for_files import corrected, proof\n"
        "root = Path(sys.argv[1])\n"
        "with pending_proof(root, proof()):\n"
        "    write_proof(root, proof(), corrected(), {}, {}); os.kill(os.getpid(), 9)\n"
    )
    assert subprocess.run([sys.executable, "-c", code, str(tmp_path)]).returncode == -9
    assert enter_pending(tmp_path, log).entered == ("ab12cd34ef56",)
    assert markers(tmp_path) == []


def test_what_was_never_filed_leaves_nothing(tmp_path: Path, log: Log) -> None:
    cut_off(tmp_path, filed=False)
    assert enter_pending(tmp_path, log).entered == ()
    assert (markers(tmp_path), log.entries()) == ([], [])


def test_what_another_process_is_filing_is_left_to_it(tmp_path: Path, log: Log) -> None:
    one = proof()
    with pending_proof(tmp_path, one):
        write_proof(tmp_path, one, corrected(), {}, {})
        assert enter_pending(tmp_path, log).entered == ()
        assert len(markers(tmp_path)) == 1
    assert markers(tmp_path) == []


def test_a_marker_without_trouble_is_gone_and_costs_one_look(tmp_path: Path, log: Log) -> None:
    file_proof(log, unit_proof("CL-0001", "first1", 30.1))
    assert markers(tmp_path) == []
    assert enter_pending(tmp_path, log) == enter_pending(tmp_path / "none", log)


def test_a_damaged_folder_stays_marked_and_the_check_tells_it_once(tmp_path: Path, log: Log) -> None:
    cut_off(tmp_path)
    (folder,) = (tmp_path / "proofs").glob("*/*")
    (folder / "line.s2p").write_text("")
    assert len(enter_pending(tmp_path, log).problems) == 1
    assert len(markers(tmp_path)) == 1
    found = examine(tmp_path, log)
    assert (found.entered, found.elsewhere) == ((), 0)
    assert [sentence for sentence in found.wrong if "line.s2p was changed" in sentence] == list(found.wrong)


def test_the_check_enters_what_is_missing_and_then_finds_all_well(tmp_path: Path, log: Log) -> None:
    write_proof(tmp_path, proof(), corrected(), {}, {})
    found = examine(tmp_path, log)
    assert (found.entered, found.wrong) == (("ab12cd34ef56",), ())
    assert examine(tmp_path, log).entered == ()


def test_a_full_disk_is_told_and_leaves_no_proof(tmp_path: Path, log: Log) -> None:
    one = proof()
    with pytest.raises(StoreError), pending_proof(tmp_path, one):
        write_proof(tmp_path, one, corrected(), {}, {}, FullDisk(3))
    assert enter_pending(tmp_path, log).entered == ()
    assert markers(tmp_path) == []


def test_a_log_folder_that_cannot_take_a_marker_is_told(tmp_path: Path) -> None:
    (tmp_path / PENDING).write_text("in the way")
    with pytest.raises(StoreError, match="cannot write into the folder"), pending_proof(tmp_path, proof()):
        pytest.fail("entered")


# --- withdrawals ---

SAID = {"when": "2024-05-20T10:00:00+02:00", "who": "A", "program": "tapproof 0.1.0"}


def test_a_withdrawal_is_a_new_record_and_touches_no_other(tmp_path: Path, log: Log) -> None:
    folder = file_proof(log, unit_proof("CL-0001", "first1", 30.1))
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    withdraw_proof(tmp_path, log, "first1", "  load \n forgotten ", **SAID)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
    assert json.loads((tmp_path / "withdrawals" / "first1.json").read_text()) == {
        "schema_version": 1,
        "proof": "first1",
        "unit": "CL-0001",
        "reason": "load forgotten",
        **SAID,
    }
    (entry,) = log.history("CL-0001")
    assert (entry.withdrawn, entry.withdrawn_when) == ("load forgotten", SAID["when"])
    assert (log.lines(), check_log(tmp_path, log), markers(tmp_path)) == ([], [], [])


def test_a_withdrawal_is_made_once_and_with_a_reason(tmp_path: Path, log: Log) -> None:
    file_proof(log, unit_proof("CL-0001", "first1", 30.1))
    for reason in ("", " \n", "x" * 501):
        with pytest.raises(UsageError, match="with a reason of 1 to 500"):
            withdraw_proof(tmp_path, log, "first1", reason, **SAID)
    for identity in ("none", "../first1", ""):
        with pytest.raises(UsageError, match="has no proof"):
            withdraw_proof(tmp_path, log, identity, "load forgotten", **SAID)
    withdraw_proof(tmp_path, log, "first1", "load forgotten", **SAID)
    with pytest.raises(UsageError, match="withdrawn already: load forgotten"):
        withdraw_proof(tmp_path, log, "first1", "another", **SAID)
    with pytest.raises(UsageError, match="withdrawn already"):
        log.withdraw("first1", "another")


def test_a_reason_that_is_no_text_is_told(tmp_path: Path, log: Log) -> None:
    file_proof(log, unit_proof("CL-0001", "first1", 30.1))
    for said in ({"reason": "caf\udce9", **SAID}, {"reason": "load forgotten", **SAID, "who": "Ren\udce9"}):
        with pytest.raises(UsageError, match="is not UTF-8 text"):
            withdraw_proof(tmp_path, log, "first1", **said)
    assert log.withdrawals() == {}


def test_a_withdrawal_cut_off_before_its_entry_is_entered_at_the_next_opening(tmp_path: Path, log: Log) -> None:
    file_proof(log, unit_proof("CL-0001", "first1", 30.1))
    record = Withdrawal(proof="first1", unit="CL-0001", reason="load forgotten", **SAID)
    with suppress(Gone), pending_withdrawal(tmp_path, "first1"):
        save_withdrawal(tmp_path, record)
        raise Gone
    assert "none" in " ".join(check_log(tmp_path, log))
    assert enter_pending(tmp_path, log).problems == ()
    assert log.withdrawals() == {"first1": "load forgotten"}
    assert markers(tmp_path) == []


def test_a_lost_database_knows_the_withdrawals_again(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        file_proof(log, unit_proof("CL-0001", "first1", 30.1))
        withdraw_proof(tmp_path, log, "first1", "load forgotten", **SAID)
        before = log.history("CL-0001")
    for name in tree(tmp_path):
        if name.startswith("log.sqlite"):
            (tmp_path / name).unlink()
    with open_log(tmp_path) as log:
        enter_missing(tmp_path, log)
        assert log.history("CL-0001") == before


def test_damaged_withdrawals_are_found(tmp_path: Path, log: Log) -> None:
    for number in (1, 2, 3):
        file_proof(log, unit_proof(f"CL-000{number}", f"first{number}", 30.1))
        withdraw_proof(tmp_path, log, f"first{number}", "load forgotten", **SAID)
    folder = tmp_path / "withdrawals"
    (folder / "first1.json").write_text("{")
    (folder / "first2.json").write_text((folder / "first2.json").read_text().replace("forgotten", "loose"))
    (folder / "first3.json").unlink()
    (folder / "stranger.json").write_text((folder / "first2.json").read_text())
    said = check_log(tmp_path, log)
    assert len(said) == 4
    for words in ("no withdrawal that this version reads", "another withdrawal than the file", "is missing", "of another proof"):
        assert any(words in sentence for sentence in said), words


def test_a_withdrawal_is_never_written_over(tmp_path: Path) -> None:
    record = Withdrawal(proof="first1", unit="CL-0001", reason="load forgotten", **SAID)
    save_withdrawal(tmp_path, record)
    with pytest.raises(StoreError, match="is there already"):
        save_withdrawal(tmp_path, record.model_copy(update={"reason": "another"}))
    assert read_withdrawal(tmp_path, "first1") == record
    with pytest.raises(StoreError, match="no space left"):
        save_withdrawal(tmp_path, record.model_copy(update={"proof": "second"}), FullDisk(0))
    assert tree(tmp_path / "withdrawals") == ["first1.json"]


def test_a_log_folder_keeps_its_id(tmp_path: Path) -> None:
    one = folder_id(tmp_path / "a")
    assert folder_id(tmp_path / "a") == one != folder_id(tmp_path / "b")
    (tmp_path / "a" / "folder-id").write_text("../x")
    with pytest.raises(StoreError, match="is no id"):
        folder_id(tmp_path / "a")
