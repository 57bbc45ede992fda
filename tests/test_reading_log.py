"""Readings in the log: kept in files and in the database, moved with the proofs, shown against each other. No outside source."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import FileError, StoreError
from harness.files.kept_readings import READINGS, kept_readings, read_kept_reading, save_reading
from harness.log import open_log
from harness.log.reading_log import keep_reading
from harness.records import LoggedReading, parse_reading
from tests.batch_records import file_proof
from tests.command_line import Program
from tests.sheet_records import unit_proof

UNIT = "CL-0007"


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    root = tmp_path / "log"
    with open_log(root) as log:
        file_proof(log, unit_proof())
    return root


def reading(identity: str = "aa11bb22cc33", **changes: object) -> LoggedReading:
    made = LoggedReading(
        id=identity,
        unit=UNIT,
        proof="ab12cd34ef56",
        when="2024-05-04T10:00:00+02:00",
        hz=7.1e6,
        level="7 dBm",
        into="50ohm",
        chain="",
        port_watts=5e-3,
        crest=False,
        line_watts=5.0,
        current_a=0.3,
        program="tapproof",
    )
    return made.model_copy(update=changes)


def test_a_heat_run_from_the_command_line(program: Program, root: Path) -> None:
    words = ("reading", UNIT, "--at", "7.1MHz", "--log", root, "--log-reading")
    assert "logged as reading" in program(*words, "--level", "7 dBm", "--power", "5W", "--note", "cold").out
    hot = program(*words, "--level", "29.8 dBm", "--power", "1000W", "--note", "ten minutes", "--json").document
    shown = program("reading", UNIT, "--heat-run", "--log", root, "--json").document
    (run,) = shown["runs"]
    assert [one["note"] for one in run["readings"]] == ["cold", "ten minutes"]
    assert run["readings"][1]["id"] == hot["logged"]
    # 37 − 7 = 30 dB cold; 60 − 29.8 = 30.2 dB hot (1000 W are 60 dBm, 5 W 36.99 dBm)
    assert run["readings"][1]["change_db"] == pytest.approx(30.2 - 29.99, abs=2e-3)
    said = program("reading", UNIT, "--heat-run", "--log", root).out
    assert "+0.21 dB" in said
    assert "Only what is the same in two readings cancels" in said


def test_a_lost_database_is_made_again_with_its_readings(program: Program, root: Path) -> None:
    with open_log(root) as log:
        keep_reading(root, log, reading())
    for file in root.glob("log.sqlite*"):
        file.unlink()
    assert program("log", "check", "--log", root).status == 0
    with open_log(root) as log:
        assert log.readings(UNIT) == [reading()]


def test_readings_move_with_the_proofs_and_nothing_is_written_over(program: Program, root: Path, tmp_path: Path) -> None:
    with open_log(root) as log:
        keep_reading(root, log, reading())
    archive, there = tmp_path / "a.zip", tmp_path / "there"
    assert program("log", "export", archive, "--log", root).status == 0
    for _ in range(2):
        assert program("log", "import", archive, "--log", there).status == 0
    with open_log(there) as log:
        assert log.readings(UNIT) == [reading()]
    assert list(kept_readings(there)) == list(kept_readings(root))
    path = next((there / READINGS).iterdir())
    path.write_text(path.read_text("utf-8").replace("7 dBm", "8 dBm"), "utf-8")
    said = program("log", "import", archive, "--log", there)
    assert said.status == 3
    assert "another one is filed" in said.text


def test_a_reading_is_entered_once_and_never_changed(root: Path) -> None:
    with open_log(root) as log:
        keep_reading(root, log, reading())
        assert log.enter_reading(reading()) is False
        with pytest.raises(StoreError, match="another reading with the id"):
            log.enter_reading(reading(note="changed"))
        with pytest.raises(StoreError, match="nothing is written over"):
            save_reading(root, reading(note="changed"))


def test_a_damaged_record_is_told(program: Program, root: Path) -> None:
    save_reading(root, reading())
    (stem,) = kept_readings(root)
    path = root / READINGS / f"{stem}.json"
    for text, says in (("{}", "is no reading"), (reading("dd44ee55ff66").model_dump_json(), "belongs elsewhere")):
        path.write_text(text, "utf-8")
        with pytest.raises(FileError, match=says):
            read_kept_reading(root, stem)
    said = program("log", "check", "--log", root)
    assert said.status == 3
    assert f"the reading {stem}" in said.out
    with pytest.raises(FileError, match="schema 2"):
        parse_reading(reading(schema_version=2).model_dump_json(), "x")
