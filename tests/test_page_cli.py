"""``prove --page`` as a person calls it, but for the browser: the address, a run without questions, what it does not go with."""

from __future__ import annotations

import re
import threading
from pathlib import Path

import pytest

pytest.importorskip("starlette", reason="the extra 'page' is not installed")
pytest.importorskip("uvicorn", reason="the extra 'page' is not installed")

from tests.command_line import Program, write_bench


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


def test_the_address_goes_to_standard_error_and_the_result_to_standard_output(program: Program, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, points=55)
    words = ("prove", "--next", "--batch", "X", "--count", 1, "--type", "hf30", "--bench", bench, "--log", tmp_path / "log")
    said = program(*words, "--yes", "--page", "--json")
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
