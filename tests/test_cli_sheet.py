"""``tapproof sheet``, as a person asks for it, and the sheet in a proof's folder. No outside source."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import chdir
from pathlib import Path

import pytest

from harness.log import open_log
from harness.log.unit_log import Log
from tests.batch_records import file_batch, file_proof
from tests.command_line import Program, files_under, write_bench
from tests.sheet_records import drift, failed_proof, table, unit_proof


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


def test_the_sheet_in_a_proofs_folder_is_made_again_byte_for_byte(program: Program, root: Path, tmp_path: Path) -> None:
    bench = write_bench(tmp_path)
    here = ("--bench", bench, "--yes", "--log", root, "--json", "--no-diagnosis")
    proved = program("prove", "CL-0001", "--type", "hf30", "--batch", "autumn", *here)
    (stored,) = root.glob("proofs/CL-0001/*/sheet.html")
    assert proved.document["files"]["sheet.html"]
    for name in ("CL-0001", proved.document["proof"]):
        out = tmp_path / f"{name}.html"
        said = program("sheet", name, "--out", out, "--log", root)
        assert (said.status, said.out) == (0, f"{out}\n")
        assert out.read_bytes() == stored.read_bytes()
    assert program("log", "check", "--log", root).status == 0
    again = tmp_path / "again"  # sweeps of a folder get a sheet too
    program("prove", "CL-0002", "--type", "hf30", "--from", stored.parent, "--log", again, "--no-diagnosis")
    (other,) = again.glob("proofs/CL-0002/*/sheet.html")
    program("sheet", "CL-0002", "--out", tmp_path / "x.html", "--log", again)
    assert (tmp_path / "x.html").read_bytes() == other.read_bytes()
    checked = program("recheck", "CL-0001", *here).document
    (drifted,) = root.glob("proofs/CL-0001/*/drift.html")
    assert drifted.parent.name.endswith(checked["proof"])
    assert {"sheet.html", "drift.html"} <= set(checked["files"])
    assert program("sheet", checked["proof"], "--drift", "--out", tmp_path / "d.html", "--log", root).status == 0
    assert (tmp_path / "d.html").read_bytes() == drifted.read_bytes()
    first = checked["drift"]["curves"][0]
    assert (first["name"], first["unit"]) == ("coupling", "dB")


def test_files_are_named_after_what_they_are_of(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("CL-0007"))
    file_batch(log)
    here = tmp_path / "here"
    here.mkdir()
    with chdir(here):
        for words in (("CL-0007", "--label"), ("autumn",)):
            assert program("sheet", *words, "--log", root).status == 0
    assert files_under(here) == ["CL-0007-label.pdf", "CL-0007-label.svg", "autumn-batch.html"]
    assert "Batch autumn" in (here / "autumn-batch.html").read_text("utf-8")


def test_nothing_is_written_over_without_force(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_batch(log)
    out = tmp_path / "batch.html"
    out.write_text("mine", "utf-8")
    said = program("sheet", "autumn", "--out", out, "--log", root)
    assert said.status == 2
    assert out.read_text("utf-8") == "mine"
    assert program("sheet", "autumn", "--out", out, "--force", "--log", root).status == 0
    assert out.read_text("utf-8").startswith("<!DOCTYPE html>")


def test_the_newest_proof_that_counts_is_shown(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    older = unit_proof("CL-0007", 30.2, proof="older00000")
    newer = unit_proof("CL-0007", 30.4, proof="newer00000")
    for proof, day in ((older, 4), (newer, 5)):
        told = proof.circumstances.model_copy(update={"when": f"2024-05-0{day}T10:00:00+02:00"})
        file_proof(log, proof.model_copy(update={"circumstances": told}))
    said = program("sheet", "CL-0007", "--out", tmp_path / "1.html", "--log", root, "--json")
    assert said.document == {"sheet": "unit", "of": "CL-0007", "proof": "newer00000", "files": [str(tmp_path / "1.html")]}
    program("log", "withdraw", "newer00000", "--reason", "load <forgotten>", "--log", root)
    said = program("sheet", "CL-0007", "--out", tmp_path / "2.html", "--log", root, "--json")
    assert said.document["proof"] == "older00000"
    program("sheet", "newer00000", "--out", tmp_path / "3.html", "--log", root)
    assert "does not count: load &lt;forgotten&gt;" in (tmp_path / "3.html").read_text("utf-8")
    program("log", "withdraw", "older00000", "--reason", "too", "--log", root)
    said = program("sheet", "CL-0007", "--log", root)
    assert said.status == 2
    assert "every proof of CL-0007 is withdrawn" in said.err


def test_a_batch_with_the_name_of_a_unit_is_asked_for_by_option(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("autumn"))
    said = program("sheet", "autumn", "--out", tmp_path / "u.html", "--log", root, "--json")
    assert said.document["sheet"] == "unit"
    said = program("sheet", "autumn", "--batch", "--out", tmp_path / "b.html", "--log", root, "--json")
    assert said.document["sheet"] == "batch"


def test_the_drift_sheet_finds_its_reference_proof(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("CL-0007", proof="reference0"))
    found = drift(reference="reference0").model_dump(mode="json")
    file_proof(log, unit_proof("CL-0007", proof="recheck000", coupling_table=table(29.9), drift=found))
    said = program("sheet", "recheck000", "--drift", "--out", tmp_path / "d.html", "--log", root)
    assert said.status == 0, said.err
    assert 'data-name="change"' in (tmp_path / "d.html").read_text("utf-8")
    said = program("sheet", "reference0", "--drift", "--log", root)
    assert said.status == 2
    assert "was not compared" in said.err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("nobody",), "no unit, proof or batch 'nobody'"),
        (("nobody", "--batch"), "no batch 'nobody'"),
        (("nobody", "--label"), "no unit or proof 'nobody'"),
        (("CL-0004", "--label"), "does not conform to hf30"),
        (("CL-0004", "--label", "--drift"), "two sheets"),
        (("CL-0007", "--label", "--out", "x.png"), "a .svg or a .pdf file"),
    ],
)
def test_what_cannot_be_made_is_told(program: Program, root: Path, log: Log, words: tuple[str, ...], says: str) -> None:
    file_proof(log, failed_proof("CL-0004"))
    file_proof(log, unit_proof("CL-0007", proof="fine000000"))
    said = program("sheet", *words, "--log", root)
    assert said.status == 2
    assert says in said.err


def test_a_label_goes_into_the_file_that_is_named(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("CL-0007"))
    for ending, begins in ((".svg", "<svg"), (".pdf", "%PDF-1.4")):
        out = tmp_path / f"label{ending}"
        assert program("sheet", "CL-0007", "--label", "--out", out, "--log", root).status == 0
        assert out.read_text("utf-8").startswith(begins)


def test_sweeps_that_were_changed_make_no_sheet(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    folder = file_proof(log, unit_proof("CL-0007"))
    with (folder / "sweeps.npz").open("ab") as file:
        file.write(b"x")
    said = program("sheet", "CL-0007", "--out", tmp_path / "x.html", "--log", root)
    assert said.status == 2
    assert "was changed after it was filed" in said.err
