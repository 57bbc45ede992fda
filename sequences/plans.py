"""From the name of a sequence to the whole plan of a run, with or without a calibration in front."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from harness.errors import UsageError
from harness.records import Bench, SamplerType
from harness.steps import Connect, Plan, Step, Verify
from sequences import calibration, line_sampler, line_sampler_quick

SEQUENCES: Mapping[str, Callable[[SamplerType, Bench], tuple[Step, ...]]] = {
    line_sampler.NAME: line_sampler.steps,
    line_sampler_quick.NAME: line_sampler_quick.steps,
}


def proof_plan(sequence: str, type_: SamplerType, bench: Bench, *, calibrated: bool) -> Plan:
    """Return the plan of a proof. Without a calibration that fits, its steps come first and replace the verification.

    UsageError for a sequence that is not known.
    """
    if sequence not in SEQUENCES:
        raise UsageError(f"no sequence is called {sequence!r}", hint=f"Known: {', '.join(sorted(SEQUENCES))}.")
    unit = SEQUENCES[sequence](type_, bench)
    if not calibrated and bench.correction.by == "host":
        unit = (*calibration.steps(type_, bench), *without_verification(unit))
    return Plan(sequence, unit, sweep_seconds(bench))


def calibration_plan(bench: Bench) -> Plan:
    """Return the plan of ``tapproof calibrate``."""
    return Plan(calibration.NAME, calibration.steps(None, bench), sweep_seconds(bench))


def without_verification(steps: tuple[Step, ...]) -> tuple[Step, ...]:
    """Return the steps less the verification and the hook-up made for it."""
    names = {step.sweep for step in steps if isinstance(step, Verify)}
    return tuple(step for step in steps if not _belongs_to(step, names))


def _belongs_to(step: Step, names: set[str]) -> bool:
    if isinstance(step, Connect):
        return step.hookup.name in names
    return getattr(step, "sweep", None) in names


def sweep_seconds(bench: Bench) -> float:
    """Return the expected time of one trace's sweep in seconds: points, times averages, times the point time."""
    return bench.sweep.points * bench.sweep.averages * bench.sweep.point_time
