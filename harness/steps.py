"""Steps: what a run does, as a closed union of frozen records that the runner walks through.

A sequence gives a tuple of these before anything connects, so the operator sees the whole list, ranges are checked first,
and a run can go on at the last :class:`Connect` before an interruption.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from harness.records import HookUp, Trace

SweepKind = Literal["standard", "verification", "load", "unit"]


@dataclass(frozen=True)
class Connect:
    """The operator makes a hook-up. ``says`` are the lines that tell what to screw where, in order."""

    id: str
    hookup: HookUp
    says: tuple[str, ...]


@dataclass(frozen=True)
class Measure:
    """One sweep of the hook-up that is made. ``sweep`` is its name and the name of its file; ``repeat`` counts from 1."""

    id: str
    sweep: str
    kind: SweepKind
    traces: tuple[Trace, ...]
    ports: int
    repeat: int = 1


@dataclass(frozen=True)
class CheckStandard:
    """Look at a standard's sweep before it is accepted."""

    id: str
    standard: str
    sweep: str


@dataclass(frozen=True)
class Solve:
    """Solve the calibration from the standards' sweeps and correct the loads' sweeps with it."""

    id: str


@dataclass(frozen=True)
class Verify:
    """Judge the verification sweep against the calibration, and keep it with the calibration or the proof."""

    id: str
    standard: str
    sweep: str


Step = Connect | Measure | CheckStandard | Solve | Verify


@dataclass(frozen=True)
class Plan:
    """The steps of one run, with what they cost the operator."""

    sequence: str
    steps: tuple[Step, ...]
    sweep_seconds: float
    """Expected time of one trace's sweep."""

    CONNECT_SECONDS = 40.0
    """What one change of cables takes at a bench; common practice, no source."""

    @property
    def connections(self) -> int:
        """How many hook-ups the operator makes."""
        return sum(isinstance(step, Connect) for step in self.steps)

    def seconds_from(self, position: int) -> float:
        """Return the expected seconds from step number ``position`` (counting from 0) to the end."""
        rest = self.steps[position:]
        connects = sum(isinstance(step, Connect) for step in rest)
        traces = sum(len(step.traces) for step in rest if isinstance(step, Measure))
        return connects * self.CONNECT_SECONDS + traces * self.sweep_seconds

    @property
    def minutes(self) -> float:
        """The expected length of the run in minutes."""
        return self.seconds_from(0) / 60.0
