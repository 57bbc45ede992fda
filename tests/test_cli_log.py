"""``tapproof log check | export | import | withdraw`` as a person calls them. The project's own words, no outside source."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.files import write_proof
from harness.log import open_log
from harness.log.unit_log import Log
from tests.batch_records import file_batch, file_proof, unit_proof
from tests.command_line import Program, files_under
from tests.records_for_files import corrected, proof
from tests.sheet_records import drift


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return tmp_path / "log"


@pytest.fixture
def log(root: Path) -> Iterator[Log]:
    with open_log(root) as opened:
        yield opened


def test_a_check_of_a_whole_log(program: Program, root: Path, log: Log) -> None:
    file_batch(log, (30.1, 30.2))
    said = program("log", "check", "--log", root)
    assert (said.status, said.out) == (0, "2 proofs read, nothing wrong\n")
    assert program("log", "check", "--log", root, "--json").document == {
        "proofs": 2, "entered": [], "wrong": [], "elsewhere": 0, "tidied": [],
    }  # fmt: skip


def test_a_check_takes_empty_runs_away(program: Program, root: Path, log: Log) -> None:
    empty = log.address.folder / "runs" / "CL-0001-abcdef012345"
    empty.mkdir(parents=True)
    said = program("log", "check", "--log", root)
    assert said.status == 0
    assert f"tidied: {empty}: an empty run was taken away" in said.out
    assert not empty.exists()


def test_a_check_enters_and_tells(program: Program, root: Path, log: Log) -> None:
    folder = file_proof(log, unit_proof("CL-0001", "first1", 30.1))
    (folder / "line.s2p").write_text("changed")
    write_proof(root, proof(), corrected(), {}, {})
    said = program("log", "check", "--log", root)
    assert said.status == 3
    assert "entered: proof ab12cd34ef56" in said.out
    assert "wrong: proof first1 of CL-0001: line.s2p was changed" in said.out
    assert "2 proofs read, 1 wrong" in said.out
    again = program("log", "check", "--log", root, "--json")
    assert (again.status, again.document["entered"], len(again.document["wrong"])) == (3, [], 1)


def test_show_is_the_same_after_export_and_import(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_batch(log, (30.1, 30.2))
    reworked = drift(reference=None, reworked="new core").model_dump(mode="json")
    file_proof(log, unit_proof("CL-0001", "again1", 30.15, day=20, fault="turns").model_copy(update={"drift": reworked}))
    program("log", "withdraw", "autumn0002", "--reason", "load forgotten", "--who", "A", "--log", root)
    program("show", "CL-0001", "--reference", "again1", "--log", root)
    archive, other = tmp_path / "a.zip", tmp_path / "other"
    exported = program("log", "export", archive, "--log", root)
    assert (exported.status, exported.out) == (0, f"3 proofs in {archive}\n")
    imported = program("log", "import", archive, "--log", other)
    assert imported.status == 0
    assert re.fullmatch(r"proof again1 is the reference of CL-0001, chosen \S+\nproofs: 3 new, 1 now withdrawn\n", imported.out)
    shown = program("show", "CL-0001", "--json", "--log", other).document
    assert (shown["reference"], shown["proofs"][0]["drift"]["reworked"]) == ("again1", "new core")
    for unit in ("CL-0001", "CL-0002"):
        assert program("show", unit, "--json", "--log", other).out == program("show", unit, "--json", "--log", root).out
    assert program("batch", "autumn", "--json", "--log", other).out == program("batch", "autumn", "--json", "--log", root).out
    again = program("log", "import", archive, "--log", other, "--json").document
    assert (again["new"], len(again["known"]), again["conflicts"]) == ([], 3, [])


def test_a_conflict_is_told_and_what_is_here_stays(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("CL-0001", "shared", 30.1))
    with open_log(tmp_path / "other") as other:
        file_proof(other, unit_proof("CL-0001", "shared", 29.9))
    program("log", "export", tmp_path / "a.zip", "--unit", "CL-0001", "--log", root)
    before = files_under(tmp_path / "other")
    said = program("log", "import", tmp_path / "a.zip", "--log", tmp_path / "other")
    assert said.status == 3
    assert "conflict: proof shared of CL-0001" in said.out
    assert files_under(tmp_path / "other") == before


def test_a_withdrawn_proof_is_shown_with_its_reason_and_counts_no_more(program: Program, root: Path, log: Log) -> None:
    file_batch(log, (30.1,))
    said = program("log", "withdraw", "autumn0001", "--reason", "load forgotten", "--log", root)
    assert (said.status, said.out) == (0, "proof autumn0001 of CL-0001 is withdrawn: load forgotten\n")
    shown = program("show", "CL-0001", "--log", root)
    assert "withdrawn" in shown.out
    assert ": load forgotten" in shown.out
    assert program("show", "CL-0001", "--json", "--log", root).document["proofs"][0]["withdrawn"] == "load forgotten"
    assert program("list", "--json", "--log", root).document == {"units": []}
    assert program("log", "withdraw", "autumn0001", "--reason", "again", "--log", root).status == 2


def test_a_damaged_proof_is_left_out_and_told(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_batch(log, (30.1,))
    folder = file_proof(log, unit_proof("CL-0002", "broken", 30.1))
    (folder / "line.s2p").unlink()
    said = program("log", "export", tmp_path / "a.zip", "--batch", "autumn", "--log", root)
    assert said.status == 3
    assert "proof broken of CL-0002 is left out: line.s2p is missing" in said.out
    assert "1 proof in" in said.out


@pytest.mark.parametrize(
    "words",
    [
        ("export", "a.zip", "--unit", "none"),
        ("export", "a.zip"),
        ("import", "none.zip"),
        ("import", "."),
        ("withdraw", "none", "--reason", "x"),
        ("withdraw", "none"),
        ("frobnicate",),
    ],
)
def test_what_cannot_be_done_is_told(program: Program, root: Path, tmp_path: Path, words: tuple[str, ...]) -> None:
    places = [str(tmp_path / word) if word.endswith(".zip") else word for word in words]
    said = program("log", *places, "--log", root)
    assert (said.status, said.out) == (2, "")
    assert said.err.startswith("tapproof: ")
    assert not (tmp_path / "a.zip").exists()
    assert program("log", *places, "--log", root, "--json").document["error"]["message"]
