"""The journal of a run: what is kept stays kept, whatever happens while something is written. No outside source."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.errors import StoreError
from harness.files import Disk, Journal, tidy_runs
from harness.ports import Store
from tests.records_for_files import FullDisk, sweep, tree

META: dict[str, Any] = {"what": "proof", "bench": {"points": 201, "low": "1000000.0 Hz"}, "calibration": None}
LINE = sweep("line", "s11", "s21")
COUPLED = sweep("coupled", "s11", "s21", shift=0.5)


def start(root: Path, unit: str = "CL-0007", run_id: str = "ab12cd34ef56", disk: Disk | None = None) -> Journal:
    return Journal.start(root, unit, META, run_id=run_id, disk=disk)


def reopen(root: Path, unit: str = "CL-0007") -> Journal:
    journal = Journal.unfinished(root, unit)
    assert journal is not None
    return journal


def assert_kept(journal: Store, step: str, wanted: Any) -> None:
    kept = journal.kept(step)
    assert kept is not None
    assert (kept.name, kept.ports, set(kept.traces)) == (wanted.name, wanted.ports, set(wanted.traces))
    np.testing.assert_array_equal(kept.frequency_hz, wanted.frequency_hz)
    for key in wanted.traces:
        np.testing.assert_array_equal(kept.trace(key), wanted.trace(key))


def test_what_is_kept_comes_back_in_the_next_process(tmp_path: Path) -> None:
    assert Journal.unfinished(tmp_path, "CL-0007") is None
    with start(tmp_path) as journal:
        assert journal.folder == tmp_path / "runs" / "CL-0007-ab12cd34ef56"
        journal.keep("line-1", LINE)
        journal.note("override", title="Load", says="−20 dB")
        journal.keep("coupled-1", COUPLED)
    with reopen(tmp_path) as again:
        assert (again.run_id, again.meta) == ("ab12cd34ef56", META)
        assert_kept(again, "line-1", LINE)
        assert_kept(again, "coupled-1", COUPLED)
        kept = again.kept("line-1")
        assert kept is not None
        assert set(LINE.comments) <= set(kept.comments)  # the time it was taken stands there
        assert again.kept("sample-1") is None
        assert again.notes() == [{"what": "override", "title": "Load", "says": "−20 dB"}]


def test_an_override_is_of_the_sweep_that_was_there_and_no_later_one(tmp_path: Path) -> None:
    with start(tmp_path) as journal:
        journal.keep("line-1", LINE)
        journal.note("override", title="Load", says="an old note without a step")
        assert journal.overridden("line-1") is None
        journal.note("override", step="line-1", title="Not a line", says="−20 dB")
        journal.keep("coupled-1", COUPLED)
        journal.note("repeat", step="coupled-1", title="Not coupled", says="0 dB")
    with reopen(tmp_path) as again:
        assert again.overridden("line-1") == "Not a line: −20 dB"
        assert again.overridden("coupled-1") is None
        again.keep("line-1", LINE)
        assert again.overridden("line-1") is None


def test_a_note_that_is_no_unicode_is_kept_all_the_same(tmp_path: Path) -> None:
    with start(tmp_path) as journal:
        journal.note("remark", says="caf\udce9 Ω")  # what a keyboard set up wrongly gives
    with reopen(tmp_path) as again:
        assert again.notes() == [{"what": "remark", "says": "caf\udce9 Ω"}]


def test_a_sweep_taken_again_is_a_new_file_and_the_last_one_counts(tmp_path: Path) -> None:
    with start(tmp_path) as journal:
        journal.keep("line-1", LINE)
        journal.keep("line-1", COUPLED)
        assert_kept(journal, "line-1", COUPLED)
    names = [name for name in tree(journal.folder) if name.endswith(".s2p")]
    assert names == ["001-line.s2p", "002-coupled.s2p"]


def test_a_journal_torn_at_every_byte_of_its_last_line(tmp_path: Path) -> None:
    with start(tmp_path) as journal:
        journal.keep("line-1", LINE)
        before = (journal.folder / "journal.jsonl").read_bytes()
        journal.keep("coupled-1", COUPLED)
        path = journal.folder / "journal.jsonl"
        whole = path.read_bytes()
    for length in range(len(before), len(whole) + 1):
        path.write_bytes(whole[:length])
        with reopen(tmp_path) as again:
            assert_kept(again, "line-1", LINE)
            if length >= len(whole) - 1:  # all but perhaps the line's end
                assert_kept(again, "coupled-1", COUPLED)
            else:
                assert again.kept("coupled-1") is None
            again.note("after", cut=str(length))
        with reopen(tmp_path) as once_more:  # the torn piece does not spoil what is written after it
            assert once_more.notes() == [{"what": "after", "cut": str(length)}]
            assert (once_more.kept("coupled-1") is None) == (length < len(whole) - 1)


def test_a_start_that_was_torn_is_no_run(tmp_path: Path) -> None:
    with start(tmp_path) as journal:
        path = journal.folder / "journal.jsonl"
    whole = path.read_bytes()
    for length in range(len(whole) - 1):
        path.write_bytes(whole[:length])
        assert Journal.unfinished(tmp_path, "CL-0007") is None


@pytest.mark.parametrize("operations", range(8))
def test_a_disk_that_fills_up_loses_nothing_that_was_kept(tmp_path: Path, operations: int) -> None:
    """Operations: journal file, its first line; for each sweep its file, its name, its line."""
    kept: list[str] = []

    def run() -> None:
        with start(tmp_path, disk=FullDisk(operations)) as journal:
            for step, one in (("line-1", LINE), ("coupled-1", COUPLED)):
                journal.keep(step, one)
                kept.append(step)

    with pytest.raises(StoreError, match="no space left on device"):
        run()
    assert len(kept) == max(operations - 2, 0) // 3
    if operations < 2:
        assert tree(tmp_path) == ["runs"]
        return
    with reopen(tmp_path) as again:
        assert [step for step in ("line-1", "coupled-1") if again.kept(step) is not None] == kept
        assert not [name for name in tree(again.folder) if name.startswith(".")]
        again.keep("coupled-1", COUPLED)
        assert_kept(again, "coupled-1", COUPLED)
    with reopen(tmp_path) as once_more:
        assert_kept(once_more, "coupled-1", COUPLED)


@pytest.mark.parametrize("damage", ["changed", "missing", "folder"])
def test_a_broken_file_counts_as_not_kept(tmp_path: Path, damage: str) -> None:
    with start(tmp_path) as journal:
        journal.keep("line-1", LINE)
        journal.keep("coupled-1", COUPLED)
        path = journal.folder / "001-line.s2p"
        data = path.read_bytes()
        path.unlink()
        if damage == "changed":
            path.write_bytes(data.replace(b"1", b"2", 1))
        elif damage == "folder":
            path.mkdir()
        assert journal.kept("line-1") is None
        assert_kept(journal, "coupled-1", COUPLED)


@pytest.mark.parametrize("change", [{"file": "../../outside.s2p"}, {"file": 3}, {"sha256": "0"}, {"ports": "2"}, {"line": "x"}])
def test_a_line_that_was_tampered_with_counts_for_nothing(tmp_path: Path, change: dict[str, Any]) -> None:
    with start(tmp_path) as journal:
        journal.keep("line-1", LINE)
    path = journal.folder / "journal.jsonl"
    (tmp_path / "outside.s2p").write_bytes((journal.folder / "001-line.s2p").read_bytes())
    first, second = path.read_text().splitlines()
    path.write_text(f"{first}\n{json.dumps(json.loads(second) | change)}\n")
    with reopen(tmp_path) as again:
        assert again.kept("line-1") is None


def test_two_journals_do_not_share_a_run(tmp_path: Path) -> None:
    with start(tmp_path):
        with pytest.raises(StoreError, match="is under way in another process") as caught:
            Journal.unfinished(tmp_path, "CL-0007")
        assert caught.value.hint
    reopen(tmp_path).close()


def test_another_process_is_kept_out_too_and_its_end_frees_the_run(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from harness.files import Journal\n"
        "journal = Journal.start(Path(sys.argv[1]), 'CL-0007', {}); print('held', flush=True); sys.stdin.read(1)\n"
        "import os; os._exit(9)\n"
    )
    command = [sys.executable, "-c", code, str(tmp_path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(StoreError, match="is under way in another process"):
            Journal.unfinished(tmp_path, "CL-0007")
        other.communicate("x")
    reopen(tmp_path).close()


def test_a_finished_run_goes_away(tmp_path: Path) -> None:
    with start(tmp_path) as journal:
        journal.keep("line-1", LINE)
        journal.close_as_done()
    assert Journal.unfinished(tmp_path, "CL-0007") is None
    assert tree(tmp_path) == ["runs"]


def test_a_finished_run_that_cannot_go_away_stays_whole(tmp_path: Path) -> None:
    with start(tmp_path, disk=FullDisk(5)) as journal:
        journal.keep("line-1", LINE)
        with pytest.raises(StoreError, match="cannot take the finished run"):
            journal.close_as_done()
    with reopen(tmp_path) as again:
        assert_kept(again, "line-1", LINE)


def test_a_run_set_aside_is_kept_and_not_offered(tmp_path: Path) -> None:
    with start(tmp_path) as journal:
        journal.keep("line-1", LINE)
        journal.set_aside("started anew")
    assert Journal.unfinished(tmp_path, "CL-0007") is None
    assert (journal.folder / "001-line.s2p").exists()
    start(tmp_path, run_id="ffff00000000").close()
    with reopen(tmp_path) as again:
        assert again.run_id == "ffff00000000"


def test_runs_of_units_with_names_alike_are_told_apart(tmp_path: Path) -> None:
    start(tmp_path, "CL", "0000aaaa").close()
    start(tmp_path, "CL-0000aaab", "0000bbbb").close()
    start(tmp_path, "CL.", "0000cccc").close()
    for unit, run_id in (("CL", "0000aaaa"), ("CL-0000aaab", "0000bbbb"), ("CL.", "0000cccc")):
        with reopen(tmp_path, unit) as journal:
            assert journal.run_id == run_id
    assert Journal.unfinished(tmp_path, "CL-0000aaa") is None


def test_a_journal_of_a_later_version_is_refused(tmp_path: Path) -> None:
    with start(tmp_path) as journal:
        path = journal.folder / "journal.jsonl"
    path.write_text(path.read_text().replace('"schema": 1', '"schema": 2'))
    with pytest.raises(StoreError, match="later version"):
        Journal.unfinished(tmp_path, "CL-0007")


def test_a_file_where_the_runs_should_be_is_told(tmp_path: Path) -> None:
    (tmp_path / "runs").write_text("in the way")
    with pytest.raises(StoreError, match="cannot begin the run"):
        start(tmp_path)
    with pytest.raises(StoreError, match="cannot read the folder"):
        Journal.unfinished(tmp_path, "CL-0007")


def test_runs_that_were_killed_before_they_began_are_taken_away(tmp_path: Path) -> None:
    runs = tmp_path / "runs"
    whole = start(tmp_path)
    whole.close()
    torn = start(tmp_path, "CL-0008", "bbbb11112222")
    torn.close()
    (torn.folder / "journal.jsonl").write_bytes(b'{"line": "sta')
    (runs / "CL-0009-cccc11112222").mkdir()
    (runs / "CL-0010-dddd11112222.lock").touch()  # between its lock and its folder
    (runs / ".partial-eeee11112222").mkdir()
    (runs / "notes").mkdir()
    said = tidy_runs(tmp_path)
    assert [sentence.partition(": ")[2].partition(" was ")[0] for sentence in said] == ["what", "an empty run", "an empty run"]
    assert [path.name for path in sorted(runs.iterdir())] == ["CL-0007-ab12cd34ef56", "CL-0007-ab12cd34ef56.lock", "notes"]
    assert Journal.is_left(tmp_path, "CL-0007")
    assert not Journal.is_left(tmp_path, "CL-0008")
    assert tidy_runs(tmp_path) == []


def test_a_run_that_begins_at_this_moment_is_left_alone(tmp_path: Path) -> None:
    with start(tmp_path) as journal:
        (journal.folder / "journal.jsonl").write_bytes(b"")  # as it stands before the first line
        assert tidy_runs(tmp_path) == []
        assert journal.folder.is_dir()
    assert len(tidy_runs(tmp_path)) == 1
