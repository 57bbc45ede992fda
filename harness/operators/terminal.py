"""The operator at a terminal: prompts on standard error, one short answer each.

A prompt needs a terminal: a newline from a pipe is no consent. What was typed ahead is thrown away before each prompt.
q, Ctrl-C and Ctrl-D stop the run.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Protocol

from harness.errors import UsageError
from harness.ports import Answer, Event, Request
from harness.steps import Connect, Measure, Plan

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress, TaskID

SLOW_SECONDS = 2.0
"""A sweep that is expected to take longer than this gets a progress bar."""


class Keys(Protocol):
    """Where answers come from."""

    def is_terminal(self) -> bool:
        """Whether a person can answer."""

    def flush(self) -> None:
        """Throw away what was typed before the prompt."""

    def line(self) -> str | None:
        """Return the next line without its end; None at the end of input."""


class TerminalKeys:
    """Standard input, where it is a terminal."""

    def is_terminal(self) -> bool:
        """Whether standard input is a terminal."""
        return sys.stdin is not None and sys.stdin.isatty()

    def flush(self) -> None:
        """Throw away what was typed ahead, where the platform can."""
        try:
            import termios
        except ImportError:
            self._flush_console()
            return
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)

    def _flush_console(self) -> None:
        import msvcrt

        kbhit: Callable[[], bool] = getattr(msvcrt, "kbhit")  # noqa: B009  # the stubs know it on Windows only
        getwch: Callable[[], str] = getattr(msvcrt, "getwch")  # noqa: B009
        while kbhit():
            getwch()

    def line(self) -> str | None:
        """Return the next line; None at the end of input."""
        text = sys.stdin.readline()
        return text.rstrip("\r\n") if text else None


def error_console() -> Console:
    """Return the console for prompts and progress: standard error."""
    from rich.console import Console

    return Console(stderr=True, highlight=False, soft_wrap=True)


ANSWERS: dict[str, Answer] = {"": "done", "r": "repeat", "o": "override", "s": "skip", "q": "stop"}
OFFERS: dict[Answer, str] = {
    "done": "Enter when done",
    "repeat": "r repeat",
    "override": "o override (is logged)",
    "skip": "s leave it out",
    "stop": "q stop",
}


RESUME_OFFERS: dict[Answer, str] = {"done": "Enter to go on", "repeat": "r start anew", "stop": "q stop"}
MORE_OFFERS: dict[Answer, str] = {"done": "Enter to take it now", "skip": "s leave it out", "stop": "q stop"}


class TerminalOperator:
    """Prompts and progress on a console that writes to standard error."""

    def __init__(self, console: Console, keys: Keys, *, quiet: bool = False) -> None:
        self._console = console
        self._keys = keys
        self._quiet = quiet
        self._progress: Progress | None = None
        self._task: TaskID | None = None

    def begin(self, plan: Plan) -> None:
        """Print what the run will ask: one line a hook-up, with the sweeps it serves."""
        if self._quiet:
            return
        self._console.print(
            f"[bold]{plan.sequence}[/bold]: {plan.connections} hook-ups, about {max(plan.minutes, 0.1):.1f} minutes"
        )

    def ask(self, request: Request) -> Answer:
        """Print the request and wait for one of its answers. UsageError where no person can answer."""
        self._end_progress()
        if not self._keys.is_terminal():
            raise UsageError(
                f"'{request.title}' needs an answer, and standard input is no terminal",
                hint="Run in a terminal; --yes answers for simulated benches only.",
            )
        self._print_request(request)
        while True:
            self._keys.flush()
            line = self._keys.line()
            if line is None:
                return "stop"
            answer = ANSWERS.get(line.strip().lower())
            if answer in request.answers:
                return answer
            self._console.print(f"  Please answer: {self._offers(request)}", markup=False)

    def _print_request(self, request: Request) -> None:
        what = "" if request.kind == "offer" else " left"
        left = f"   about {_duration(request.seconds_left)}{what}" if request.seconds_left is not None else ""
        self._console.print()
        self._console.print(plain(f"{request.title}{left}"), style="bold", markup=False, highlight=False)
        for line in request.lines:
            if line:
                self._console.print(f"  {plain(line)}", markup=False, highlight=False)
        self._console.print(f"  {self._offers(request)}", style="dim", markup=False, highlight=False)

    def _offers(self, request: Request) -> str:
        offers = {"resume": RESUME_OFFERS, "offer": MORE_OFFERS}.get(request.kind, OFFERS)
        return " · ".join(offers[answer] for answer in request.answers)

    def tell(self, event: Event) -> None:
        """Show progress of long sweeps, and notes."""
        if event.kind == "progress":
            self._show_progress(event)
        elif event.kind == "swept":
            self._end_progress()
            if not self._quiet:
                self._console.print(f"  swept {plain(event.text)}", markup=False, highlight=False)
        elif event.kind == "note" and not self._quiet:
            self._console.print(f"  {plain(event.text)}", markup=False, highlight=False)

    def _show_progress(self, event: Event) -> None:
        if self._quiet or event.fraction is None or event.seconds is None or event.seconds < SLOW_SECONDS:
            return
        if self._progress is None:
            from rich.progress import Progress

            self._progress = Progress(console=self._console, transient=True)
            self._progress.start()
            self._task = self._progress.add_task(plain(event.text), total=1.0)
        if self._task is not None:
            words = f"sweep {plain(event.text)}, about {_duration(event.seconds_left or 0.0)} left in the run"
            self._progress.update(self._task, completed=event.fraction, description=words)

    def _end_progress(self) -> None:
        if self._progress is not None:
            self._progress.stop()
            self._progress = None
            self._task = None


def plan_lines(plan: Plan) -> list[str]:
    """Return the whole plan as text: what ``--steps`` prints."""
    lines = [f"{plan.sequence}: {plan.connections} hook-ups, about {max(plan.minutes, 0.1):.1f} minutes"]
    number = 0
    for step in plan.steps:
        if isinstance(step, Connect):
            number += 1
            lines.append(f"{number:3d}  {step.hookup.name}")
            lines += [f"       {line}" for line in step.says]
        elif isinstance(step, Measure):
            lines.append(f"       → sweep {step.sweep}: {', '.join(trace.upper() for trace in step.traces)}")
    return lines


def plan_document(plan: Plan) -> dict[str, Any]:
    """Return the whole plan as what ``--steps --json`` prints: sequence, minutes, and each hook-up with its lines and sweeps."""
    hookups: list[dict[str, Any]] = []
    for step in plan.steps:
        if isinstance(step, Connect):
            hookups.append({"hookup": step.hookup.name, "says": list(step.says), "sweeps": []})
        elif isinstance(step, Measure):
            hookups[-1]["sweeps"].append({"sweep": step.sweep, "traces": list(step.traces)})
    return {"sequence": plan.sequence, "minutes": plan.minutes, "hookups": hookups}


def plain(text: str) -> str:
    """Return text with control characters shown as escapes: names and replies may come from anywhere."""
    return "".join(c if c == "\n" or c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} minutes"
