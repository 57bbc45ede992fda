"""The hook-ups, and the words that tell the operator how to make them."""

from __future__ import annotations

from harness.records import ANALYSER_1, ANALYSER_2, LINE_IN, LINE_OUT, SAMPLE, Bench, HookUp, Join, SamplerType

LOAD_A = "load A"
LOAD_B = "load B"

COUPLED = HookUp("coupled", (Join(ANALYSER_1, LINE_IN), Join(ANALYSER_2, SAMPLE), Join(LOAD_A, LINE_OUT)))
LINE = HookUp("line", (Join(ANALYSER_1, LINE_IN), Join(ANALYSER_2, LINE_OUT), Join(LOAD_A, SAMPLE)))
COUPLED_FAR = HookUp("coupled-far", (Join(ANALYSER_1, LINE_OUT), Join(ANALYSER_2, SAMPLE), Join(LOAD_A, LINE_IN)))
SAMPLE_PORT = HookUp("sample", (Join(ANALYSER_1, SAMPLE), Join(LOAD_A, LINE_IN), Join(LOAD_B, LINE_OUT)))


def standard(name: str, port: int = 1) -> HookUp:
    """Return the hook-up of a one-port calibration standard on analyser 1 or 2."""
    suffix = "" if port == 1 else f"-{port}"
    return HookUp(f"cal-{name}{suffix}", (Join(f"analyser {port}", name),))


THRU = HookUp("cal-thru", (Join(ANALYSER_1, ANALYSER_2, through="thru"),))
VERIFY_THRU = HookUp("verify-thru", THRU.joins)
VERIFY_LOAD = HookUp("verify-load", (Join(ANALYSER_1, LOAD_A),))
ISOLATION = HookUp("cal-isolation", (Join(ANALYSER_1, "load"), Join(ANALYSER_2, LOAD_A)))


def bench_load(letter: str) -> HookUp:
    """Return the hook-up that measures one of the bench's loads at analyser 1."""
    return HookUp(f"load-{letter}", (Join(ANALYSER_1, f"load {letter}"),))


def connector_of(port: str, type_: SamplerType) -> str:
    """Return the connector that a unit of this type carries at ``port``."""
    return type_.build.sample_connector if port == SAMPLE else type_.build.line_connectors


def says(hookup: HookUp, bench: Bench, type_: SamplerType | None, *, again: bool = False) -> tuple[str, ...]:
    """Return the lines that tell the operator what to screw where, one connection a line, with adapters named."""
    first = ("Take the connections apart, then make them again:",) if again else ()
    return first + tuple(_join_in_words(join, bench, type_) for join in hookup.joins)


def _join_in_words(join: Join, bench: Bench, type_: SamplerType | None) -> str:
    if join.through is not None:
        return f"Join the cables of {join.one} and {join.other} with the {join.through}."
    thing = f"the cable of {join.one}" if join.one.startswith("analyser") else join.one
    if type_ is None or join.other not in (LINE_IN, LINE_OUT, SAMPLE):
        verb = f"Connect the {join.other}" if not join.other.startswith("load ") else f"Connect {join.other}"
        return f"{verb} to {thing}."
    connector = connector_of(join.other, type_)
    adapter = bench.adapter_for(connector)
    if connector == bench.analyser.connector:
        return f"Connect {thing} to {join.other} ({connector})."
    if adapter is None:
        return f"Connect {thing} to {join.other} ({connector}; this needs an adapter {bench.analyser.connector} to {connector})."
    return f"Connect {thing} to {join.other}, onto its adapter {bench.analyser.connector} to {connector}."


def adapters_stay(bench: Bench, type_: SamplerType) -> tuple[str, ...]:
    """Return the line that says which adapters stay on the unit for the whole run, or nothing where none is needed."""
    ports = [port for port in (LINE_IN, LINE_OUT, SAMPLE) if connector_of(port, type_) != bench.analyser.connector]
    if not ports:
        return ()
    kinds = sorted({f"{bench.analyser.connector} to {connector_of(port, type_)}" for port in ports})
    return (f"Put an adapter {' / '.join(kinds)} on {', '.join(ports)}; the adapters stay there for the whole run.",)
