"""Fakes that stand in for the world: an operator with a script, a store in memory, a clock, an ideal analyser."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from harness.ports import Answer, Event, Progress, Request
from harness.records import Grid, HookUp, Settings, Sweep, Trace
from harness.steps import Plan

Complex = NDArray[np.complex128]


@dataclass
class FakeClock:
    """A clock that moves on by ``step`` each time it is looked at."""

    time: datetime = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
    step: timedelta = timedelta(seconds=1)

    def now(self) -> datetime:
        self.time += self.step
        return self.time


@dataclass
class ScriptedOperator:
    """Answers from a script, then "done" for ever. Remembers everything; ``hand`` is called with each hook-up made."""

    answers: list[Answer] = field(default_factory=list)
    hand: Callable[[HookUp], None] = lambda hookup: None
    requests: list[Request] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    def begin(self, plan: Plan) -> None:
        self.events.append(Event("note", plan.sequence))

    def ask(self, request: Request) -> Answer:
        self.requests.append(request)
        answer = self.answers.pop(0) if self.answers else "done"
        if answer == "done" and request.hookup is not None and request.kind == "connect":
            self.hand(request.hookup)
        return answer

    def tell(self, event: Event) -> None:
        self.events.append(event)

    def hookups(self) -> list[str]:
        """Names of the hook-ups asked for, in order."""
        return [request.hookup.name for request in self.requests if request.kind == "connect" and request.hookup]


@dataclass
class MemoryStore:
    """Sweeps and notes in memory."""

    sweeps: dict[str, Sweep] = field(default_factory=dict)
    notes: list[dict[str, str]] = field(default_factory=list)

    def kept(self, step_id: str) -> Sweep | None:
        return self.sweeps.get(step_id)

    def keep(self, step_id: str, sweep: Sweep) -> None:
        self.sweeps[step_id] = sweep
        self.notes = [note for note in self.notes if (note["what"], note.get("step")) != ("override", step_id)]

    def note(self, what: str, **details: str) -> None:
        self.notes.append({"what": what, **details})

    def overridden(self, step_id: str) -> str | None:
        said = [note for note in self.notes if (note["what"], note.get("step")) == ("override", step_id)]
        return f"{said[-1]['title']}: {said[-1]['says']}" if said else None


class IdealAnalyser:
    """A perfect analyser: what it shows of a hook-up is looked up by the hook-up's name.

    ``shows`` maps a hook-up name to its traces; standards are built in. ``fail_after`` raises ``error`` on that sweep.
    """

    identity = "ideal analyser"

    def __init__(
        self, shows: Mapping[str, Mapping[str, Complex]], error_after: int | None = None, error: Exception | None = None
    ):
        self.shows = shows
        self.hookup = ""
        self.taken: list[str] = []
        self.error_after = error_after
        self.error = error

    def connect(self, hookup: HookUp) -> None:
        self.hookup = hookup.name

    def identify(self) -> str:
        return self.identity

    def set_up(self, grid: Grid) -> Settings:
        self.frequency_hz = grid.frequencies()
        return Settings(self.identity, self.frequency_hz, grid.averages)

    def sweep(self, traces: tuple[Trace, ...], progress: Progress | None = None) -> dict[Trace, Complex]:
        if self.error is not None and len(self.taken) == self.error_after:
            raise self.error
        self.taken.append(self.hookup)
        if progress is not None:
            progress(0.0, 1.0)
            progress(1.0, 1.0)
        shown = {**self._standards(), **self.shows}[self.hookup]
        return {trace: shown[trace] for trace in traces}

    def _standards(self) -> dict[str, dict[str, Complex]]:
        one = np.ones(self.frequency_hz.size, dtype=np.complex128)
        nothing = 0 * one
        through = {"s11": nothing, "s22": nothing, "s21": one, "s12": one}
        made: dict[str, dict[str, Complex]] = {"cal-thru": through, "verify-thru": through}
        for port, trace in (("", "s11"), ("-2", "s22")):
            made[f"cal-short{port}"] = {trace: -one}
            made[f"cal-open{port}"] = {trace: one}
            made[f"cal-load{port}"] = {trace: nothing}
        made["cal-isolation"] = dict.fromkeys(("s11", "s22", "s21", "s12"), nothing)
        for letter in ("A", "B"):
            made[f"load-{letter}"] = {"s11": 0.02 * one}
        made["verify-load"] = {"s11": 0.02 * one}
        return made

    def sweep_seconds(self, traces: tuple[Trace, ...]) -> float:
        return 1.0

    def close(self) -> None:
        self.hookup = ""
