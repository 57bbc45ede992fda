"""``bench new``: a bench is made by question and answer on an analyser whose dialect nobody has seen, and it proves a unit.

The analyser is simulated and speaks a language of these tests only. Wrong answers wait for replies that never come, so they are
tried on a wire in virtual time; the proof, and the command with right answers, go over a real TCP link. What is expected of the
files is the project's own rules; the proof itself is checked as everywhere (the unit conforms, the log finds nothing wrong).
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.dialect import parse_dialect
from drivers.simulated.bench import SimulatedBench
from drivers.simulated.server import serve
from harness import bench_wiring, wiring
from harness.bench_making import Draft, Question, bench_text, dialect_text, make_bench
from harness.bench_making.flow import FREE, LOAD, THRU, check_load, check_open, check_thru
from harness.bench_making.texts import quoted
from harness.errors import ReplyError, Stopped, UsageError
from harness.files import read_bench, read_type
from harness.operators import AlwaysDone, SimulatedHand
from harness.proving import Wish
from harness.records import HookUp, Trace
from harness.records.bench_file import parse_bench
from tests.command_line import BENCH, USUAL, Program
from tests.fake_links import FakeClock, FakeTransport, at_once
from tests.fakes import ScriptedOperator
from tests.third_language import ThirdLanguage

ANSWERS: dict[str, list[str]] = {
    "paths": [""],
    "connector": [""],
    "unit connector": [""],
    "adapter delay": ["60 ps"],
    "low": ["1 MHz"],
    "high": ["54 MHz"],
    "points": ["107"],
    "end": ["LF", "CR"],
    "prompt": ["> ", ""],
    "identify": ["name?", ""],
    "refusal": ["error", "no, "],
    "set-up": ["start {low:.0f}", "from {low:.0f}", "to {high}", "to {high:.0f}", "", "steps {points}", "times {averages}", "-"],
    "read-back": ["all?", "all?"],
    "gives": ["low high points", "low high points averages"],
    "trigger": ["run", "go"],
    "done": ["", ""],
    "axis": ["list hz"],
    "axis form": ["lines"],
    "axis line": ["%015.3f"],
    "form": ["lines", ""],
    "line": ["%+.10E %+.10E", "%+.10E,%+.10E"],
    "s11": ["list refl", ""],
    "s21": ["list thru", ""],
}
"""Every answer by its question; the first one of two is wrong and is asked again."""


@contextmanager
def third_analyser() -> Iterator[tuple[str, SimulatedBench]]:
    """Serve an analyser of the third language on a bench as the acceptance tests have it; its address and the bench."""
    bench = SimulatedBench(parse_bench(BENCH.format(**USUAL), "bench.toml"), read_type("hf30"))
    link = serve(ThirdLanguage(bench), "tcp")
    try:
        yield link.address, bench
    finally:
        link.close()


def tried(simulated: SimulatedBench, paths: Callable[[], str]) -> bench_wiring.LiveTrial:
    """The same analyser on a wire whose time passes in reads only."""
    clock, language = FakeClock(), ThirdLanguage(simulated)

    def opened(address: str) -> FakeTransport:
        return FakeTransport(at_once(language.receive), clock, address)

    return bench_wiring.LiveTrial("virtual://", margin_s=0.5, paths=paths, clock=clock, opened=opened)


class ScriptedAsker:
    """Answers by the question's key, and moves the simulated cables."""

    def __init__(self, answers: dict[str, list[str]], connect: Callable[[HookUp], None]) -> None:
        self.answers = {key: list(values) for key, values in answers.items()}
        self._connect = connect
        self.told: list[str] = []
        self.asked: list[Question] = []

    def ask(self, question: Question) -> str:
        self.asked.append(question)
        given = self.answers.get(question.key) or [""]
        answer = given.pop(0)
        return (question.default or "") if answer == "" else answer

    def connect(self, hookup: HookUp, says: tuple[str, ...]) -> None:
        assert says
        self._connect(hookup)

    def tell(self, text: str) -> None:
        self.told.append(text)


def test_a_bench_made_by_question_and_answer_proves_a_unit(tmp_path: Path) -> None:
    with third_analyser() as (address, simulated):
        draft = Draft("club", address, margin_s=20)
        asker = ScriptedAsker(ANSWERS, simulated.connect)
        trial = tried(simulated, lambda: draft.paths)
        make_bench(draft, asker, trial)
        trial.close()
        assert not any(asker.answers[key] for key in asker.answers), asker.answers
        refused = "\n".join(line for line in asker.told if line.startswith("✗"))
        for said in (
            "no complete reply",
            "0 lines and the prompt were expected",
            "refused 'start",
            "refused 'run'",
            "is not of the form",
        ):
            assert said in refused, refused
        assert "nothing sets points yet" in refused
        assert draft.identity == "third analyser, number 3"
        assert draft.echo == "on"
        (tmp_path / "club-dialect.toml").write_text(dialect_text(draft), "utf-8")
        (tmp_path / "club.toml").write_text(bench_text(draft, "club-dialect.toml"), "utf-8")
        bench = read_bench(str(tmp_path / "club.toml"))
        assert (bench.sweep.low, bench.sweep.high, bench.sweep.points) == (1e6, 54e6, 107)
        wish = Wish(unit="CL-0001", type_="hf30", bench=str(tmp_path / "club.toml"), diagnosis=False)
        hand = SimulatedHand(AlwaysDone(ScriptedOperator()), simulated.connect)
        simulated.insert_unit("CL-0001")
        with wiring.open_store(str(tmp_path / "log")) as store:
            with wiring.open_session(wish, store, yes=False, quiet=True, operator=hand) as (session, product):
                filed = wiring.prove_bench(wish, product, session, store)
            assert wiring.enter_what_is_missing(store) == ()
        assert filed.proof.decision == "conforms"
        assert filed.proof.circumstances.analyser == "third analyser, number 3"
        # 32 turns on the core, one through it: 20·log10(32) = 30.10 dB, the ideal current transformer's ratio.
        coupling = filed.proof.figures["coupling_db"].value
        assert coupling is not None
        assert abs(coupling - 20 * np.log10(32)) < 0.3


class Typing(io.StringIO):
    """Standard input of a terminal: each line typed, cables moved where the line says so."""

    def __init__(self, lines: list[str | HookUp], terminal: int, connect: Callable[[HookUp], None]) -> None:
        super().__init__()
        self._lines, self._terminal, self._connect = lines, terminal, connect

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._terminal

    def readline(self, size: int | None = -1, /) -> str:  # type: ignore[override]
        if not self._lines:
            return ""
        line = self._lines.pop(0)
        if isinstance(line, HookUp):
            self._connect(line)
            return "\n"
        return f"{line}\n"


TYPED = ["", "", "", "60 ps", "", "54 MHz", "107", "CR", '"> "', "name?", '"no, "', "from {low:.0f}", "to {high:.0f}"]
TYPED += ["steps {points}", "times {averages}", "", "all?", "low high points averages", "go", "", "list hz", "", "%015.3f"]
TYPED += ["", "%+.10E,%+.10E", "list refl", "list thru"]


@pytest.fixture
def terminal() -> Iterator[int]:
    pty = pytest.importorskip("pty", reason="the platform has no pseudo-terminals")
    master, slave = pty.openpty()
    yield slave
    os.close(master)
    os.close(slave)


def test_the_command_writes_both_files_with_comments_and_never_over_others(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, terminal: int
) -> None:
    program = Program(capsys)
    with third_analyser() as (address, simulated):
        words = ("bench", "new", "club", "--address", address, "--folder", tmp_path, "--margin", "20")
        monkeypatch.setattr("sys.stdin", Typing([*TYPED, FREE, LOAD, THRU], terminal, simulated.connect))
        said = program(*words)
        assert said.status == 0, said.err
        assert "✓ open, load and thru look as they should" in said.err
        bench = tmp_path / "club.toml"
        assert bench.read_text().startswith("# Bench club. Written by question and answer")
        dialect = (tmp_path / "club-dialect.toml").read_text()
        assert "third analyser, number 3" in dialect.splitlines()[1]
        monkeypatch.setattr("sys.stdin", Typing([FREE], terminal, simulated.connect))
        checked = program("bench", "check", "--bench", bench, "--json")
        assert checked.status == 0, checked.text
        assert all(one["ok"] for one in checked.document["messages"])
        monkeypatch.setattr("sys.stdin", Typing([], terminal, simulated.connect))
        again = program(*words)
        assert again.status == 2
        assert "is there already" in again.err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["club-dialect.toml", "club.toml"]


def test_q_stops_and_writes_nothing_and_a_pipe_is_no_person(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, terminal: int
) -> None:
    program = Program(capsys)
    words = ("bench", "new", "club", "--address", "socket://127.0.0.1:9", "--folder", tmp_path, "--json")
    monkeypatch.setattr("sys.stdin", Typing(["", "q"], terminal, lambda hookup: None))
    said = program(*words)
    assert (said.status, said.document["error"]["kind"]) == (130, "stopped")
    monkeypatch.setattr("sys.stdin", io.StringIO("\n\n\n"))
    said = program(*words)
    assert (said.status, said.document["error"]["kind"]) == (2, "usage")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["../club", "", "a/b", "con", "x" * 80])
def test_a_name_that_is_none_is_refused_before_anything_is_asked(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        bench_wiring.new_bench(name, "socket://127.0.0.1:9", tmp_path, force=False, margin_s=1.0)
    assert list(tmp_path.iterdir()) == []


HOSTILE = 'a" \\ \x7f \u2028 # ] {low} é'


def test_hostile_texts_stay_within_their_values() -> None:
    """Whatever stands in an answer or in an identity, the files parse (tomllib is the judge), and say what was answered."""
    import tomllib

    draft = Draft("club", 'serial:///dev/x"\n[evil]\n', identity="x\n[evil]\nkey = 1\r\x1b[31m", identify=HOSTILE)
    dialect = tomllib.loads(dialect_text(draft))
    assert dialect["identify"]["send"] == HOSTILE
    bench = tomllib.loads(bench_text(draft, "d.toml"))
    assert bench["analyser"]["address"] == draft.address
    assert "evil" not in {*dialect, *bench}
    assert "\x1b" not in dialect_text(draft) + bench_text(draft, "d.toml")
    assert tomllib.loads(f"a = {quoted(HOSTILE)}")["a"] == HOSTILE


def test_a_draft_parses_as_a_dialect_from_the_first_answer_on() -> None:
    for draft in (Draft("a", "x"), Draft("a", "x", prompt="> "), Draft("a", "x", read_back=[("all?", ("points",))])):
        assert parse_dialect(dialect_text(draft), "draft").file.dialect.name == "a"


def level(s11: float, s21: float) -> dict[Trace, NDArray[np.complex128]]:
    return {"s11": np.full(5, s11 * 1j), "s21": np.full(5, s21 + 0j)}


def test_what_is_no_open_no_load_and_no_thru_is_refused() -> None:
    """An open reflects everything, a load next to nothing, a thru lets through everything: facts of the trade, no source."""
    check_open(level(0.95, 1e-4))
    check_load(level(0.95, 1e-4), level(0.05, 1e-4))
    check_thru(level(0.95, 1e-4), level(0.05, 0.9))
    for wrong in (level(0.01, 1e-4), level(20.0, 1e-4), level(0.9, 0.95), level(float("nan"), 0)):
        with pytest.raises(ReplyError, match="plausible is"):
            check_open(wrong)
    with pytest.raises(ReplyError, match="S11 of a load"):
        check_load(level(0.95, 1e-4), level(0.9, 1e-4))
    for s21 in (1e-4, 0.01, 9.0):
        with pytest.raises(ReplyError, match="S21 of a thru"):
            check_thru(level(0.95, 1e-4), level(0.05, s21))


def test_exchanged_traces_are_noticed_and_asked_again() -> None:
    """The queries for S11 and S21 given the wrong way round: every reply parses, and the open tells."""
    answers = {key: values[-1:] for key, values in ANSWERS.items()}
    answers["set-up"] = ["from {low:.0f}", "to {high:.0f}", "steps {points}", "times {averages}", "-"]
    answers |= {"end": ["CR"], "prompt": ["> "], "identify": ["name?"], "done": ["-"], "form": ["", ""], "axis": ["list hz", ""]}
    answers |= {"s11": ["list thru", "list refl"], "s21": ["list refl", "list thru"]}
    with third_analyser() as (address, simulated):
        draft = Draft("club", address, margin_s=0.5)
        asker = ScriptedAsker(answers, simulated.connect)
        trial = tried(simulated, lambda: draft.paths)
        make_bench(draft, asker, trial)
        trial.close()
    assert any("S11 of an open is" in line for line in asker.told), asker.told
    assert (draft.traces["s11"], draft.traces["s21"]) == ("list refl", "list thru")


def test_a_person_who_leaves_stops_it() -> None:
    class Leaves(ScriptedAsker):
        def ask(self, question: Question) -> str:
            raise Stopped("stopped")

    with pytest.raises(Stopped):
        make_bench(Draft("a", "x"), Leaves({}, lambda hookup: None), bench_wiring.LiveTrial("x", margin_s=1, paths=str))
