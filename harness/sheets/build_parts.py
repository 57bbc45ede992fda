"""The parts list and the winding instruction of a build sheet, from a design and its parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, log10

from markupsafe import Markup

from harness.quantities import show_power
from harness.sampler.build import WIRE_PER_TURN, wire_length_per_turn
from harness.sampler.closed_form import turns_in_one_layer
from harness.sampler.design import Design
from harness.sampler.design.made import CorePart, Made
from harness.sampler.design.result import ResistorStress
from harness.sheets.ohmmeter import TAILS
from harness.sheets.wiring_drawing import winding_picture

GAP_DEGREES = 30.0


@dataclass(frozen=True)
class PartLine:
    """One line of the list: how many, what, and what it must be."""

    count: str
    what: str
    detail: str


@dataclass(frozen=True)
class WindingSteps:
    """How the winding is made, or both: heading, steps in order, and a picture of each core whose size is known."""

    heading: str
    steps: tuple[str, ...]
    pictures: tuple[Markup, ...]


def part_lines(design: Design, made: Made) -> tuple[PartLine, ...]:
    """Return the parts list."""
    build, wish = design.build, design.wish
    lines = _core_lines(made)
    bare, overall = made.wire.bare_diameter * 1e3, made.wire.overall_diameter.value * 1e3
    wire = f"enamelled, {bare:.3f} mm bare, {overall:.3f} mm over the enamel"
    lines.append(PartLine(f"{_wire_needed(made):.1f} m", f"AWG {build.wire_awg}", wire))
    line = f"{wish.line_length * 1e3:g} mm from connector to connector, ⌀ {made.cable.outer_diameter.value * 1e3:g} mm"
    lines.append(
        PartLine("1", build.line, line + (f", sleeve to ⌀ {design.winding.line_diameter * 1e3:.1f} mm" if wish.sleeve else ""))
    )
    lines.append(PartLine("2", build.line_connectors, "sockets: line in and line out"))
    lines.append(PartLine("1", build.sample_connector, "socket: sample"))
    lines += _resistor_lines(design.stress.resistors)
    lines.append(PartLine("1", "box", "metal, with lid and screws; it is the ground"))
    if design.sample.attenuator_db:
        port = design.sample
        detail = f"outside, at the instrument; made for {show_power(port.attenuator_watts)}"
        lines.append(PartLine("1", f"{port.attenuator_db:g} dB attenuator", detail))
    return tuple(lines)


def _core_detail(core: CorePart) -> str:
    size = core.geometry
    factor = f"A_L {core.a_l * 1e9:.0f} nH/turn²"
    if size is None:
        return f"toroid, {factor}"
    each = size.height / core.stack
    stacked = ", glued one on the other" if core.stack > 1 else ""
    return f"toroid {size.outer_diameter * 1e3:.2f} × {size.inner_diameter * 1e3:.2f} × {each * 1e3:.2f} mm{stacked}, {factor}"


def _core_lines(made: Made) -> list[PartLine]:
    """Return a line for each kind of core."""
    counts: dict[str, int] = {}
    for core in made.cores:
        counts[core.name] = counts.get(core.name, 0) + core.stack
    details = {core.name: _core_detail(core) for core in reversed(made.cores)}
    return [PartLine(str(count), name, details[name]) for name, count in counts.items()]


def _resistor_lines(resistors: Sequence[ResistorStress]) -> list[PartLine]:
    """Return a line for each value and kind."""
    alike: dict[tuple[float, str | None, int], list[str]] = {}
    for one in resistors:
        if one.ohm:
            alike.setdefault((one.ohm, one.kind, one.count), []).append(one.name)
    lines = []
    for (ohm, kind, count), names in alike.items():
        each = f", {count} together make one" if count > 1 else ""
        detail = f"{' and '.join(names)}; {kind or 'no kind of the tables bears it'}{each}, non-inductive"
        lines.append(PartLine(str(max(count, 1) * len(names)), f"{ohm:g} Ω", detail))
    return lines


def _wire_needed(made: Made) -> float:
    """Return the wire for all windings in m, with their tails, rounded up to a tenth."""
    total = sum(_wire(made, place) for place in range(len(made.cores)))
    return ceil(total * 10 - 1e-9) / 10


def _wire(made: Made, place: int) -> float:
    size = made.cores[place].geometry
    per_turn = WIRE_PER_TURN if size is None else wire_length_per_turn(size, made.wire.overall_diameter.value)
    return per_turn * made.turns[place] + TAILS


def winding_steps(made: Made) -> WindingSteps:
    """Return how the winding is made, or both windings."""
    pictures = tuple(picture for place in range(len(made.cores)) if (picture := _picture(made, place)) is not None)
    if len(made.turns) == 1:
        return WindingSteps(f"{made.turns[0]} turns on {_stacked(made.cores[0])}", _steps_of_one(made), pictures)
    heading = " and ".join(f"{turns} turns on {_stacked(core)}" for turns, core in zip(made.turns, made.cores, strict=True))
    return WindingSteps(f"Two windings: {heading}", _steps_of_two(made), pictures)


def _stacked(core: CorePart) -> str:
    return core.name if core.stack == 1 else f"{core.stack} × {core.name}"


def _steps_of_one(made: Made) -> tuple[str, ...]:
    turns, gap = made.turns[0], gap_of(made, 0)
    spread = "evenly, in one layer" + ("" if gap is None else f", with a gap of about {gap:.0f}° between the ends")
    return (
        f"Cut {_wire(made, 0) * 100:.0f} cm of AWG {made.build.wire_awg}; 50 mm of it stay as a tail at each end.",
        f"Each pass of the wire through the hole is one turn. Make {turns} passes, {spread}.",
        f"Count again, on the inside: one turn more or less is {_one_turn_db(turns):.2f} dB.",
        "The line goes through the middle of the hole once: that is its one turn.",
    )


def _steps_of_two(made: Made) -> tuple[str, ...]:
    (first, second), wire = made.turns, made.build.wire_awg
    lengths = [_wire(made, place) * 100 for place in (0, 1)]
    one = [_one_turn_db(turns) for turns in made.turns]
    return (
        f"Cut {lengths[0]:.0f} cm and {lengths[1]:.0f} cm of AWG {wire}; 50 mm of each stay as a tail at each end.",
        f"Each pass of the wire through the hole is one turn. Make {first} passes on the first core and {second} on the second, "
        "evenly, in one layer.",
        f"Count again, on the inside: one turn is {one[0]:.2f} dB on the first core, {one[1]:.2f} dB on the second.",
        "The line goes through the first core once. The first winding's wire goes through the second core once, then to ground.",
    )


def _one_turn_db(turns: int) -> float:
    return 20 * log10((turns + 1) / turns)


def gap_of(made: Made, place: int) -> float | None:
    """Return the gap in degrees to leave between the ends: 30° where the turns leave it, else what they leave."""
    size = made.cores[place].geometry
    if size is None:
        return None
    most = turns_in_one_layer(made.wire.overall_diameter.value, size.inner_diameter)
    left = 360.0 * (1 - made.turns[place] / most) if most else 0.0
    return max(0.0, min(GAP_DEGREES, left))


def _picture(made: Made, place: int) -> Markup | None:
    size, gap = made.cores[place].geometry, gap_of(made, place)
    if size is None or gap is None:
        return None
    wire = made.wire.overall_diameter.value
    across = 20.0 if len(made.cores) == 1 else 14.5
    return winding_picture(
        made.turns[place], size.outer_diameter, size.inner_diameter, wire, gap, name=f"winding-{place + 1}", across=across
    )
