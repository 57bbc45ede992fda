"""What the bench page knows of a run: requests and events in, a view out. Pure, and frozen throughout.

Each function takes a ``State`` and returns the next one; ``view`` returns what the page shows of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from harness.ports import Answer, Event, Request
from harness.records import HookUp, Sweep
from harness.sheets.bench_page import Button, Row, View, Words
from harness.sheets.hookup_drawing import to_make
from harness.steps import Connect, Measure, Plan, Solve, Verify

Where = Literal["page", "terminal"]
MOST_NOTES = 4
KEYS: dict[Answer, str] = {"done": " ", "repeat": "r", "override": "o", "skip": "s", "stop": "q"}
OFFERS: dict[Answer, str] = {
    "done": "Done",
    "repeat": "Repeat",
    "override": "Override (is logged)",
    "skip": "Leave it out",
    "stop": "Stop",
}
RESUME_OFFERS: dict[Answer, str] = {"done": "Go on", "repeat": "Start anew", "stop": "Stop"}
MORE_OFFERS: dict[Answer, str] = {"done": "Take it now", "skip": "Leave it out", "stop": "Stop"}
SAID: dict[Answer, str] = {"done": "done", "repeat": "repeat", "override": "override", "skip": "left out", "stop": "stop"}
PLACES: dict[Where, str] = {"page": "on the page", "terminal": "at the terminal"}


@dataclass(frozen=True)
class End:
    """How a run has ended: in words, and the figures where there are any."""

    head: str
    lines: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()


@dataclass(frozen=True)
class State:
    """A run as the page knows it. ``asked`` counts the questions; ``request`` is the open one.

    ``busy`` says what goes on where nothing is asked. ``stopping``: a stop was wished while nothing was asked.
    """

    unit: str = ""
    plan: Plan | None = None
    asked: int = 0
    request: Request | None = None
    busy: str = "Starting"
    number: int = 0
    total: int = 0
    seconds_left: float | None = None
    fraction: float | None = None
    hookup: HookUp | None = None
    before: HookUp | None = None
    sweep: Sweep | None = None
    notes: tuple[str, ...] = ()
    stopping: bool = False
    end: End | None = None


def for_unit(state: State, unit: str) -> State:
    """A unit's run begins: what is shown of another unit's goes, the notes stay."""
    return State(unit=unit, asked=state.asked, notes=state.notes, stopping=state.stopping)


def begun(state: State, plan: Plan) -> State:
    """The plan is known."""
    return replace(state, plan=plan, total=plan.connections, seconds_left=60 * plan.minutes, busy="Starting")


def asked(state: State, request: Request) -> State:
    """A question is put."""
    state = replace(state, asked=state.asked + 1, request=request, fraction=None)
    if request.seconds_left is not None:
        state = replace(state, seconds_left=request.seconds_left)
    if request.total:
        state = replace(state, number=request.number, total=request.total)
    if request.hookup is not None:
        state = replace(state, hookup=request.hookup, before=request.before)
    return state


def answered(state: State, answer: Answer, where: Where) -> State:
    """The open question is answered; both views show by whom."""
    if state.request is None:
        return state
    what = f"{state.request.title}: {SAID[answer]}, {PLACES[where]}"
    return replace(noted(state, what), request=None, busy="Stopping" if answer == "stop" else "Wait")


def stopping(state: State) -> State:
    """A stop is wished while nothing is asked."""
    return replace(noted(state, "Stops after this sweep."), stopping=True)


def noted(state: State, text: str) -> State:
    """Something worth a line."""
    return replace(state, notes=(*state.notes, text)[-MOST_NOTES:])


def told(state: State, event: Event) -> State:
    """An event of the runner."""
    if event.seconds_left is not None:
        state = replace(state, seconds_left=event.seconds_left)
    match event.kind:
        case "note":
            return noted(state, event.text)
        case "progress":
            return replace(state, busy=f"Sweeping {event.text}", fraction=event.fraction)
        case "swept":
            return replace(state, busy="Wait", fraction=None, sweep=event.sweep)
    if isinstance(event.step, Connect):  # a question about it follows, unless a simulated hand needs none
        state = replace(state, hookup=event.step.hookup, before=None, number=_number_of(event.step, state))
    return replace(state, busy=_busy_with(event), fraction=None)


def _number_of(step: Connect, state: State) -> int:
    steps = () if state.plan is None else state.plan.steps
    ids = [one.id for one in steps if isinstance(one, Connect)]
    return ids.index(step.id) + 1 if step.id in ids else state.number


def _busy_with(event: Event) -> str:
    match event.step:
        case Measure(sweep=name):
            return f"Sweeping {name}"
        case Solve():
            return "Solving the calibration"
        case Verify():
            return "Judging the verification"
    return "Wait"


def ended(state: State, end: End) -> State:
    """The run is over."""
    return replace(state, request=None, fraction=None, seconds_left=None, end=end)


def view(state: State) -> View:
    """Return what the page shows."""
    shown = View("busy", state.unit, _where(state), state.busy, sweep=state.sweep, notes=state.notes)
    if state.end is not None:
        lines = tuple(Words(line) for line in state.end.lines)
        return replace(shown, kind="ended", head=state.end.head, words=lines, rows=state.end.rows)
    if state.request is not None:
        return _question(state, state.request, shown)
    words = (Words("Leave the cables alone."),) if state.busy.startswith("Sweeping") else ()
    return replace(shown, words=words, fraction=state.fraction, hookup=state.hookup, may_stop=not state.stopping)


def _question(state: State, request: Request, shown: View) -> View:
    offers = {"resume": RESUME_OFFERS, "offer": MORE_OFFERS}.get(request.kind, OFFERS)
    return replace(
        shown,
        kind=request.kind,
        head=f"Hook-up {request.hookup.name}" if request.kind == "connect" and request.hookup else request.title,
        question=state.asked,
        words=instructions(request),
        buttons=tuple(Button(answer, offers[answer], KEYS[answer]) for answer in request.answers),
        hookup=request.hookup,
        before=request.before,
    )


def instructions(request: Request) -> tuple[Words, ...]:
    """Return the lines of a request. The last lines of a "connect" tell its joins in order: those carry their marks."""
    lines = tuple(line for line in request.lines if line)
    if request.kind != "connect" or request.hookup is None or len(lines) < len(request.hookup.joins):
        return tuple(Words(line[:1].upper() + line[1:]) for line in lines)
    first = len(lines) - len(request.hookup.joins)
    new = to_make(request.hookup, request.before)
    marked = [
        Words(line, "now", count) if join in new else Words(line, "stays")
        for count, (line, join) in enumerate(zip(lines[first:], request.hookup.joins, strict=True), start=1)
    ]
    return (*(Words(line) for line in lines[:first]), *marked)


def _where(state: State) -> str:
    parts = [state.unit] if state.unit else []
    if state.end is None and state.total:
        parts.append(f"hook-up {state.number} of {state.total}" if state.number else f"{state.total} hook-ups")
    if state.end is None and state.seconds_left is not None:
        parts.append(f"about {_duration(state.seconds_left)} left")
    return " · ".join(parts) or "tapproof"


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{max(seconds, 1):.0f} seconds"
    return f"{seconds / 60:.0f} minutes"
