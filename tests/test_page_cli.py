"""``--page`` of prove, recheck and calibrate as a person calls it, but for the browser: its address, what it goes not with."""

from __future__ import annotations

import re
import threading
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the extra 'page' is not installed")
pytest.importorskip("uvicorn", reason="the extra 'page' is not installed")

from harness.cli.page_result import end_of
from harness.proving import Filed
from tests.command_line import Program, write_bench
from tests.sheet_records import drift, unit_proof


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


def test_the_address_goes_to_standard_error_and_the_result_to_standard_output(program: Program, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, points=55)
    words = ("prove", "--next", "--batch", "X", "--count", 1, "--type", "hf30", "--bench", bench, "--log", tmp_path / "log")
    said = program(*words, "--yes", "--page", "--json", "--no-diagnosis")
    assert said.status == 0
    assert [proof["unit"] for proof in said.document] == ["X-0001"]
    assert re.search(r"^The bench page: http://127\.0\.0\.1:\d+/\?token=[\w-]{32}$", said.err, re.MULTILINE)
    assert "bench page" not in [thread.name for thread in threading.enumerate()]


@pytest.mark.parametrize("other", [("--from", "folder"), ("--bench", "simulated-scpi", "--steps")])
def test_the_page_goes_with_a_run_at_the_bench_only(program: Program, tmp_path: Path, other: tuple[str, ...]) -> None:
    said = program("prove", "U1", "--type", "hf30", *other, "--page", "--log", tmp_path / "log", "--json")
    assert said.status == 2
    assert said.document["error"]["kind"] == "usage"
    assert "--page" in said.document["error"]["message"]


def test_an_error_before_the_run_ends_the_page_too(program: Program, tmp_path: Path) -> None:
    said = program("prove", "U/1", "--type", "hf30", "--bench", write_bench(tmp_path), "--page", "--log", tmp_path / "log")
    assert said.status == 2
    assert "U/1" in said.err
    assert "bench page" not in [thread.name for thread in threading.enumerate()]


ADDRESS = re.compile(r"^The bench page: http://127\.0\.0\.1:\d+/\?token=[\w-]{32}$", re.MULTILINE)


def test_recheck_and_calibrate_have_the_page_too(program: Program, tmp_path: Path) -> None:
    bench, log = write_bench(tmp_path, points=55), ("--log", tmp_path / "log")
    said = program("calibrate", "--bench", bench, *log, "--yes", "--page", "--json")
    assert (said.status, said.document["bench"]) == (0, "acceptance")
    assert ADDRESS.search(said.err)
    plain = ("--bench", bench, *log, "--yes", "--no-diagnosis")
    assert program("prove", "U1", "--type", "hf30", *plain).status == 0
    again = program("recheck", "U1", *plain, "--page", "--json")
    assert (again.status, again.document["drift"]["drifted"]) == (0, False)
    assert ADDRESS.search(again.err)
    assert "bench page" not in [thread.name for thread in threading.enumerate()]
    for words in (("recheck", "U1", "--bench", bench, "--steps"), ("calibrate", "--bench", bench, "--steps")):
        refused = program(*words, "--page", *log, "--json")
        assert (refused.status, "--page" in refused.document["error"]["message"]) == (2, True)


def test_the_page_is_told_what_a_recheck_has_found() -> None:
    proof = unit_proof(drift=drift().model_dump(mode="json"))
    end = end_of(Filed(proof, Path()))
    assert end.head == "CL-0007 conforms to hf30"
    assert end.lines[0] == "It has drifted since its reference proof of 2023-05-04: Coupling fell by 0.2 dB."
    assert end.lines[1] == "The core has a gap of about 0.02 mm."
    same = unit_proof(drift=drift(drifted=False).model_dump(mode="json"))
    assert end_of(Filed(same, Path())).lines == ("It has not drifted since its reference proof of 2023-05-04.",)
    assert end_of(Filed(unit_proof(drift=drift(reference=None).model_dump(mode="json")), Path())).lines == ()
