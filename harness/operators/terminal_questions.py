"""Questions with answers in words, at a terminal: for making a bench. Prompts on standard error, as everywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.bench_making.ports import Question
from harness.errors import Stopped, UsageError
from harness.operators.terminal import Keys, plain

if TYPE_CHECKING:
    from rich.console import Console

    from harness.records import HookUp

LONGEST = 300


class TerminalAsker:
    """Asks at the terminal. q, Ctrl-C and Ctrl-D stop; an answer in double quotes is taken with its blanks, a "q" too."""

    def __init__(self, console: Console, keys: Keys) -> None:
        self._console, self._keys = console, keys

    def ask(self, question: Question) -> str:
        """Return the answer; the default for an empty line. Stopped where the person stops."""
        self._show(question.text, style="bold")
        if question.help:
            self._show(f"  {question.help}")
        offers = [f"one of {' '.join(question.choices)}"] if question.choices else []
        offers += [f"Enter: {question.default}"] if question.default is not None else []
        offers += ["-: none"] if question.optional and question.default != "-" else []
        self._show(f"  {' · '.join([*offers, 'q stop'])}", style="dim")
        answer = self._line()
        return (question.default or "") if answer == "" else answer

    def connect(self, hookup: HookUp, says: tuple[str, ...]) -> None:
        """Return when Enter is pressed."""
        for line in says:
            self._show(line, style="bold")
        self._show("  Enter when done · q stop", style="dim")
        self._line()

    def tell(self, text: str) -> None:
        """Show a line, control characters as escapes."""
        self._show(text)

    def require_terminal(self) -> None:
        """Raise UsageError where no person can answer."""
        if not self._keys.is_terminal():
            raise UsageError("the questions need answers, and standard input is no terminal", hint="Run in a terminal.")

    def _line(self) -> str:
        self._keys.flush()
        line = self._keys.line()
        if line is None or line.strip().lower() == "q":
            raise Stopped("stopped by the operator; nothing was written", hint="Run the same command again.")
        text = line.strip()[:LONGEST]
        return text[1:-1] if len(text) >= 2 and text[0] == text[-1] == '"' else text

    def _show(self, text: str, style: str = "") -> None:
        self._console.print(plain(text), style=style or None, markup=False, highlight=False)
