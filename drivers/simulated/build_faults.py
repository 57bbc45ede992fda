"""Build faults of a simulated unit, written as text in the bench file: ``fault = "turns: 31"``.

A fault is its name and, after a colon, its detail; details with a unit are written as everywhere ("0.2 mm", "1 ohm"):

=============================== ========================= ============================================================
name                            detail                    without a detail
=============================== ========================= ============================================================
turns                           how many                  (must be given)
double termination              –                         a second 50 Ω load stands across the winding
termination missing             –                         the inside resistor is not there
braid grounded at both ends     –
braid grounded at neither end   –
wrong core                      core name, "FT-50-2"      the same size in a material of μ 125 (of μ 2000 if it is that)
cracked core                    total gap, "0.1 mm"       0.1 mm
open winding                    –
shorted turns                   how many                  1
high-resistance joint           where, how much           (where must be given) 1 ohm
                                "line out, 2 ohm"
resistor out of value           new value, "68 ohm"       1.3 times the value
line mismatch                   impedance, "75 ohm"       75 ohm, over 20 mm in the middle of the line's first half
=============================== ========================= ============================================================

Where a joint can be: line in, line out, sample, winding.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

from harness.errors import UsageError
from harness.quantities import parse_quantity
from harness.sampler import Core, Mismatch, SamplerCircuit

TEE_LOAD = 50.0
DEFAULT_GAP = 0.1e-3
DEFAULT_JOINT = 1.0
DEFAULT_MISMATCH = 75.0
MISMATCH_LENGTH = 0.02
_JOINTS = {"line in": "line_in_joint", "line out": "line_out_joint", "sample": "sample_joint", "winding": "winding_joint"}
_WHOLE = re.compile(r"^[0-9]{1,4}$", re.ASCII)

Finder = Callable[[str], Core]


def with_fault(circuit: SamplerCircuit, fault: str, core: str, find: Finder) -> SamplerCircuit:
    """Return the circuit with a build fault.

    ``core`` is the part name of the core that belongs there, ``find`` gives a core by its part name. UsageError for a fault
    that is not known, that lacks its detail or has a wrong one, or that this circuit cannot have.
    """
    name, _, rest = (part.strip() for part in fault.partition(":"))
    if name in _PLAIN:
        if rest:
            raise _wrong(fault, f"{name!r} takes no detail")
        return _PLAIN[name](circuit, fault)
    if name == "wrong core":
        return replace(circuit, core=find(rest or _other_core(core)))
    if name in _DETAILED:
        return _DETAILED[name](circuit, rest, fault)
    known = ", ".join([*_PLAIN, "wrong core", *_DETAILED])
    raise UsageError(f"simulated fault {fault!r} is not known", hint=f"Allowed are: {known}.")


def _wrong(fault: str, why: str) -> UsageError:
    return UsageError(
        f"simulated fault {fault!r}: {why}", hint='Write it as, for example, "turns: 31" or "cracked core: 0.1 mm".'
    )


def _number(text: str, fault: str) -> int:
    if not _WHOLE.match(text) or int(text) < 1:
        raise _wrong(fault, f"{text!r} is not a whole number from 1 to 9999")
    return int(text)


def _quantity(text: str, unit: str, fault: str, default: float) -> float:
    value = parse_quantity(text, unit, f"simulated fault {fault!r}") if text else default
    if value <= 0:
        raise _wrong(fault, f"{text!r} is not above 0 {unit}")
    return value


def _double_termination(circuit: SamplerCircuit, fault: str) -> SamplerCircuit:
    inside = circuit.internal_resistor
    both = TEE_LOAD if inside is None else inside * TEE_LOAD / (inside + TEE_LOAD)
    return replace(circuit, internal_resistor=both)


def _termination_missing(circuit: SamplerCircuit, fault: str) -> SamplerCircuit:
    if circuit.internal_resistor is None:
        raise _wrong(fault, "the type has no resistor inside that could be missing")
    return replace(circuit, internal_resistor=None)


def _other_core(core: str) -> str:
    size = core.partition("-")[0] + "-" + core.split("-")[1]
    return f"{size}-generic-2000" if core.endswith("generic-125") else f"{size}-generic-125"


def _turns(circuit: SamplerCircuit, rest: str, fault: str) -> SamplerCircuit:
    """Return it with other turns; what the winding brings with it (leakage, capacitance, wire) changes as it would."""
    turns = _number(rest, fault)
    ratio = turns / circuit.turns
    return replace(
        circuit,
        turns=float(turns),
        winding_leakage=circuit.winding_leakage * ratio**2,
        winding_capacitance=circuit.winding_capacitance * ratio,
        winding_resistance=circuit.winding_resistance * ratio,
    )


def _cracked_core(circuit: SamplerCircuit, rest: str, fault: str) -> SamplerCircuit:
    return replace(circuit, core_gap=_quantity(rest, "m", fault, DEFAULT_GAP))


def _shorted_turns(circuit: SamplerCircuit, rest: str, fault: str) -> SamplerCircuit:
    turns = _number(rest or "1", fault)
    if turns >= circuit.turns:
        raise _wrong(fault, f"the winding has only {circuit.turns:g} turns")
    return replace(circuit, shorted_turns=float(turns))


def _joint(circuit: SamplerCircuit, rest: str, fault: str) -> SamplerCircuit:
    where, _, size = (part.strip() for part in rest.partition(","))
    if where not in _JOINTS:
        raise _wrong(fault, f"where it is must be one of {', '.join(_JOINTS)}")
    changed = {_JOINTS[where]: _quantity(size, "Ω", fault, DEFAULT_JOINT)}
    return replace(circuit, **changed)  # type: ignore[arg-type]  # a float field


def _resistor(circuit: SamplerCircuit, rest: str, fault: str) -> SamplerCircuit:
    """Return it with the inside resistor, or else the first one between winding and port, out of value."""
    if circuit.internal_resistor is not None:
        return replace(circuit, internal_resistor=_quantity(rest, "Ω", fault, 1.3 * circuit.internal_resistor))
    if circuit.pad is not None:
        return replace(circuit, pad=replace(circuit.pad, first=_quantity(rest, "Ω", fault, 1.3 * circuit.pad.first)))
    raise _wrong(fault, "the type has no resistor inside")


def _mismatch(circuit: SamplerCircuit, rest: str, fault: str) -> SamplerCircuit:
    impedance = _quantity(rest, "Ω", fault, DEFAULT_MISMATCH)
    place = Mismatch(impedance=impedance, length=MISMATCH_LENGTH, position=circuit.line_before.length / 2)
    return replace(circuit, mismatch=place)


_PLAIN: dict[str, Callable[[SamplerCircuit, str], SamplerCircuit]] = {
    "double termination": _double_termination,
    "termination missing": _termination_missing,
    "braid grounded at both ends": lambda circuit, fault: replace(circuit, braid="both ends"),
    "braid grounded at neither end": lambda circuit, fault: replace(circuit, braid="neither end"),
    "open winding": lambda circuit, fault: replace(circuit, winding_open=True),
}
_DETAILED: dict[str, Callable[[SamplerCircuit, str, str], SamplerCircuit]] = {
    "turns": _turns,
    "cracked core": _cracked_core,
    "shorted turns": _shorted_turns,
    "high-resistance joint": _joint,
    "resistor out of value": _resistor,
    "line mismatch": _mismatch,
}
FAULTS = (*_PLAIN, "wrong core", *_DETAILED)
"""The names of all faults that a simulated unit can have."""
