"""Ports: what the runner needs of the world. Edges implement them; fakes stand in for them in tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol

from numpy import complex128
from numpy.typing import NDArray

from harness.records import Grid, HookUp, Settings, Sweep, Trace
from harness.steps import Plan, Step

Answer = Literal["done", "repeat", "override", "skip", "stop"]
Progress = Callable[[float, float], None]
"""Called while a sweep runs with (seconds so far, seconds expected)."""


class Analyser(Protocol):
    """A network analyser, spoken to in words of the trade. All methods raise InstrumentError and its kinds."""

    def identify(self) -> str:
        """Return the instrument's identity, as it says it."""

    def set_up(self, grid: Grid) -> Settings:
        """Set the grid and return what the instrument says it is set to; ReplyError where they differ."""

    def sweep(self, traces: tuple[Trace, ...], progress: Progress | None = None) -> dict[Trace, NDArray[complex128]]:
        """Sweep and return each trace as complex128 of shape (points,), in the order of the grid."""

    def sweep_seconds(self, traces: tuple[Trace, ...]) -> float:
        """Return how long ``sweep`` is expected to take with the present settings, in seconds."""

    def close(self) -> None:
        """Close the link; never raises."""


@dataclass(frozen=True)
class Request:
    """A question to the operator.

    ``kind``: "connect" (make the hook-up), "doubt" (something looks wrong: repeat, override or stop), "resume" (go on with
    the interrupted run, or start anew with "repeat"), "offer" (one more hook-up: "done" to take it now, or "skip").
    ``about``: what a doubt is about. ``number`` of ``total`` hook-ups; ``seconds_left`` to the end.
    """

    kind: Literal["connect", "doubt", "resume", "offer"]
    title: str
    lines: tuple[str, ...] = ()
    hookup: HookUp | None = None
    before: HookUp | None = None
    number: int = 0
    total: int = 0
    seconds_left: float | None = None
    answers: tuple[Answer, ...] = ("done", "stop")
    about: Literal["standard", "verification", "hook-up", ""] = ""


@dataclass(frozen=True)
class Event:
    """Something the operator may like to see.

    ``fraction`` of a running sweep that takes ``seconds`` in all; ``seconds_left`` to the end of the run.
    """

    kind: Literal["step", "progress", "swept", "note"]
    text: str
    step: Step | None = None
    sweep: Sweep | None = None
    fraction: float | None = None
    seconds: float | None = None
    seconds_left: float | None = None


class Operator(Protocol):
    """The person at the bench, or the simulated hand. Raises Stopped when the person ends the run."""

    def begin(self, plan: Plan) -> None:
        """Show what the run will ask before it starts."""

    def ask(self, request: Request) -> Answer:
        """Put a question and wait for the answer, which is one of ``request.answers``."""

    def tell(self, event: Event) -> None:
        """Show an event; never blocks."""


class Store(Protocol):
    """Where a run keeps what is done, at once and for good. Raises StoreError."""

    def kept(self, step_id: str) -> Sweep | None:
        """Return the raw sweep that a finished Measure step left, or None."""

    def keep(self, step_id: str, sweep: Sweep) -> None:
        """Put a raw sweep on disk, durably, before returning."""

    def note(self, what: str, **details: str) -> None:
        """Write a line into the journal (an override, a repeat, a remark). An override names its Measure's id as "step"."""

    def overridden(self, step_id: str) -> str | None:
        """Return what was overridden, in words, of the sweep that the Measure step last left; None where nothing was."""


class Clock(Protocol):
    """The time. Simulated in tests."""

    def now(self) -> datetime:
        """Return the date and time, with its offset."""
