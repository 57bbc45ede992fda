"""``tapproof batch`` and the questions of ``tapproof list``, as a person asks them. No outside source."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.log import open_log
from harness.log.unit_log import Log
from tests.batch_records import COUPLINGS, file_batch, file_proof, unit_proof
from tests.command_line import Program


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


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_batch_as_text(program: Program, root: Path, log: Log) -> None:
    file_batch(log)
    file_proof(log, unit_proof("CL-0010", "tenth0", 36.1, decision="does not conform", fault="double termination"))
    program("log", "withdraw", "autumn0004", "--reason", "load forgotten", "--log", root)
    said = program("batch", "autumn", "--log", root)
    assert said.status == 0
    lines = said.out.splitlines()
    assert next(line for line in lines if "CL-0001" in line).split() == [
        "CL-0001",
        "30.12",
        "dB",
        "±0.150",
        "dB",
        "33.4",
        "dB",
        "conforms",
    ]
    assert next(line for line in lines if "CL-0004" in line).endswith("withdrawn")
    assert next(line for line in lines if "CL-0009" in line).endswith("not proved")
    assert next(line for line in lines if "CL-0010" in line).endswith("does not conform · double termination")
    for words in ("Yield: 7 of 8", "tolerance interval, exact", "Run chart", "No capability index", "Next batch: keep 32 turns"):
        assert words in said.out, words
    assert max(map(len, lines)) <= 120


def test_a_batch_as_json_and_csv(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_batch(log)
    said = program("batch", "autumn", "--log", root, "--json", "--csv", tmp_path / "b.csv")
    document = said.document
    assert [unit["coupling_db"] for unit in document["units"]] == list(COUPLINGS)
    found = document["statistics"]["hf30"]
    assert found["yield"]["conform"] == len(COUPLINGS)
    assert found["coupling"]["mean"] == pytest.approx(sum(COUPLINGS) / len(COUPLINGS))
    assert isinstance(found["capability"], str)
    assert found["says"][-1].startswith("Next batch")
    assert [float(row["coupling_db"]) for row in rows(tmp_path / "b.csv")] == list(COUPLINGS)


def test_an_unknown_batch(program: Program, root: Path) -> None:
    said = program("batch", "summer", "--log", root)
    assert (said.status, said.out) == (2, "")
    assert "the log knows no batch 'summer'" in said.err
    assert program("batch", "summer", "--log", root, "--json").document["error"]["kind"] == "usage"


def test_a_table_is_never_written_over(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_batch(log, (30.1,))
    target = tmp_path / "b.csv"
    target.write_text("mine")
    for command in (("batch", "autumn"), ("list",)):
        said = program(*command, "--log", root, "--csv", target)
        assert (said.status, target.read_text()) == (2, "mine")
    assert program("batch", "autumn", "--log", root, "--csv", tmp_path / "no" / "b.csv").status == 3


def test_a_batch_all_withdrawn(program: Program, root: Path, log: Log) -> None:
    file_batch(log, (30.1,))
    log.withdraw("autumn0001", "wrong unit")
    said = program("batch", "autumn", "--log", root)
    assert said.status == 0
    assert "withdrawn" in said.out
    assert program("batch", "autumn", "--log", root, "--json").document["units"][0]["missing"] == "withdrawn"


def listed(program: Program, root: Path, *words: object) -> list[str]:
    return [row["unit"] for row in program("list", "--log", root, "--json", *words).document["units"]]


def test_the_list_is_narrowed(program: Program, root: Path, log: Log) -> None:
    file_batch(log, (30.1, 30.2, 30.3))  # on the second, third and fourth of May 2024
    file_proof(log, unit_proof("SP-0001", "spring1", 36.1, day=20, batch="spring", decision="undecided", fault="turns"))
    assert listed(program, root) == ["SP-0001", "CL-0003", "CL-0002", "CL-0001"]
    assert listed(program, root, "--batch", "autumn", "--limit", "2") == ["CL-0003", "CL-0002"]
    assert listed(program, root, "--decision", "undecided") == ["SP-0001"]
    assert listed(program, root, "--fault", "turns", "--type", "hf30") == ["SP-0001"]
    assert listed(program, root, "--type", "other") == []
    assert listed(program, root, "--since", "2024-05-03", "--until", "2024-05-04") == ["CL-0003", "CL-0002"]
    text = program("list", "--log", root, "--fault", "turns").out
    assert "undecided · turns" in text
    assert "No unit in the log is like that." in program("list", "--log", root, "--type", "other").out
    assert "The log holds no proof yet." in program("list", "--log", root / "empty").out


def test_units_due_for_a_recheck(program: Program, root: Path, log: Log) -> None:
    """hf30 asks for a recheck every 12 months: proofs of May 2024 are long due, one of the year 2100 is not."""
    file_batch(log, (30.1, 30.2))
    future = unit_proof("CL-0009", "future", 30.1)
    when = future.circumstances.model_copy(update={"when": "2100-01-01T10:00:00Z"})
    file_proof(log, future.model_copy(update={"circumstances": when}))
    assert listed(program, root, "--due") == ["CL-0001", "CL-0002"]
    assert "due 2025-05-02" in program("list", "--log", root, "--due").out


def test_a_list_as_csv(program: Program, root: Path, log: Log, tmp_path: Path) -> None:
    file_proof(log, unit_proof("CL-0001", "first1", 30.1, fault="turns"))
    assert program("list", "--log", root, "--csv", tmp_path / "l.csv").status == 0
    (row,) = rows(tmp_path / "l.csv")
    assert (row["unit"], row["coupling_db"], row["return_loss_db"], row["faults"]) == ("CL-0001", "30.1", "33.4", "turns")


@pytest.mark.parametrize(
    "words",
    [
        ("--decision", "good"),
        ("--since", "yesterday"),
        ("--since", "20240504"),
        ("--until", "2024-02-30"),
        ("--since", "2024-05-05", "--until", "2024-05-04"),
        ("--limit", "0"),
    ],
)
def test_questions_that_cannot_be_asked(program: Program, root: Path, words: tuple[str, ...]) -> None:
    said = program("list", "--log", root, *words)
    assert (said.status, said.out) == (2, "")
    assert said.err.startswith("tapproof: ")
