"""The operator at the bench page: the terminal and the page are two views of the same questions, and either may answer.

The run waits in one place, ``Desk.line``; what the page answers comes out there as if it had been typed. The first answer that
is written down counts, and the other view shows it.
"""

from __future__ import annotations

import os
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from harness.errors import Stopped, TapproofError, UsageError
from harness.operators import page_state
from harness.operators.page_state import End, State
from harness.operators.terminal import Keys, TerminalKeys
from harness.ports import Answer, Event, Operator, Request
from harness.steps import Plan

__all__ = ["Desk", "EitherKeys", "End", "PageOperator", "TypedKeys", "check_installed", "ending"]
AS_TYPED: dict[Answer, str] = {"done": "", "repeat": "r", "override": "o", "skip": "s", "stop": "q"}
LOOK_S = 0.5
"""A wait wakes up so often: some platforms do not let Ctrl-C into a wait without an end."""


class Desk:
    """The question on the table, what is known of the run, and who answers first. Safe to use from several threads."""

    def __init__(self, state: State) -> None:
        self._state = state
        self._changed = threading.Condition()
        self._typed: deque[str | None] = deque()
        self._answer: Answer | None = None
        self._listeners: list[Callable[[], None]] = []

    @property
    def state(self) -> State:
        """What is known now."""
        return self._state

    def change(self, step: Callable[[State], State]) -> None:
        """Go on to the state that ``step`` returns, and tell the listeners."""
        with self._changed:
            self._state = step(self._state)
            self._changed.notify_all()
        self.tell_listeners()

    def listen(self, listener: Callable[[], None]) -> Callable[[], None]:
        """Call ``listener`` after each change; returns what ends that."""
        with self._changed:
            self._listeners.append(listener)

        def end() -> None:
            with self._changed:
                self._listeners.remove(listener)

        return end

    def tell_listeners(self) -> None:
        """Call every listener."""
        with self._changed:
            listeners = tuple(self._listeners)
        for listener in listeners:
            listener()

    def ask(self, request: Request) -> None:
        """Put a question on the table."""
        with self._changed:
            self._answer = None
        self.change(lambda state: page_state.asked(state, request))

    def answer(self, question: int, answer: Answer) -> bool:
        """Take the page's answer to a question; False where it is not open, was answered before, or does not know this answer.

        Question 0 with "stop" is the wish to stop where nothing is asked.
        """
        with self._changed:
            request = self._state.request
            if question == 0 and answer == "stop" and request is None and self._state.end is None:
                self._state = page_state.stopping(self._state)
                taken = True
            else:
                is_open = request is not None and self._state.asked == question and self._answer is None
                taken = is_open and request is not None and answer in request.answers
                self._answer = answer if taken else self._answer
            self._changed.notify_all()
        self.tell_listeners()
        return taken

    def settle(self, answer: Answer) -> tuple[Answer, page_state.Where]:
        """Close the open question with the terminal's answer, unless the page was first; return what counts, and from where."""
        with self._changed:
            where: page_state.Where = "terminal" if self._answer is None else "page"
            final = self._answer or answer
            self._answer = final
        self.change(lambda state: page_state.answered(state, final, where))
        return final, where

    def typed(self, line: str | None) -> None:
        """Take a line that was typed; None at the end of input."""
        with self._changed:
            self._typed.append(line)
            self._changed.notify_all()

    def forget_typed(self) -> None:
        """Throw away what was typed ahead; the end of input stays."""
        with self._changed:
            ended = None in self._typed
            self._typed.clear()
            if ended:
                self._typed.append(None)

    def line(self) -> str | None:
        """Wait for the first answer, and return it as if it had been typed; None at the end of input."""
        with self._changed:
            while True:
                if self._answer is not None:
                    return AS_TYPED[self._answer]
                if self._state.stopping:
                    return AS_TYPED["stop"]
                if self._typed:
                    return self._typed[0] if self._typed[0] is None else self._typed.popleft()
                self._changed.wait(LOOK_S)


class TypedKeys(TerminalKeys):
    """Standard input read without Python's buffer: a thread that still waits there does not hold up the end of the program."""

    def __init__(self, number: int | None = None) -> None:
        self._number = number
        self._rest = b""

    def line(self) -> str | None:
        """Return the next line; None at the end of input, or where the terminal has gone."""
        number = sys.stdin.fileno() if self._number is None else self._number
        while b"\n" not in self._rest:
            try:
                more = os.read(number, 4096)
            except OSError:
                return None
            if not more:
                return None
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode("utf-8", "replace").rstrip("\r")


class EitherKeys:
    """Keys for the terminal's operator: a line is typed at a terminal, where there is one, or is the page's answer."""

    def __init__(self, desk: Desk, typed: Keys) -> None:
        self._desk = desk
        self._typed = typed
        self._reader: threading.Thread | None = None

    def is_terminal(self) -> bool:
        """A person can answer: on the page."""
        return True

    def flush(self) -> None:
        """Throw away what was typed before the prompt."""
        self._desk.forget_typed()
        if self._typed.is_terminal():
            self._typed.flush()

    def line(self) -> str | None:
        """Return the first answer as a line; None at the end of input."""
        if self._reader is None and self._typed.is_terminal():
            self._reader = threading.Thread(target=self._read, name="typed lines", daemon=True)
            self._reader.start()
        return self._desk.line()

    def _read(self) -> None:
        while True:
            line = self._typed.line()
            self._desk.typed(line)
            if line is None:
                return


class PageOperator:
    """An operator whose questions stand on the page too. ``shown`` is the terminal's operator, with ``EitherKeys``."""

    def __init__(self, shown: Operator, desk: Desk) -> None:
        self._shown = shown
        self._desk = desk

    def for_unit(self, unit: str) -> None:
        """Say which unit the run is about."""
        self._desk.change(lambda state: page_state.for_unit(state, unit))

    def note(self, text: str) -> None:
        """Put a line on the page."""
        self._desk.change(lambda state: page_state.noted(state, text))

    def begin(self, plan: Plan) -> None:
        """Show the plan."""
        self._shown.begin(plan)
        self._desk.change(lambda state: page_state.begun(state, plan))

    def ask(self, request: Request) -> Answer:
        """Put a question on the page and at the terminal, and return the first answer."""
        self._desk.ask(request)
        answer, where = self._desk.settle(self._shown.ask(request))
        if where == "page":
            self._shown.tell(Event("note", f"Answered on the page: {page_state.SAID[answer]}."))
        return answer

    def tell(self, event: Event) -> None:
        """Show an event. Raises Stopped after a sweep, and before a step, where the page has asked to stop."""
        self._shown.tell(event)
        self._desk.change(lambda state: page_state.told(state, event))
        if self._desk.state.stopping and event.kind in ("swept", "step"):
            raise Stopped("stopped by the operator; the finished sweeps are kept", hint="Run the same command again to go on.")

    @property
    def has_ended(self) -> bool:
        """Whether the page has been told how the run has ended."""
        return self._desk.state.end is not None

    def end(self, end: End) -> None:
        """Say on the page how the run has ended."""
        self._desk.change(lambda state: page_state.ended(state, end))


@contextmanager
def ending(operator: PageOperator) -> Iterator[PageOperator]:
    """Tell the page how the run ends, be it by an error or Ctrl-C, which goes on."""
    try:
        yield operator
        if not operator.has_ended:
            operator.end(End("The run has ended"))
    except Stopped as error:
        operator.end(End("Stopped", (_sentence(error.message), error.hint)))
        raise
    except TapproofError as error:
        operator.end(End("The run has failed", tuple(line for line in (_sentence(error.message), error.hint) if line)))
        raise
    except KeyboardInterrupt:
        operator.end(End("Stopped", ("The finished sweeps are kept. Run the same command again to go on.",)))
        raise
    except BaseException:
        operator.end(End("The run has failed", ("The terminal says why.",)))
        raise


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def check_installed(find: Callable[[str], object | None]) -> None:
    """Raise UsageError where the web packages that the page needs are not there. ``find``: importlib.util.find_spec."""
    missing = [name for name in ("starlette", "uvicorn") if find(name) is None]
    if missing:
        raise UsageError(
            f"--page needs Python packages that are not installed: {', '.join(missing)}",
            hint="Install the program with its extra 'page': pip install 'tapproof[page]'. Or run without --page.",
        )
