"""The quick proof of a line sampler: one coupled hook-up and the line. What it cannot see widens the answer."""

from __future__ import annotations

from harness.records import Bench, SamplerType
from harness.steps import Step
from sequences import calibration, hookups
from sequences.line_sampler import unit_steps

NAME = "line-sampler-quick"


def steps(type_: SamplerType, bench: Bench) -> tuple[Step, ...]:
    """Return the steps of a quick proof with a calibration that exists."""
    two = calibration.two_port_traces(bench)
    wanted = ((hookups.COUPLED, two, 2), (hookups.LINE, two, 2))
    return (*calibration.verify_with_load(bench), *unit_steps(wanted, type_, bench))
