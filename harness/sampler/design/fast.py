"""The sampler solved in one line of algebra for many units at once: what search, stress and yield need.

The full model (``network.three_port``) has the braid as a conductor of its own. A healthy unit's braid is bonded at line in, so
here it is ground; then the ampere-turns through the core are the current at line out (the braid carries what the line behind
the core takes as charge), and the winding with everything behind it is one impedance in series with the line::

    Z_s = 1/(Y_m + N²/(Z_w + 1/Y_L))

Y_m: one-turn admittance of the core; Z_w: leakage and resistance of the winding; Y_L: what the winding sees (its capacitance, a
second transformer or not, resistors, the port). What strays into the winding from the centre conductor and from the braid's
free end is a current fed to its end. All values may be arrays that broadcast against each other; frequency is the last axis.
Left out: what the braid's small voltage does to the line. Tests hold it against the full model.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.sampler.circuit import LineSection, Pad, SamplerCircuit
from harness.sampler.network import LIGHT

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Values = float | Floats
Z0 = 50.0


@dataclass(frozen=True, kw_only=True)
class Transformer:
    """One core with its winding, as values or arrays. ``core_y``: one-turn admittance of the core in S, last axis frequency.

    ``leak_l``, ``loop_l``: H in the one-turn conductor, its own and that of the loop through the box; ``capacitance``: F from
    the winding's end to ground, strays included; ``stray``, ``to_braid``: F of it to the centre conductor and to the braid.
    """

    turns: Values
    core_y: Complexes
    leak_l: Values
    loop_l: Values
    leakage: Values
    resistance: Values
    skin_frequency: float
    capacitance: Values
    stray: Values = 0.0
    to_braid: Values = 0.0
    braid_resistance: Values = 0.0

    def winding_impedance(self, omega: Floats) -> Complexes:
        """Return Z_w in Ω."""
        skin = np.sqrt(1 + omega / (2 * np.pi * self.skin_frequency))
        return np.asarray(self.resistance * skin + 1j * omega * self.leakage, dtype=np.complex128)


@dataclass(frozen=True)
class Resistors:
    """Resistors behind the winding in Ω, as values or arrays: across it, then a pad (or a low value and its series)."""

    inside: Values | None = None
    pad_kind: str | None = None
    first: Values = 0.0
    second: Values = 0.0
    third: Values = 0.0


@dataclass(frozen=True, kw_only=True)
class Unit:
    """A unit, or many: the line's halves, one transformer or two in cascade, resistors, capacitance across the port in F."""

    before: LineSection
    after: LineSection
    first: Transformer
    second: Transformer | None = None
    resistors: Resistors = Resistors()
    port_capacitance: Values = 0.0


def transformer_of(circuit: SamplerCircuit, frequency_hz: Floats) -> Transformer:
    """Return the transformer of a healthy circuit (braid grounded at line in, no fault)."""
    return Transformer(
        turns=circuit.turns,
        core_y=circuit.core.admittance(frequency_hz) / circuit.core_factor,
        leak_l=circuit.primary_leakage,
        loop_l=circuit.braid_loop_inductance,
        leakage=circuit.winding_leakage,
        resistance=circuit.winding_resistance,
        skin_frequency=circuit.winding_skin_frequency,
        capacitance=circuit.winding_capacitance + circuit.stray_capacitance + circuit.braid_winding_capacitance,
        stray=circuit.stray_capacitance,
        to_braid=circuit.braid_winding_capacitance,
        braid_resistance=circuit.braid_resistance,
    )


def resistors_of(inside: float | None, pad: Pad | None) -> Resistors:
    """Return the resistors of a circuit."""
    if pad is None:
        return Resistors(inside)
    return Resistors(inside, pad.kind, pad.first, pad.second, pad.third)


def unit_of(circuit: SamplerCircuit, frequency_hz: Floats, second: SamplerCircuit | None = None) -> Unit:
    """Return the unit of a circuit, with another behind its winding or not; the last one holds the resistors and the port."""
    last = circuit if second is None else second
    return Unit(
        before=circuit.line_before,
        after=circuit.line_after,
        first=transformer_of(circuit, frequency_hz),
        second=None if second is None else transformer_of(second, frequency_hz),
        resistors=resistors_of(last.internal_resistor, last.pad),
        port_capacitance=last.sample_capacitance,
    )


def load_ohm(resistors: Resistors) -> float:
    """Return R_p in Ω: what the winding sees at low frequency with 50 Ω on the sample port; one unit, not many."""
    return float(1 / np.real(_behind(resistors, np.array([1 / Z0 + 0j])).admittance[0]))


@dataclass(frozen=True)
class Solved:
    """Everything for one incident wave of 1 √W at line in; shapes broadcast, last axis frequency. Volts and amperes r.m.s.

    ``s11``, ``s21``: of the line as terminated; ``port_volts``: at the sample port; ``volts_per_turn`` and ``winding_volts``,
    ``winding_current``: of each transformer, first then second; ``resistor_watts``: inside, then the pad's in order;
    ``series``: Z_s in Ω.
    """

    s11: Complexes
    s21: Complexes
    port_volts: Complexes
    volts_per_turn: tuple[Complexes, ...]
    winding_volts: tuple[Complexes, ...]
    winding_current: tuple[Complexes, ...]
    resistor_watts: tuple[Floats, ...]
    series: Complexes

    @property
    def s31(self) -> Complexes:
        """Return the wave out of the sample port; meant for a port that is loaded with 50 Ω."""
        return np.asarray(self.port_volts / np.sqrt(Z0), dtype=np.complex128)


class _Behind(NamedTuple):
    """What the winding sees: its admittance, the port's volts for one volt on the winding, each resistor's watts for that."""

    admittance: Complexes
    port: Complexes
    watts: tuple[Complexes | Floats, ...]


def _behind(resistors: Resistors, port_y: Complexes) -> _Behind:
    one = np.ones_like(port_y)
    admittance, ratio, watts = port_y, one, []
    if resistors.pad_kind == "tee":
        middle = 1 / resistors.second + port_y / (1 + resistors.third * port_y)
        at_middle = 1 / (1 + resistors.first * middle)
        ratio = at_middle / (1 + resistors.third * port_y)
        admittance = middle * at_middle
        watts = [
            np.abs(1 - at_middle) ** 2 / resistors.first,
            np.abs(at_middle) ** 2 / resistors.second,
            np.abs(at_middle - ratio) ** 2 / resistors.third,
        ]
    elif resistors.pad_kind is not None:
        end = port_y + (1 / resistors.third if resistors.pad_kind == "pi" else 0.0)
        ratio = 1 / (1 + resistors.second * end)
        admittance = 1 / resistors.first + end * ratio
        current = np.abs(end * ratio) ** 2
        watts = [one.real / resistors.first, current * resistors.second]
        watts += [np.abs(ratio) ** 2 / resistors.third] if resistors.pad_kind == "pi" else []
    if resistors.inside is not None:
        admittance = admittance + 1 / resistors.inside
        watts = [one.real / resistors.inside, *watts]
    return _Behind(np.asarray(admittance, dtype=np.complex128), np.asarray(ratio, dtype=np.complex128), tuple(watts))


def _line(line: LineSection, omega: Floats) -> tuple[Complexes, Complexes, Complexes, Complexes]:
    """Return the chain matrix of a line section; loss as series resistance, as in the full model."""
    per_metre = omega / (LIGHT * line.velocity_factor)
    nepers = line.loss_db_per_m / (20 / np.log(10)) * (omega / (2 * np.pi * line.loss_frequency)) ** line.loss_exponent
    series, shunt = (2 * nepers + 1j * per_metre) * line.impedance, 1j * per_metre / line.impedance
    angle, impedance = np.sqrt(series * shunt) * line.length, np.sqrt(series / shunt)
    cosh, sinh = np.cosh(angle), np.sinh(angle)
    return cosh, impedance * sinh, sinh / impedance, cosh


class _Seen(NamedTuple):
    """A transformer with its load, seen from one turn: Y_L, Z_w, 1 + Z_w·Y_L, and the admittance Y_m + N²·Y_L/(1 + Z_w·Y_L)."""

    load: Complexes
    inner: Complexes
    divider: Complexes
    admittance: Complexes


def _seen(transformer: Transformer, load: Complexes, omega: Floats) -> _Seen:
    load = np.asarray(load + 1j * omega * transformer.capacitance, dtype=np.complex128)
    inner = transformer.winding_impedance(omega)
    divider = 1 + inner * load
    return _Seen(load, inner, divider, np.asarray(transformer.core_y + transformer.turns**2 * load / divider))


class _Wound(NamedTuple):
    """Volts per turn, volts across the winding, current in it."""

    per_turn: Complexes
    volts: Complexes
    current: Complexes


def _wound(transformer: Transformer, seen: _Seen, amps: Complexes, fed: Complexes, fed_per_turn: Complexes) -> _Wound:
    """Return the winding's state for the current ``amps`` through the core and the current fed to the winding's end.

    That current is ``fed`` + ``fed_per_turn`` times the volts per turn.
    """
    turns, divider = transformer.turns, seen.divider
    per_turn = (amps + turns * fed / divider) / (seen.admittance - turns * fed_per_turn / divider)
    into = fed + fed_per_turn * per_turn
    volts = (turns * per_turn + seen.inner * into) / divider
    return _Wound(np.asarray(per_turn), np.asarray(volts), np.asarray(volts * seen.load - into))


def _primary(unit: Unit, seen: _Seen, omega: Floats, volts: Complexes, amps_core: Complexes, amps_out: Complexes) -> _Wound:
    """Return the first winding's state: ``volts`` and ``amps_core`` on the centre conductor behind the core."""
    first = unit.first
    in_loop = 1j * omega * first.loop_l * amps_out
    at_core = volts + (in_loop + 1j * omega * first.leak_l * amps_core) / 2
    braid_end = -(in_loop + first.braid_resistance * (amps_out - amps_core))
    fed = 1j * omega * (first.stray * at_core + first.to_braid / 2 * braid_end)
    return _wound(first, seen, amps_out, fed, np.asarray(0.5j * omega * (first.stray - first.to_braid)))


class _AtLine(NamedTuple):
    """Incident and reflected wave at line in, and the state of the first winding, for 1 √W out of line out."""

    incident: Complexes
    reflected: Complexes
    wound: _Wound


def _from_line_out(unit: Unit, seen: _Seen, omega: Floats, gamma: Complexes) -> _AtLine:
    volts_out, amps_out = np.sqrt(Z0) * (1 + gamma), (1 - gamma) / np.sqrt(Z0)
    a, b, c, d = _line(unit.after, omega)
    volts, amps = a * volts_out + b * amps_out, c * volts_out + d * amps_out
    wound = _primary(unit, seen, omega, volts, amps, amps_out)
    volts = volts + wound.per_turn + 1j * omega * (unit.first.leak_l * amps + unit.first.loop_l * amps_out)
    a, b, c, d = _line(unit.before, omega)
    volts, amps = a * volts + b * amps, c * volts + d * amps
    return _AtLine((volts + Z0 * amps) / (2 * np.sqrt(Z0)), (volts - Z0 * amps) / (2 * np.sqrt(Z0)), wound)


def _scaled(wound: _Wound, by: Complexes) -> _Wound:
    return _Wound(wound.per_turn * by, wound.volts * by, wound.current * by)


def solve(unit: Unit, frequency_hz: Floats, *, port_y: Complexes | float = 1 / Z0, line_gamma: Complexes | float = 0.0) -> Solved:
    """Return waves, volts, currents and heat for 1 √W incident at line in.

    ``port_y``: admittance on the sample port in S (0: nothing there); ``line_gamma``: reflection of the load on line out. Both
    may be arrays that broadcast with the unit's values; frequency in Hz is the last axis.
    """
    omega = 2 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    behind = _behind(unit.resistors, np.asarray(port_y + 1j * omega * unit.port_capacitance, dtype=np.complex128))
    load, later = behind.admittance, None
    if unit.second is not None:
        later = _seen(unit.second, load, omega)
        load = np.asarray(1 / (1j * omega * (unit.second.leak_l + unit.second.loop_l) + 1 / later.admittance))
    seen = _seen(unit.first, load, omega)
    line = _from_line_out(unit, seen, omega, np.asarray(line_gamma, dtype=np.complex128))
    windings = [_scaled(line.wound, 1 / line.incident)]
    if later is not None and unit.second is not None:
        none = np.zeros_like(load)
        windings.append(_wound(unit.second, later, windings[0].volts * load, none, none))
    last = np.abs(windings[-1].volts) ** 2
    return Solved(
        s11=np.asarray(line.reflected / line.incident),
        s21=np.asarray(1 / line.incident),
        port_volts=np.asarray(windings[-1].volts * behind.port),
        volts_per_turn=tuple(one.per_turn for one in windings),
        winding_volts=tuple(one.volts for one in windings),
        winding_current=tuple(one.current for one in windings),
        resistor_watts=tuple(np.asarray(last * np.real(share), dtype=np.float64) for share in behind.watts),
        series=np.asarray(1 / seen.admittance),
    )
