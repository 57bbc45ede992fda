"""Calibration of the bench: the standards, the bench's own loads, isolation, thru, and a verification sweep."""

from __future__ import annotations

from harness.records import Bench, HookUp, SamplerType, Trace
from harness.steps import CheckStandard, Connect, Measure, Solve, Step, SweepKind, Verify
from sequences import hookups

NAME = "calibration"
ONE_PATH: tuple[Trace, ...] = ("s11", "s21")
TWO_PATH: tuple[Trace, ...] = ("s11", "s21", "s12", "s22")


def two_port_traces(bench: Bench) -> tuple[Trace, ...]:
    """Return the traces that this bench's analyser takes of a two-port hook-up."""
    return TWO_PATH if bench.analyser.paths == "two-path" else ONE_PATH


def steps(type_: SamplerType | None, bench: Bench) -> tuple[Step, ...]:
    """Return the steps of a calibration; a type is not needed. An analyser that corrects itself has none."""
    if bench.correction.by == "analyser":
        return ()
    ports = (1, 2) if bench.analyser.paths == "two-path" else (1,)
    made: list[Step] = []
    for port in ports:
        trace: Trace = "s11" if port == 1 else "s22"
        for name in ("short", "open", "load"):
            made += _standard(hookups.standard(name, port), name, bench, (trace,), ports=1)
    for letter, load in bench.loads.items():
        if load.measured:
            hookup = hookups.bench_load(letter)
            made += _sweep(hookup, "load", bench, ("s11",), ports=1)
            made.append(CheckStandard(f"{hookup.name}.check", f"load {letter}", hookup.name))
    if bench.correction.isolation:
        made += _standard(hookups.ISOLATION, "isolation", bench, two_port_traces(bench), ports=2)
    made += _standard(hookups.THRU, "thru", bench, two_port_traces(bench), ports=2)
    made.append(Solve("solve"))
    return (*made, *verify_with_thru(bench))


def verify_with_thru(bench: Bench) -> tuple[Step, ...]:
    """Return the verification right after a calibration: the thru taken apart and joined again."""
    hookup = hookups.VERIFY_THRU
    connect = Connect(f"{hookup.name}.connect", hookup, hookups.says(hookup, bench, None, again=True))
    measure = Measure(f"{hookup.name}.sweep", hookup.name, "verification", two_port_traces(bench), 2)
    return (connect, measure, Verify(f"{hookup.name}.judge", "thru", hookup.name))


def verify_with_load(bench: Bench) -> tuple[Step, ...]:
    """Return the verification before a proof: load A, which the calibration has measured; nothing without such a load."""
    first = next(iter(bench.loads.items()), None)
    if bench.correction.by == "analyser" or first is None or not first[1].measured:
        return ()
    hookup = hookups.VERIFY_LOAD
    made = _sweep(hookup, "verification", bench, ("s11",), ports=1)
    return (*made, Verify(f"{hookup.name}.judge", "load A", hookup.name))


def _sweep(hookup: HookUp, kind: SweepKind, bench: Bench, traces: tuple[Trace, ...], ports: int) -> list[Step]:
    return [
        Connect(f"{hookup.name}.connect", hookup, hookups.says(hookup, bench, None)),
        Measure(f"{hookup.name}.sweep", hookup.name, kind, traces, ports),
    ]


def _standard(hookup: HookUp, name: str, bench: Bench, traces: tuple[Trace, ...], ports: int) -> list[Step]:
    return [*_sweep(hookup, "standard", bench, traces, ports), CheckStandard(f"{hookup.name}.check", name, hookup.name)]
