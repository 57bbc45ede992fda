"""Who answers the prompts: the person at the terminal with fake keys, the hand of a simulated bench, and --yes."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace

import pytest
from rich.console import Console

from harness.errors import CalibrationError, UsageError
from harness.operators import AlwaysDone, SimulatedHand, TerminalOperator
from harness.operators.terminal import TerminalKeys, plan_document, plan_lines
from harness.ports import Answer, Event, Request
from harness.records import HookUp, parse_bench, parse_type
from sequences import hookups
from sequences.plans import proof_plan
from tests.fakes import ScriptedOperator
from tests.texts import BENCH_TEXT, TYPE_TEXT

BENCH = parse_bench(BENCH_TEXT, "bench")
TYPE = parse_type(TYPE_TEXT, "type")
PLAN = proof_plan("line-sampler", TYPE, BENCH, calibrated=True)
CONNECT = Request(
    "connect",
    "Hook-up 2 of 5: coupled",
    ("Screw the cable of analyser 1 to line in [UHF].", ""),
    hookup=hookups.COUPLED,
    number=2,
    total=5,
    seconds_left=160.0,
)
DOUBT = Request("doubt", "This does not look like the short", ("it looks like an open", "Sweep again."), answers=())


OFFER = Request(
    "offer",
    "One more hook-up: sample",
    ("It looks like turns or wrong core. What would decide: the sample-port sweep (sample).", "It takes about 0.7 minutes."),
    seconds_left=41.0,
    answers=("done", "skip", "stop"),
)


class FakeKeys:
    """Keys with a script; remembers in which order it was asked to flush and to read."""

    def __init__(self, lines: Sequence[str | None], *, terminal: bool = True, ahead: Sequence[str] = ()) -> None:
        self.lines = list(lines)
        self.ahead = list(ahead)
        self.terminal = terminal
        self.calls: list[str] = []

    def is_terminal(self) -> bool:
        return self.terminal

    def flush(self) -> None:
        self.calls.append("flush")
        self.ahead.clear()

    def line(self) -> str | None:
        self.calls.append("line")
        return self.ahead.pop(0) if self.ahead else self.lines.pop(0)


class Screen:
    """A terminal operator with fake keys, and what it has written."""

    def __init__(self, keys: FakeKeys, *, quiet: bool = False) -> None:
        self.keys = keys
        self.file = io.StringIO()
        console = Console(file=self.file, highlight=False, soft_wrap=True, force_terminal=False, width=200)
        self.operator = TerminalOperator(console, keys, quiet=quiet)

    @property
    def text(self) -> str:
        return self.file.getvalue()


def doubt() -> Request:
    return Request("doubt", DOUBT.title, DOUBT.lines, answers=("repeat", "override", "stop"))


@pytest.mark.parametrize(
    ("request_", "line", "answer"),
    [
        (CONNECT, "", "done"),
        (CONNECT, "q", "stop"),
        (CONNECT, " Q ", "stop"),
        (CONNECT, None, "stop"),
        (doubt(), "r", "repeat"),
        (doubt(), "o", "override"),
        (doubt(), "q", "stop"),
        (doubt(), None, "stop"),
        (Request("resume", "A run was interrupted", answers=("done", "repeat", "stop")), "", "done"),
        (Request("resume", "A run was interrupted", answers=("done", "repeat", "stop")), "r", "repeat"),
        (OFFER, "", "done"),
        (OFFER, "s", "skip"),
        (OFFER, "q", "stop"),
    ],
)
def test_an_answer_is_one_short_line(request_: Request, line: str | None, answer: Answer) -> None:
    assert Screen(FakeKeys([line])).operator.ask(request_) == answer


@pytest.mark.parametrize("wrong", ["x", "yes", "done", "r", "o", "qq", "\x1b[A"])
def test_an_unknown_key_asks_again_and_says_what_is_offered(wrong: str) -> None:
    screen = Screen(FakeKeys([wrong, ""]))
    assert screen.operator.ask(CONNECT) == "done"
    assert screen.text.count("Please answer: Enter when done · q stop") == 1


def test_enter_answers_no_doubt() -> None:
    screen = Screen(FakeKeys(["", "", "o"]))
    assert screen.operator.ask(doubt()) == "override"
    assert screen.text.count("Please answer: r repeat · o override (is logged) · q stop") == 2


def test_without_a_terminal_there_is_no_answer_and_no_line_is_read() -> None:
    keys = FakeKeys([""], terminal=False)
    with pytest.raises(UsageError, match="standard input is no terminal") as caught:
        Screen(keys).operator.ask(CONNECT)
    assert "Hook-up 2 of 5: coupled" in caught.value.message
    assert "--yes" in caught.value.hint
    assert keys.calls == []


def test_what_was_typed_ahead_is_thrown_away_before_each_line() -> None:
    keys = FakeKeys(["?", ""], ahead=["", "", ""])
    assert Screen(keys).operator.ask(CONNECT) == "done"
    assert keys.calls == ["flush", "line", "flush", "line"]
    assert keys.lines == []


def test_the_prompt_says_what_to_do_how_long_it_takes_and_what_to_answer() -> None:
    screen = Screen(FakeKeys([""]))
    screen.operator.ask(CONNECT)
    lines = [line.strip() for line in screen.text.splitlines() if line.strip()]
    assert lines == [
        "Hook-up 2 of 5: coupled   about 3 minutes left",
        "Screw the cable of analyser 1 to line in [UHF].",
        "Enter when done · q stop",
    ]


def test_prompts_are_shown_even_when_it_is_quiet() -> None:
    screen = Screen(FakeKeys([""]), quiet=True)
    screen.operator.begin(PLAN)
    screen.operator.tell(Event("note", "nobody has to see this"))
    screen.operator.tell(Event("swept", "coupled"))
    assert screen.text == ""
    screen.operator.ask(CONNECT)
    assert "Hook-up 2 of 5" in screen.text


def test_notes_and_sweeps_are_told_word_for_word() -> None:
    screen = Screen(FakeKeys([]))
    screen.operator.begin(PLAN)
    screen.operator.tell(Event("note", "[bold]as it was said[/bold]"))
    screen.operator.tell(Event("swept", "coupled"))
    assert "line-sampler: 5 hook-ups, about 3." in screen.text
    assert "[bold]as it was said[/bold]" in screen.text
    assert "swept coupled" in screen.text


def test_a_long_sweep_is_shown_and_put_away_when_it_is_done() -> None:
    screen = Screen(FakeKeys([""]))
    screen.operator.tell(Event("progress", "coupled", fraction=0.5, seconds=20.0, seconds_left=100.0))
    screen.operator.tell(Event("progress", "coupled", fraction=1.0, seconds=20.0, seconds_left=90.0))
    screen.operator.tell(Event("swept", "coupled"))
    assert screen.operator.ask(CONNECT) == "done"
    assert "swept coupled" in screen.text


def test_standard_input_of_a_test_is_no_terminal_and_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("first\r\n"))
    keys = TerminalKeys()
    assert not keys.is_terminal()
    assert keys.line() == "first"
    assert keys.line() is None


def test_typed_ahead_on_a_real_terminal_is_thrown_away(monkeypatch: pytest.MonkeyPatch) -> None:
    pty = pytest.importorskip("pty", reason="the platform has no pseudo-terminals")
    import os
    import termios
    import tty

    master, slave = pty.openpty()
    tty.setcbreak(slave, termios.TCSANOW)
    try:
        with open(slave, encoding="utf-8", closefd=False) as stdin:  # a descriptor, not a path
            monkeypatch.setattr("sys.stdin", stdin)
            keys = TerminalKeys()
            assert keys.is_terminal()
            os.write(master, b"\nahead\n")
            keys.flush()
            os.write(master, b"q\n")
            assert keys.line() == "q"
            monkeypatch.undo()
    finally:
        os.close(master)
        os.close(slave)


# -- the hand and --yes --------------------------------------------------------------------------------------------------------


def test_the_hand_moves_the_cables_only_when_it_is_said_to_be_done() -> None:
    moved: list[HookUp] = []
    inner = ScriptedOperator(["done", "stop", "override", "done"])
    hand = SimulatedHand(inner, moved.append)
    assert hand.ask(CONNECT) == "done"
    assert hand.ask(CONNECT) == "stop"
    assert hand.ask(doubt()) == "override"
    assert hand.ask(Request("resume", "A run was interrupted")) == "done"
    assert moved == [hookups.COUPLED]
    hand.begin(PLAN)
    hand.tell(Event("note", "heard"))
    assert [event.text for event in inner.events] == ["line-sampler", "heard"]


def test_yes_answers_movement_and_resume_without_asking_and_shows_what_happens() -> None:
    shown = ScriptedOperator()
    operator = AlwaysDone(shown)
    assert operator.ask(CONNECT) == "done"
    assert operator.ask(Request("resume", "A run was interrupted", answers=("done", "repeat", "stop"))) == "done"
    assert shown.requests == []
    operator.begin(PLAN)
    operator.tell(Event("swept", "coupled"))
    assert [event.text for event in shown.events] == ["line-sampler", "coupled"]


def test_an_offer_says_what_it_costs_and_what_to_answer() -> None:
    screen = Screen(FakeKeys(["o", ""]))
    assert screen.operator.ask(OFFER) == "done"  # a hook-up cannot be overridden
    assert "One more hook-up: sample   about 41 s\n" in screen.text
    assert "Enter to take it now · s leave it out · q stop" in screen.text


@pytest.mark.parametrize(("seconds", "answer"), [(41.0, "done"), (120.0, "done"), (121.0, "skip")])
def test_yes_takes_one_more_hook_up_where_it_is_cheap(seconds: float, answer: Answer) -> None:
    shown = ScriptedOperator()
    assert AlwaysDone(shown).ask(replace(OFFER, seconds_left=seconds)) == answer
    assert shown.events[0].text == OFFER.title
    assert "(--yes)" in shown.events[-1].text


def test_yes_makes_each_doubtful_hook_up_again_once() -> None:
    operator = AlwaysDone(ScriptedOperator())
    line = replace(doubt(), hookup=hookups.LINE, about="hook-up")
    coupled = replace(line, hookup=hookups.COUPLED)
    assert [operator.ask(one) for one in (coupled, coupled, line, line)] == ["repeat", "override", "repeat", "override"]
    assert operator.ask(line) == "repeat"
    operator.begin(PLAN)  # the next unit
    assert operator.ask(line) == "repeat"


def test_yes_never_answers_a_doubt_about_a_standard() -> None:
    with pytest.raises(CalibrationError, match="This does not look like the short: it looks like an open") as caught:
        AlwaysDone(ScriptedOperator()).ask(doubt())
    assert caught.value.hint == "Sweep again. Run without --yes to repeat the step or to override."
    assert caught.value.exit_status == 3


# -- the plan as text ----------------------------------------------------------------------------------------------------------


def test_the_plan_names_every_connection_and_the_minutes() -> None:
    lines = plan_lines(PLAN)
    assert lines[0] == "line-sampler: 5 hook-ups, about 3.4 minutes"
    text = "\n".join(lines)
    for number, name in enumerate(("verify-load", "coupled", "line", "coupled-far", "sample"), start=1):
        assert f"{number:3d}  {name}" in lines
    for connection in ("analyser 1 to line in", "analyser 2 to sample (BNC)", "load A to line out", "load B to line out"):
        assert connection in text
    assert "→ sweep coupled: S11, S21" in text
    assert "the adapters stay there for the whole run" in text


def test_the_plan_as_a_document_holds_the_same() -> None:
    document = plan_document(PLAN)
    assert document["sequence"] == "line-sampler"
    # 5 changes of cables of 40 s; 201 points of 1 ms for each of 1 + 2 + 2 + 2 + 1 traces.
    assert document["minutes"] == pytest.approx((5 * 40 + 8 * 0.201) / 60)
    assert [one["hookup"] for one in document["hookups"]] == ["verify-load", "coupled", "line", "coupled-far", "sample"]
    assert document["hookups"][1]["sweeps"] == [{"sweep": "coupled", "traces": ["s11", "s21"]}]
    text = "\n".join(plan_lines(PLAN))
    assert all(line in text for one in document["hookups"] for line in one["says"])
