"""The command line with a person at the keys: prompts, stops, and a disk that takes no more in the middle of a run."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.command_line import Program, files_under, write_bench

pty = pytest.importorskip("pty", reason="the platform has no pseudo-terminals")


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


class Person(io.StringIO):
    """Standard input of a terminal at which somebody answers each prompt with one line, and then leaves."""

    def __init__(self, answers: str, terminal: int) -> None:
        super().__init__("".join(f"{answer}\n" for answer in answers.split("|")) if answers else "")
        self._terminal = terminal

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._terminal


class Typist:
    """Calls the program with somebody at the keys; an empty answer is Enter."""

    def __init__(self, program: Program, monkeypatch: pytest.MonkeyPatch, terminal: int) -> None:
        self.program = program
        self.monkeypatch = monkeypatch
        self.terminal = terminal

    @contextmanager
    def types(self, answers: str) -> Iterator[Program]:
        with self.monkeypatch.context() as patched:
            patched.setattr("sys.stdin", Person(answers, self.terminal))
            yield self.program


@pytest.fixture
def typist(program: Program, monkeypatch: pytest.MonkeyPatch) -> Iterator[Typist]:
    master, slave = pty.openpty()
    yield Typist(program, monkeypatch, slave)
    os.close(master)
    os.close(slave)


def entered(times: int, then: str = "") -> str:
    return "|" * times + then


def test_q_stops_with_130_keeps_what_is_done_and_says_how_to_go_on(typist: Typist, tmp_path: Path) -> None:
    words = ("prove", "U1", "--type", "hf30", "--bench", write_bench(tmp_path), "--log", tmp_path / "log")
    with typist.types(entered(2, "q")) as program:
        said = program(*words)
    assert said.status == 130
    assert said.out == ""
    assert "Hook-up 3 of 12: cal-load" in said.err
    assert "Enter when done · q stop" in said.err
    assert "tapproof: stopped by the operator; the finished sweeps are kept" in said.err
    assert "→ Run the same command again to go on." in said.err
    kept = files_under(tmp_path / "log")
    assert [name.rsplit("/", 1)[1] for name in kept if name.endswith("p")] == ["001-cal-short.s1p", "002-cal-open.s1p"]
    with typist.types(entered(11)) as program:  # one for going on, ten for the other hook-ups
        again = program(*words)
    assert again.status == 0
    assert "A run of U1 was interrupted" in again.err
    assert "Enter to go on · r start anew · q stop" in again.err
    assert "2 sweeps of the interrupted run are kept" in again.err
    assert "U1 conforms to hf30" in again.out


def test_the_end_of_input_stops_as_well_and_json_has_one_document(typist: Typist, tmp_path: Path) -> None:
    words = ("prove", "U1", "--type", "hf30", "--bench", write_bench(tmp_path), "--log", tmp_path / "log", "--json")
    with typist.types("") as program:
        said = program(*words)
    assert said.status == 130
    assert said.document["error"]["kind"] == "stopped"
    assert "Hook-up 1 of 12" in said.err  # prompts go to standard error, also with --json
    assert files_under(tmp_path / "log") == []


def test_a_batch_ends_when_the_operator_stops(typist: Typist, tmp_path: Path) -> None:
    words = ("prove", "--next", "--batch", "X", "--type", "hf30", "--bench", write_bench(tmp_path), "--log", tmp_path / "log")
    with typist.types(entered(12 + 1, "q")) as program:
        said = program(*words)
    assert said.status == 0
    assert "X-0001 conforms to hf30" in said.out
    assert "X-0002: stopped by the operator; the finished sweeps are kept" in said.err


def test_calibrate_asks_and_stops_too(typist: Typist, tmp_path: Path) -> None:
    words = ("calibrate", "--bench", write_bench(tmp_path), "--log", tmp_path / "log")
    with typist.types("q") as program:
        assert program(*words).status == 130
    with typist.types(entered(7)) as program:
        said = program(*words)
    assert said.status == 0
    assert "is calibrated" in said.out


def test_ctrl_c_at_a_prompt_is_a_stop_that_keeps_what_is_done(
    typist: Typist, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ("prove", "U1", "--type", "hf30", "--bench", write_bench(tmp_path), "--log", tmp_path / "log")

    class Interrupts(Person):
        def readline(self, size: int | None = -1, /) -> str:  # type: ignore[override]
            line = super().readline(-1)
            if line == "^C\n":
                raise KeyboardInterrupt
            return line

    monkeypatch.setattr("sys.stdin", Interrupts("||^C", typist.terminal))
    said = typist.program(*words)
    assert said.status == 130
    assert "the finished sweeps are kept" in said.err
    assert sum(name.endswith("p") for name in files_under(tmp_path / "log" / "runs")) == 2
    monkeypatch.undo()
    assert typist.program(*words, "--yes").status == 0


@contextmanager
def largest_file(size: int) -> Iterator[None]:
    """Let the system refuse every write beyond ``size`` bytes of a file, as a disk does that is full."""
    resource = pytest.importorskip("resource", reason="the platform has no such limit")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_disk_that_takes_no_more_leaves_no_half_proof_and_no_sweep_is_lost(program: Program, tmp_path: Path) -> None:
    """A three-port of 201 points is some 80 kB; the sweeps before it are less than half of that."""
    log = tmp_path / "log"
    words = ("prove", "U1", "--type", "hf30", "--bench", write_bench(tmp_path, points=201), "--yes", "--log", log, "--json")
    program("list", "--log", log)
    with largest_file(60_000):
        said = program(*words)
    assert said.status == 3
    error = said.document["error"]
    assert error["kind"] == "store"
    assert "cannot write the folder" in error["message"]
    assert "--log" in error["hint"]
    assert files_under(log / "proofs") == []
    assert sum(name.endswith("p") for name in files_under(log / "runs")) == 12
    assert [name for name in files_under(log) if ".partial" in name] == []
    again = program(*words)
    assert again.status == 0
    assert files_under(log / "runs") == []
    assert program("show", "U1", "--log", log, "--json").document["proofs"][0]["proof"] == again.document["proof"]
