"""What an ohmmeter must show at each stage of a build, computed from the build's values.

The winding's wire is a few hundredths of an ohm. Once it is joined to a resistor it shorts it for direct current, so a resistor
has to be measured before that.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.sampler.build import wire_length_per_turn, wire_resistance
from harness.sampler.circuit import Pad
from harness.sampler.closed_form import wire_diameter
from harness.sampler.design import Build
from harness.sampler.design.made import Made

TAILS = 0.1
"""Two tails of 50 mm, m."""
RESISTOR_TOLERANCE = 0.01
OPEN = "open"
"""Above 1 MΩ."""
CLOSED = "0 Ω"
"""As the probes held together."""


@dataclass(frozen=True)
class MeterCheck:
    """One reading: when to take it, between what, what it must show, and what is wrong where it does not."""

    when: str
    between: str
    expect: str
    else_: str


def ohms(value: float) -> str:
    """Return "0.05 Ω", "49.5 Ω", "1.8 kΩ": two or three digits, as a meter shows them."""
    if value >= 1000:
        return f"{value / 1000:.3g} kΩ"
    return f"{value:.2f} Ω" if value < 1 else f"{value:.3g} Ω"


def _within(value: float, share: float) -> str:
    return f"{ohms(value * (1 - share)).removesuffix(' Ω')} to {ohms(value * (1 + share))}"


def winding_resistances(made: Made) -> tuple[float, ...]:
    """Return the direct-current resistance of each winding with its tails, in Ω at 20 °C."""
    bare, overall = wire_diameter(made.build.wire_awg), made.wire.overall_diameter.value
    found = []
    for turns, core in zip(made.turns, made.cores, strict=True):
        per_turn = 0.02 if core.geometry is None else wire_length_per_turn(core.geometry, overall)
        found.append(wire_resistance(turns * per_turn + TAILS, bare))
    return tuple(found)


def parallel(*values: float) -> float:
    """Return resistors in parallel, Ω; a zero shorts them all."""
    return 0.0 if 0.0 in values else 1 / sum(1 / value for value in values)


def port_resistance(build: Build, winding: float | None) -> float | None:
    """Return what an ohmmeter shows from the sample port's centre to ground, Ω; ``winding`` None: not joined yet.

    None where nothing but the winding leads to ground and it is not joined.
    """
    shunts = [value for value in (build.internal_ohm, winding) if value is not None]
    pad: Pad | None = build.pad
    if pad is not None and pad.kind == "pi":
        return parallel(pad.third, pad.second + parallel(pad.first, *shunts))
    if build.shunt_ohm is not None:
        return (build.series_ohm or 0.0) + parallel(build.shunt_ohm, *shunts)
    return parallel(*shunts) if shunts else None


def meter_checks(made: Made, braid_end: str, tolerance: float = RESISTOR_TOLERANCE) -> tuple[MeterCheck, ...]:
    """Return the readings of a build in the order of the work. ``tolerance``: of the resistors, as a share."""
    build, windings = made.build, winding_resistances(made)
    return (
        *_windings(windings),
        MeterCheck("braid not soldered yet", "braid – box", OPEN, "a shorted turn: free it"),
        MeterCheck(f"soldered at {braid_end}", "braid – box", CLOSED, "dry joint"),
        *_resistors(build, windings[-1], tolerance),
        *_lid_open(build, windings[-1], tolerance),
    )


def _windings(windings: tuple[float, ...]) -> tuple[MeterCheck, ...]:
    when = "winding wound" if len(windings) == 1 else "both windings wound"
    each = " and ".join(ohms(value) for value in windings)
    return (
        MeterCheck(when, "end – end", each, "broken, or enamel left"),
        MeterCheck(when, "wire – core", OPEN, "enamel scraped through"),
    )


def _resistors(build: Build, winding: float, tolerance: float) -> tuple[MeterCheck, ...]:
    """The reading that is possible only before the winding is joined."""
    before = port_resistance(build, None)
    if before is None:
        return ()
    after = port_resistance(build, winding) or 0.0
    gone = "later the winding shorts it" if after < 1 else f"later it is {ohms(after)}"
    return (MeterCheck("winding not joined yet", "sample – box", _within(before, tolerance), f"wrong value; {gone}"),)


def _lid_open(build: Build, winding: float, tolerance: float) -> tuple[MeterCheck, ...]:
    port = port_resistance(build, winding) or 0.0
    expect = ohms(port) if port < 1 else _within(port, tolerance)
    return (
        MeterCheck("before the lid", "sample – box", expect, "dry joint"),
        MeterCheck("before the lid", "line in – line out", CLOSED, "joint at connector"),
        MeterCheck("before the lid", "line – box", OPEN, "strand of braid"),
    )
