"""The full proof of a line sampler: verification, then both coupled hook-ups, the line, and the sample port."""

from __future__ import annotations

from harness.records import Bench, HookUp, SamplerType, Trace
from harness.steps import Connect, Measure, Step
from sequences import calibration, hookups

NAME = "line-sampler"


def steps(type_: SamplerType, bench: Bench) -> tuple[Step, ...]:
    """Return the steps of a full proof with a calibration that exists; each hook-up as often as the bench asks.

    The sample-port hook-up needs two loads and is left out on a bench that has one.
    """
    two = calibration.two_port_traces(bench)
    wanted: tuple[tuple[HookUp, tuple[Trace, ...], int], ...] = (
        (hookups.COUPLED, two, 2),
        (hookups.LINE, two, 2),
        (hookups.COUPLED_FAR, two, 2),
        (hookups.SAMPLE_PORT, ("s11",), 1),
    )
    if "B" not in bench.loads:
        wanted = wanted[:-1]
    return (*calibration.verify_with_load(bench), *unit_steps(wanted, type_, bench))


def unit_steps(wanted: tuple[tuple[HookUp, tuple[Trace, ...], int], ...], type_: SamplerType, bench: Bench) -> tuple[Step, ...]:
    """Return Connect and Measure for each (hook-up, traces, ports), repeated as the bench file asks."""
    made: list[Step] = []
    first = hookups.adapters_stay(bench, type_)
    for hookup, traces, ports in wanted:
        for repeat in range(1, bench.repeats.hookup + 1):
            lines = first + hookups.says(hookup, bench, type_, again=repeat > 1)
            made.append(Connect(f"{hookup.name}.{repeat}.connect", hookup, lines))
            made.append(Measure(f"{hookup.name}.{repeat}.sweep", hookup.name, "unit", traces, ports, repeat))
            first = ()
    return tuple(made)
