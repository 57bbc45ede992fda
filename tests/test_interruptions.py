"""Interruptions: a run killed at every point goes on from its last prompt, and nothing half-done is ever taken for a record.

No outside source: the promises are the project's own. A killed process leaves what a power cut leaves, less what the disk itself
forgets; against that every operation is followed by fsync, which cannot be tested here.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from harness import wiring
from harness.errors import StoreError
from harness.files import Disk, pending_proof, proof_folders, write_proof
from harness.log import check_log, examine, open_log
from tests.batch_records import file_proof, unit_proof
from tests.command_line import Program, write_bench
from tests.evidence import log_kills
from tests.records_for_files import FullDisk, corrected, raw

ROOT = Path(__file__).resolve().parents[1]
needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="the platform has no fork")


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


def points_of(folder: Path, first: Path, moments: str, *words: object) -> Iterator[dict[str, Any]]:
    command = [sys.executable, "-m", "tests.interrupted_run", str(folder), str(first), moments, *map(str, words)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    for line in done.stdout.splitlines():
        yield json.loads(line)


@pytest.mark.thorough
@needs_fork
def test_a_run_killed_at_every_point_goes_on_and_no_half_record_appears(program: Program, tmp_path: Path) -> None:
    bench, first = write_bench(tmp_path, points=28), tmp_path / "first"
    assert program("calibrate", "--bench", bench, "--yes", "--log", first).status == 0
    words = ("prove", "U1", "--type", "hf30", "--bench", bench, "--sequence", "line-sampler-quick", "--yes", "--json")
    words = (*words, "--no-diagnosis")  # it changes nothing on the disk but the record's contents
    found = list(points_of(tmp_path / "walk", first, "one", *words))
    assert [one["number"] for one in found] == list(range(1, found[0]["of"] + 1))
    assert {one["kind"] for one in found} == {"write", "append", "move", "record"}
    kept = [one["kept"] for one in found if not one["filed"]]
    assert kept == sorted(kept)  # what is kept never becomes less
    assert kept[-1] >= 2
    for one in found:
        where = f"operation {one['number']} ({one['kind']}, {one['moment']})"
        assert one["killed"] == -9, where
        assert one["filed"] <= 1, where
        assert one["again"] == one["whole"], (where, one["document"])
        assert one["document"]["unit"] == "U1", where
        assert one["left"] == 0, where  # no run is left open
        assert one["found"]["proofs"] == 1, where  # one proof, whatever happened; no second one
        wrong = [sentence for sentence in one["found"]["wrong"] if "a run was stopped while it wrote this folder" not in sentence]
        assert wrong == [], where


def test_a_power_cut_between_file_and_database_is_mended_by_the_next_command(program: Program, tmp_path: Path) -> None:
    root = tmp_path / "log"
    with open_log(root) as log:
        file_proof(log, unit_proof("CL-0001", "one1", 30.1))
    made = unit_proof("CL-0002", "two2", 30.2)

    def cut() -> None:
        with pending_proof(root, made):
            write_proof(root, made, corrected(), raw(), {})
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        cut()
    listed = program("list", "--log", root, "--json")
    rows = listed.document["units"] if isinstance(listed.document, dict) else listed.document
    assert {row["unit"] for row in rows} == {"CL-0001", "CL-0002"}
    assert program("log", "check", "--log", root).status == 0


def test_a_lost_database_is_made_again_from_the_folders(program: Program, tmp_path: Path) -> None:
    root = tmp_path / "log"
    with open_log(root) as log:
        for number in (1, 2, 3):
            file_proof(log, unit_proof(f"CL-000{number}", f"p{number}p{number}", 30.1, day=number))
    for path in root.glob("log.sqlite*"):
        path.unlink()
    said = program("log", "check", "--log", root, "--json")
    assert (said.status, said.document["proofs"], len(said.document["entered"])) == (0, 3, 3)


@pytest.mark.parametrize("damage", ["changed", "missing", "strange"])
def test_log_check_says_what_is_not_right(damage: str, program: Program, tmp_path: Path) -> None:
    root = tmp_path / "log"
    with open_log(root) as log:
        folder = file_proof(log, unit_proof("CL-0001", "one1", 30.1))
    target = folder / "raw" / "line.s2p"
    if damage == "changed":
        target.write_bytes(target.read_bytes().replace(b"1", b"2", 1))
    elif damage == "missing":
        target.unlink()
    else:
        (folder / "extra.txt").write_text("x")
    said = program("log", "check", "--log", root, "--json")
    assert said.status == 3
    (sentence,) = said.document["wrong"]
    assert ("extra.txt" if damage == "strange" else "raw/line.s2p") in sentence


@pytest.mark.parametrize("operations", range(11))
def test_a_disk_that_fills_up_while_a_proof_is_filed_leaves_nothing_of_it(operations: int, tmp_path: Path) -> None:
    """Ten operations write the files of this proof and one gives the folder its name."""
    made = unit_proof("CL-0001", "one1", 30.1)
    with pytest.raises(StoreError, match="no space left"), pending_proof(tmp_path, made):
        write_proof(tmp_path, made, corrected(), raw(), {"transcript.txt": "x"}, FullDisk(operations))
    assert list(proof_folders(tmp_path)) == []
    with open_log(tmp_path) as log:
        found = examine(tmp_path, log)
        assert (found.entered, found.wrong, log.count()) == ((), (), 0)
        assert file_proof(log, made).is_dir()


@needs_fork
def test_a_second_process_at_the_same_unit_is_told_so(program: Program, tmp_path: Path) -> None:
    """The first holds its run; the second neither waits nor writes, and goes on when the first is gone."""
    bench, log = write_bench(tmp_path), tmp_path / "log"
    code = (
        "import sys; from pathlib import Path; from harness.files import Journal\n"
        "journal = Journal.start(Path(sys.argv[1]), 'U1', {}); print('held', flush=True); sys.stdin.read()\n"
    )
    words = ("prove", "U1", "--type", "hf30", "--bench", bench, "--yes", "--json", "--log", log)
    with subprocess.Popen(
        [sys.executable, "-c", code, str(log)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        said = program(*words)
        assert (said.status, said.document["error"]["kind"]) == (3, "store")
        assert "under way in another process" in said.document["error"]["message"]
        other.kill()
    assert program(*words).status == 0


class SetBack:
    """A clock that stands a day earlier each time it is looked at."""

    def __init__(self) -> None:
        self.time = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)

    def now(self) -> datetime:
        self.time -= timedelta(days=1)
        return self.time


def test_a_clock_that_is_set_back_loses_and_overwrites_nothing(tmp_path: Path) -> None:
    """Two proofs of one unit, the later one with the earlier time: both stand in the log, whole, by their own ids."""
    from harness.proving import Wish

    bench = write_bench(tmp_path)
    clock = SetBack()
    with wiring.open_store(str(tmp_path / "log"), clock) as store:
        wish = Wish(unit="U1", type_="hf30", bench=str(bench), sequence="line-sampler-quick", diagnosis=False)
        with wiring.open_session(wish, store, yes=True, quiet=True) as (session, product):
            first = wiring.prove_bench(wish, product, session, store)
            second = wiring.prove_bench(wish, product, session, store)
        assert second.proof.circumstances.when < first.proof.circumstances.when
        assert {proof.proof for proof in wiring.unit_history(store, "U1")} == {first.proof.proof, second.proof.proof}
        assert check_log(store.root, store.log) == []


@needs_fork
def test_two_hundred_proofs_by_four_processes_with_random_kills(tmp_path: Path) -> None:
    """The small form of the table that ``make evidence`` writes with 10,000."""
    command = [sys.executable, "-m", "tests.evidence.log_kills", "200", str(tmp_path), "1"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    result = log_kills.Result(**json.loads(done.stdout))
    assert result.problems == []
    assert result.committed == result.in_log == 200
    assert result.kills >= 8


def test_the_disk_of_the_program_is_the_one_that_is_wrapped() -> None:
    """The walk counts what goes through Disk; nothing else under harness/files and harness/log writes a file's bytes."""
    for folder in ("files", "log"):
        for path in sorted((ROOT / "harness" / folder).glob("*.py")):
            text = path.read_text("utf-8")
            assert "write_text(" not in text, path
            writes = text.count('.open("xb")') + text.count("write_bytes(")
            assert writes == 0 or path.name in ("disk.py", "written.py", "exporting.py"), path
    assert {"write", "append", "move"} <= set(vars(Disk))
