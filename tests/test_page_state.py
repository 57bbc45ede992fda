"""What the bench page knows and shows, and who answers first. Expectations are the words of the ports and the plan of a run."""

from __future__ import annotations

import io
import os
import threading
from collections.abc import Callable
from dataclasses import replace

import pytest
from rich.console import Console

from harness.errors import LinkError, Stopped, UsageError
from harness.operators import TerminalOperator
from harness.operators.page import Desk, EitherKeys, PageOperator, TypedKeys, check_installed, ending
from harness.operators.page_state import End, State, asked, begun, ended, for_unit, instructions, noted, stopping, told, view
from harness.ports import Answer, Event, Request
from harness.steps import Connect, Measure
from sequences import hookups
from tests.page_views import DOUBT, PLAN, RESUME, connect, connects, coupled_sweep, states

MEASURE = next(step for step in PLAN.steps if isinstance(step, Measure))


# --- the view ----------------------------------------------------------------------------------------------------------------


def test_the_line_says_where_the_run_stands() -> None:
    shown = view(states()["connect"])
    assert shown.where == "CL-0007 · hook-up 3 of 5 · about 4 minutes left"
    assert shown.head == "Hook-up line"
    assert view(replace(states()["connect"], seconds_left=42.0)).where.endswith("about 42 seconds left")
    assert view(State()).where == "tapproof"


def test_a_connect_has_its_answers_and_their_keys() -> None:
    assert [(one.answer, one.words, one.key) for one in view(states()["connect"]).buttons] == [
        ("done", "Done", " "),
        ("stop", "Stop", "q"),
    ]
    assert [one.answer for one in view(states()["doubt"]).buttons] == ["repeat", "override", "stop"]
    assert [one.words for one in view(states()["resume"]).buttons] == ["Go on", "Start anew", "Stop"]
    offer = view(states()["offer"])
    assert [(one.answer, one.words, one.key) for one in offer.buttons] == [
        ("done", "Take it now", " "),
        ("skip", "Leave it out", "s"),
        ("stop", "Stop", "q"),
    ]
    assert "(sample)" in offer.words[0].text


def test_only_what_changes_is_marked() -> None:
    # From coupled to line (words-and-commands): analyser 1 stays on line in; analyser 2 moves to line out, load A to sample.
    marks = [(line.mark, line.count) for line in instructions(connect())]
    assert marks == [("stays", 0), ("now", 2), ("now", 3)]


def test_the_same_hook_up_again_is_all_to_be_made() -> None:
    lines = instructions(connect(hookups.LINE, hookups.LINE))
    assert [line.mark for line in lines] == ["", "now", "now", "now"]
    assert lines[0].text.startswith("Take the connections apart")


@pytest.mark.parametrize(("step", "before"), connects(), ids=lambda one: getattr(one, "id", None) or "")
def test_each_line_is_marked_as_its_join(step: Connect, before: object) -> None:
    request = Request("connect", "", step.says, step.hookup, before)  # type: ignore[arg-type]
    lines = [line for line in instructions(request) if line.mark]
    assert len(lines) == len(step.hookup.joins)
    for line, join in zip(lines, step.hookup.joins, strict=True):
        assert join.one in line.text
        assert (join.through or join.other) in line.text


def test_sweeping_shows_how_far_and_no_question() -> None:
    shown = view(states()["sweeping"])
    assert (shown.kind, shown.question, shown.head, shown.fraction) == ("busy", 0, "Sweeping line", 0.4)
    assert shown.may_stop
    assert shown.words[0].text == "Leave the cables alone."
    assert not view(stopping(states()["sweeping"])).may_stop


def test_a_sweep_and_notes_stay_until_others_come() -> None:
    state = told(states()["doubt"], Event("note", "something"))
    assert view(state).sweep is not None
    assert view(state).notes[-1] == "something"
    for number in range(9):
        state = noted(state, str(number))
    assert view(state).notes == ("5", "6", "7", "8")


def test_without_questions_the_steps_tell_where_the_run_stands() -> None:
    state = begun(State(unit="U"), PLAN)
    steps = [step for step in PLAN.steps if isinstance(step, Connect)]
    for number, step in enumerate(steps, start=1):
        state = told(state, Event("step", step.id, step, seconds_left=60.0))
        assert view(state).where == f"U · hook-up {number} of {len(steps)} · about 60 seconds left"
        assert view(state).hookup == step.hookup


def test_another_unit_starts_clean_and_a_question_keeps_its_number() -> None:
    state = for_unit(states()["doubt"], "CL-0008")
    assert (state.unit, state.sweep, state.request, state.hookup) == ("CL-0008", None, None, None)
    assert view(asked(state, RESUME)).question == states()["doubt"].asked + 1


def test_the_end_shows_nothing_to_answer() -> None:
    shown = view(states()["result"])
    assert (shown.kind, shown.question, shown.buttons, shown.may_stop) == ("ended", 0, (), False)
    assert [row.decision for row in shown.rows] == ["conforms", "does not conform", "undecided"]


# --- who answers first --------------------------------------------------------------------------------------------------------


class Script:
    """Keys at a terminal: one line is typed after each time that what was typed before is thrown away, then nothing more."""

    def __init__(self, *lines: str | None, terminal: bool = True) -> None:
        self.lines, self.terminal = list(lines), terminal
        self.prompts = threading.Semaphore(0)

    def is_terminal(self) -> bool:
        return self.terminal

    def flush(self) -> None:
        if self.lines:
            self.prompts.release()

    def line(self) -> str | None:
        self.prompts.acquire()
        return self.lines.pop(0) if self.lines else None


class Both:
    """A page operator with a script at the terminal, and what the terminal has shown."""

    def __init__(self, keys: Script) -> None:
        self.desk = Desk(State(unit="U"))
        self.file = io.StringIO()
        console = Console(file=self.file, highlight=False, soft_wrap=True, force_terminal=False, width=200)
        self.operator = PageOperator(TerminalOperator(console, EitherKeys(self.desk, keys)), self.desk)

    def on_question(self, act: Callable[[State], None]) -> None:
        """Do something on the page as soon as a question stands there."""
        seen: set[int] = set()

        def look() -> None:
            state = self.desk.state
            if state.request is not None and state.asked not in seen:
                seen.add(state.asked)
                act(state)

        self.desk.listen(look)


def test_the_page_answers_without_a_terminal_and_the_terminal_shows_it() -> None:
    both = Both(Script(terminal=False))
    both.on_question(lambda state: both.desk.answer(state.asked, "done") and None)
    assert both.operator.ask(connect()) == "done"
    assert "Hook-up 3 of 5: line" in both.file.getvalue()
    assert "Answered on the page: done." in both.file.getvalue()
    assert view(both.desk.state).notes == ("Hook-up 3 of 5: line: done, on the page",)


def test_the_page_answers_while_the_terminal_waits() -> None:
    keys = Script()
    both = Both(keys)
    answers: list[Answer] = []
    run = threading.Thread(target=lambda: answers.append(both.operator.ask(DOUBT)))
    asked_ = threading.Event()
    both.on_question(lambda state: asked_.set())
    run.start()
    assert asked_.wait(10)
    assert both.desk.answer(both.desk.state.asked, "override")
    run.join(10)
    keys.prompts.release()
    assert answers == ["override"]


def test_the_terminal_answers_and_the_page_shows_it() -> None:
    both = Both(Script("nonsense", ""))
    assert both.operator.ask(connect()) == "done"
    assert "Please answer" in both.file.getvalue()
    assert "Answered on the page" not in both.file.getvalue()
    assert view(both.desk.state).notes == ("Hook-up 3 of 5: line: done, at the terminal",)
    assert view(both.desk.state).question == 0


def test_the_end_of_input_stops() -> None:
    both = Both(Script(None))
    assert both.operator.ask(connect()) == "stop"
    assert both.operator.ask(connect()) == "stop"


def test_what_was_typed_ahead_answers_nothing() -> None:
    both = Both(Script(terminal=False))
    both.desk.typed("q")
    both.on_question(lambda state: both.desk.answer(state.asked, "done") and None)
    assert both.operator.ask(connect()) == "done"


def test_the_first_answer_counts_and_a_late_or_wrong_one_is_refused() -> None:
    desk = Desk(State())
    desk.ask(connect())
    question = desk.state.asked
    assert not desk.answer(question - 1, "done")
    assert not desk.answer(question, "override")  # this question has no such answer
    assert not desk.answer(0, "stop")  # a question is open: it has its own stop
    assert desk.answer(question, "done")
    assert not desk.answer(question, "stop")
    assert desk.settle("stop") == ("done", "page")  # the terminal came second
    assert not desk.answer(question, "done")
    desk.ask(DOUBT)
    assert not desk.answer(question, "repeat")  # an answer to the question before
    assert desk.settle("repeat") == ("repeat", "terminal")


def test_a_stop_between_questions_waits_for_the_sweep() -> None:
    both = Both(Script(terminal=False))
    assert both.desk.answer(0, "stop")
    assert not both.desk.answer(0, "done")
    both.operator.tell(Event("progress", "line", MEASURE, fraction=0.5, seconds=1.0))
    with pytest.raises(Stopped) as stopped:
        both.operator.tell(Event("swept", "line", MEASURE, sweep=coupled_sweep()))
    assert "the finished sweeps are kept" in stopped.value.message
    assert view(both.desk.state).sweep is not None


def test_a_stop_before_a_question_answers_it() -> None:
    both = Both(Script(terminal=False))
    both.desk.answer(0, "stop")
    assert both.operator.ask(connect()) == "stop"


def test_lines_come_from_a_real_terminal() -> None:
    pty = pytest.importorskip("pty", reason="the platform has no pseudo-terminals")
    master, slave = pty.openpty()
    keys = TypedKeys(slave)
    os.write(master, b"r\nq")
    os.write(master, b"\n")
    assert [keys.line(), keys.line()] == ["r", "q"]
    os.write(master, b"\x04")  # Ctrl-D
    assert keys.line() is None
    os.close(master)
    assert keys.line() is None
    os.close(slave)


# --- how it ends ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "head", "words"),
    [
        (Stopped("stopped by the operator", hint="Run again."), "Stopped", ("Stopped by the operator.", "Run again.")),
        (LinkError("no such port"), "The run has failed", ("No such port.",)),
        (KeyboardInterrupt(), "Stopped", ("The finished sweeps are kept. Run the same command again to go on.",)),
        (ZeroDivisionError(), "The run has failed", ("The terminal says why.",)),
    ],
)
def test_the_page_hears_how_a_run_ends(error: BaseException, head: str, words: tuple[str, ...]) -> None:
    both = Both(Script(terminal=False))
    with pytest.raises(type(error)), ending(both.operator):
        raise error
    shown = view(both.desk.state)
    assert (shown.kind, shown.head, tuple(line.text for line in shown.words)) == ("ended", head, words)


def test_a_result_stays_and_a_run_without_one_ends_too() -> None:
    both = Both(Script(terminal=False))
    with ending(both.operator) as operator:
        operator.end(End("U conforms"))
    assert view(both.desk.state).head == "U conforms"
    other = Both(Script(terminal=False))
    with ending(other.operator):
        pass
    assert view(other.desk.state).head == "The run has ended"
    assert not other.desk.answer(0, "stop")
    assert ended(State(), End("x")).end == End("x")


def test_without_the_web_packages_the_extra_is_named() -> None:
    check_installed(lambda name: object())
    with pytest.raises(UsageError) as refused:
        check_installed(lambda name: None if name == "uvicorn" else object())
    assert refused.value.message.endswith("not installed: uvicorn")
    assert "'page'" in refused.value.hint
