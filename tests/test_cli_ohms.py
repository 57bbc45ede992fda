"""Ohmmeter readings from the command line into the record and onto the unit sheet. The project's own rules, no outside source."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli.ohms import ohms
from harness.errors import UsageError
from tests.command_line import Program, write_bench


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        (None, ()),
        (["winding=0.06", "sample = 51 ohm"], (("winding", 0.06), ("sample", 51.0))),
        (["line in to box=2.2 MΩ"], (("line in to box", 2.2e6),)),
        (["braid=0"], (("braid", 0.0),)),
        (["winding=60 mohm"], (("winding", 0.06),)),
    ],
)
def test_readings_are_numbers_of_ohms(typed: list[str] | None, read: tuple[tuple[str, float], ...]) -> None:
    assert ohms(typed) == read


@pytest.mark.parametrize(
    "typed",
    [["winding"], ["=3"], ["winding="], ["winding=open"], ["winding=3 V"], ["winding=-1"], ["winding=0,06"], ["a=1", "a=2"],
     ["w" * 41 + "=1"], ["a\x1bb=1"], [f"a{number}=1" for number in range(21)], ["winding=nan"], ["winding=1e999"]],
)  # fmt: skip
def test_what_is_no_reading_is_refused_and_told_how_to_write_it(typed: list[str]) -> None:
    with pytest.raises(UsageError) as caught:
        ohms(typed)
    assert caught.value.hint


def test_readings_stand_in_the_record_and_on_the_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    program, log = Program(capsys), ("--log", tmp_path / "log")
    words = ("prove", "U1", "--type", "hf30", "--bench", write_bench(tmp_path, points=55), "--yes", "--no-diagnosis", "--json")
    said = program(*words, *log, "--ohms", "winding=0.06", "--ohms", "sample=51 ohm")
    assert said.document["circumstances"]["ohmmeter"] == {"winding": 0.06, "sample": 51.0}
    assert program("show", "U1", *log, "--json").document["proofs"][0]["circumstances"]["ohmmeter"]["winding"] == 0.06
    (sheet,) = (tmp_path / "log" / "proofs" / "U1").glob("*/sheet.html")
    assert "winding 0.06 Ω, sample 51 Ω" in sheet.read_text("utf-8")
    for wrong in (
        ("prove", "U1", "--ohms", "winding"),
        ("prove", "--next", "--batch", "B", "--count", "1", "--ohms", "winding=1"),
    ):
        refused = program(*wrong, *words[2:], *log)
        assert (refused.status, refused.document["error"]["kind"]) == (2, "usage")
        assert "--ohms" in refused.document["error"]["message"]
