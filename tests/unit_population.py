"""The reference units of ``fixtures/units``: what was intended, what is true, and the three-port the circuit solver found.

``population()`` reads ``index.json`` and ``units.npz`` once. ``measured(unit)`` gives what a bench would show of a unit, seeded
by its place in the index. Groups: "healthy", "fault" (one fault), "two faults". A single fault whose ``separation`` is small
cannot be told from a build tolerance by anyone: see ``Unit.visible``.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fixtures.units.measure import Measured, Quality, measure
from harness.records import SamplerType, parse_type
from harness.sampler import Core, SamplerCircuit, find_core, nominal_circuit, parse_cables, parse_cores, parse_materials
from harness.sampler.closed_form import ideal_coupling_db

FOLDER = Path(__file__).parent.parent / "fixtures" / "units"
VISIBLE = 3.0
"""Standard deviations between a faulty unit and the nearest healthy one from which a fault can be asked for."""
LINE_LENGTH = 0.05
"""m of coax through a unit: what its builder intended."""

_TYPE = """
[type]
name = "reference"

[build]
turns = {turns}
core = "{core}"
wire_awg = {wire_awg}
line = "{line}"
termination = "{termination}"
{inside}
line_connectors = "{line_connectors}"
sample_connector = "{sample_connector}"

[band]
low = "1.8 MHz"
high = "54 MHz"

[use]
line_power = "100 W"

[tolerance]
coupling = "{coupling:.3f} dB"
coupling_error = "1 dB"
flatness = "0.5 dB"
return_loss = "25 dB"
insertion_loss = "0.2 dB"
"""


@dataclass(frozen=True)
class Unit:
    """One reference unit. ``s``: the true three-port, (51, 3, 3), on the population's grid, ports line in, line out, sample.

    ``intended``: keys of ``[build]`` and "material" (the class). ``faults``: none, one or two names. ``changed``: what the faults
    changed in the network, by part; ``parts``: every part of the network. ``separation`` (two sweeps, four sweeps): standard
    deviations from the nearest healthy unit. ``class_separation``: the same from the nearest core of another material class,
    None for faulty units.
    """

    id: str
    number: int
    group: str
    intended: Mapping[str, Any]
    faults: tuple[str, ...]
    changed: Mapping[str, Any]
    parts: Mapping[str, Any] = field(repr=False)
    separation: tuple[float, float]
    class_separation: tuple[float, float] | None
    s: NDArray[np.complex128] = field(repr=False)

    @property
    def turns(self) -> int:
        """The turns that are really on the core (shorted ones counted)."""
        return int(self.parts["turns"])

    @property
    def material(self) -> str:
        """The class of the core that is really there."""
        return str(self.parts["material"])

    @property
    def termination(self) -> str:
        """Where the winding's load really is: "internal" with a resistor (or a second load) in the unit, else "external"."""
        inside = self.parts["resistor"] is not None or self.parts.get("tee_resistor") is not None
        return "internal" if inside else "external"

    @property
    def where(self) -> str | None:
        """Where a high-resistance joint is: "line in", "line out", "sample", "winding"; None without one."""
        joints = [name.removeprefix("joint_").replace("_", " ") for name in self.changed if name.startswith("joint_")]
        return joints[0] if joints else None

    def visible(self, sweeps: int = 4) -> bool:
        """Tell whether the fault stands VISIBLE standard deviations from health with 4 sweeps, or with 2 (line, coupled)."""
        return self.separation[1 if sweeps == 4 else 0] >= VISIBLE


@dataclass(frozen=True)
class Population:
    """All units, in the order of the index, and how they were made."""

    frequency_hz: NDArray[np.float64] = field(repr=False)
    units: tuple[Unit, ...] = field(repr=False)
    origin: str
    date: str
    seed: int

    def group(self, name: str) -> tuple[Unit, ...]:
        """Return the units of a group."""
        return tuple(unit for unit in self.units if unit.group == name)

    def with_fault(self, fault: str) -> tuple[Unit, ...]:
        """Return the units with this fault alone."""
        return tuple(unit for unit in self.units if unit.faults == (fault,))


@cache
def population() -> Population:
    """Return the committed population. ValueError where index and arrays do not fit each other."""
    index = json.loads((FOLDER / "index.json").read_text(encoding="utf-8"))
    with np.load(FOLDER / "units.npz", allow_pickle=False) as arrays:
        grid, entries = arrays["frequency_hz"], arrays["entries"].astype(np.complex128)
    if entries.shape != (len(index["units"]), grid.size, 6):
        raise ValueError(f"{len(index['units'])} units in the index, arrays of shape {entries.shape}")
    pairs = [(int(name[1]) - 1, int(name[2]) - 1) for name in index["entries"]]
    s = np.empty((*entries.shape[:2], 3, 3), dtype=np.complex128)
    for number, (row, column) in enumerate(pairs):
        s[..., row, column] = s[..., column, row] = entries[..., number]
    units = tuple(_unit(number, line, s[number]) for number, line in enumerate(index["units"]))
    return Population(grid, units, index["origin"], index["date"], index["seed"])


def _unit(number: int, line: Mapping[str, Any], s: NDArray[np.complex128]) -> Unit:
    apart = line["class_separation"]
    return Unit(
        id=line["id"],
        number=number,
        group=line["group"],
        intended=line["intended"],
        faults=tuple(line["faults"]),
        changed=line["changed"],
        parts=line["parts"],
        separation=(line["separation"][0], line["separation"][1]),
        class_separation=None if apart is None else (apart[0], apart[1]),
        s=s,
    )


def measured(unit: Unit, run: int = 0, *, bench: Quality | None = None, two_path: bool = False) -> Measured:
    """Return the four corrected sweeps of a unit and the terminations; another ``run`` is another bench."""
    return measure(unit.s, population().frequency_hz, 1000 * unit.number + run, bench=bench, two_path=two_path)


def type_of(unit: Unit) -> SamplerType:
    """Return the type that the builder of the unit meant."""
    intended = unit.intended
    inside = "" if intended["internal_ohm"] is None else f"internal_ohm = {intended['internal_ohm']:g}"
    load = 50.0 if intended["internal_ohm"] is None else 25.0
    text = _TYPE.format(**intended, inside=inside, coupling=ideal_coupling_db(intended["turns"], load))
    return parse_type(text, f"the type of {unit.id}")


def intended_core(unit: Unit) -> Core:
    """Return the core that should be in the unit, by the program's tables."""
    return find_core(unit.intended["core"], parse_cores(_table("cores")), parse_materials(_table("materials")))


def intended_circuit(unit: Unit) -> SamplerCircuit:
    """Return the program's nominal circuit of what was intended."""
    intended = unit.intended
    line = parse_cables(_table("cables"))[intended["line"]].line(LINE_LENGTH)
    return nominal_circuit(
        turns=intended["turns"],
        core=intended_core(unit),
        wire_awg=intended["wire_awg"],
        line_length=LINE_LENGTH,
        line_loss_db_per_m=line.loss_db_per_m,
        termination=intended["termination"],
    )


@cache
def _table(name: str) -> str:
    return files("harness.data").joinpath(f"{name}.toml").read_text(encoding="utf-8")
