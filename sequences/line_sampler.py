"""The full proof of a line sampler: verification, then both coupled hook-ups, the line, and the sample port."""

from __future__ import annotations

from harness.records import Bench, HookUp, SamplerType, Trace
from harness.steps import Connect, Measure, Step
from sequences import calibration, hookups

NAME = "line-sampler"


Wanted = tuple[HookUp, tuple[Trace, ...], int]


def steps(type_: SamplerType, bench: Bench) -> tuple[Step, ...]:
    """Return the steps of a full proof with a calibration that exists; each hook-up as often as the bench asks.

    The sample-port hook-up needs two loads and is left out on a bench that has one.
    """
    return (*calibration.verify_with_load(bench), *unit_steps(tuple(_wanted(bench).values()), type_, bench))


def more_steps(name: str, type_: SamplerType, bench: Bench) -> tuple[Step, ...]:
    """Return the steps of one more hook-up of a unit whose adapters are on; none where this bench cannot make it."""
    wanted = _wanted(bench).get(name)
    return () if wanted is None else unit_steps((wanted,), type_, bench, first=())


def _wanted(bench: Bench) -> dict[str, Wanted]:
    """Return the hook-ups that this bench can make, by name, in their order."""
    two = calibration.two_port_traces(bench)
    hook_ups = (hookups.COUPLED, hookups.LINE, hookups.COUPLED_FAR)
    wanted: dict[str, Wanted] = {hookup.name: (hookup, two, 2) for hookup in hook_ups}
    if "B" in bench.loads:
        wanted[hookups.SAMPLE_PORT.name] = (hookups.SAMPLE_PORT, ("s11",), 1)
    return wanted


def unit_steps(
    wanted: tuple[Wanted, ...], type_: SamplerType, bench: Bench, first: tuple[str, ...] | None = None
) -> tuple[Step, ...]:
    """Return Connect and Measure for each (hook-up, traces, ports), repeated as the bench file asks.

    ``first``: lines before the first hook-up, by default those that say which adapters stay on the unit.
    """
    made: list[Step] = []
    first = hookups.adapters_stay(bench, type_) if first is None else first
    for hookup, traces, ports in wanted:
        for repeat in range(1, bench.repeats.hookup + 1):
            lines = first + hookups.says(hookup, bench, type_, again=repeat > 1)
            made.append(Connect(f"{hookup.name}.{repeat}.connect", hookup, lines))
            made.append(Measure(f"{hookup.name}.{repeat}.sweep", hookup.name, "unit", traces, ports, repeat))
            first = ()
    return tuple(made)
