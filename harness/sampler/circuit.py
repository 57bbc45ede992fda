"""The sampler as a circuit: one frozen value with every part a builder can get right or wrong.

Decisions that others rely on:

- SI units throughout (m, Ω, H, F, Hz); every field is keyword-only; vary a circuit with ``dataclasses.replace``.
- Ports are line in, line out, sample (1, 2, 3). The winding's dot is chosen so that S31 of an ideal core is positive and
  S32 = −S31.
- ``turns`` may be fractional, so that a fit can move it.
- ``three_port`` (module ``network``) solves the circuit; ``nominal_circuit`` (module ``build``) makes one from build facts.

The circuit, from line in to line out::

    in ─ joint ─ line_before ─┬─ primary_leakage ─ loop ─ core, 1 turn ─┬─ line_after ─ joint ─ out      (centre conductor)
                            C stray                                   C stray
    ground? ─ lead ─ B1 ───────── braid_resistance ─ loop ─ core, 1 turn ─ B2 ─ lead ─ ground?           (braid)

Each line section stands between the centre conductor and the braid at its own side of the core (B1 or B2). ``loop`` is one
inductance, ``braid_loop_inductance``, carrying the sum of centre and braid current: both run through the same loop that the
box closes. The winding, cold end on ground::

    core, N turns ─ winding_resistance ─ winding_leakage ─ W ─ winding_joint (or break) ─ internal_resistor ─ pad ─ joint ─ sample

with these capacitances: ``winding_capacitance`` from W to ground; ``stray_capacitance``, half from W to the centre conductor
on each side of the core; ``braid_winding_capacitance``, half from W to B1 and half to B2; ``braid_ground_capacitance``, half
from B1 and half from B2 to ground; ``sample_capacitance`` across the sample connector. A lead is ``braid_lead_resistance``
and ``braid_lead_inductance``, the part of the braid's bond that the centre conductor does not share. The wire's resistance is
winding_resistance·sqrt(1 + f/winding_skin_frequency): constant by default.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from harness.errors import UsageError
from harness.sampler.core import Core, IdealCore, InductanceCore

Braid = Literal["one end", "both ends", "neither end"]
LineEnd = Literal["line in", "line out"]
PadKind = Literal["pi", "tee", "ell"]


def _check(what: str, value: float, *, least: float = 0.0, above: bool = False) -> None:
    """Raise UsageError unless ``value`` is finite and at least (or above) ``least``."""
    if math.isfinite(value) and (value > least or (value == least and not above)):
        return
    word = "above" if above else "at least"
    raise UsageError(f"{what}: {value!r} is not {word} {least:g}", hint="Give a finite number in SI units.")


@dataclass(frozen=True, kw_only=True)
class LineSection:
    """A piece of coaxial line: impedance Ω, length m, velocity factor, loss dB/m at ``loss_frequency`` Hz.

    The loss is put into the series resistance per metre, R′ = 2·Z0·α, and goes with (f/loss_frequency)**loss_exponent:
    0.5 is the skin effect, 0 a constant resistance.
    """

    impedance: float = 50.0
    length: float = 0.025
    velocity_factor: float = 0.695
    loss_db_per_m: float = 0.088
    loss_frequency: float = 50e6
    loss_exponent: float = 0.5

    def __post_init__(self) -> None:
        _check("line impedance (Ω)", self.impedance, above=True)
        _check("line length (m)", self.length)
        _check("velocity factor", self.velocity_factor, above=True)
        _check("line loss (dB/m)", self.loss_db_per_m)
        _check("frequency of the line loss (Hz)", self.loss_frequency, above=True)
        if self.velocity_factor > 1.0:
            raise UsageError(f"velocity factor: {self.velocity_factor!r} is above 1", hint="Allowed is above 0, at most 1.")


@dataclass(frozen=True, kw_only=True)
class Mismatch:
    """A piece of lossless line of the wrong impedance, inserted ``position`` metres after line in.

    Positions beyond the line's length mean its far end; the core itself has no length.
    """

    impedance: float = 75.0
    length: float = 0.02
    velocity_factor: float = 0.695
    position: float = 0.0

    def __post_init__(self) -> None:
        _check("mismatch position (m)", self.position)
        self.as_line()

    def as_line(self) -> LineSection:
        """Return the piece as a lossless line section."""
        return LineSection(impedance=self.impedance, length=self.length, velocity_factor=self.velocity_factor, loss_db_per_m=0.0)


@dataclass(frozen=True)
class Pad:
    """Resistors between winding and sample port, in Ω, in order from the winding to the port.

    "pi": shunt, series, shunt. "tee": series, shunt, series. "ell": shunt (a low value across the winding), series; the third
    value is not used.
    """

    kind: PadKind
    first: float
    second: float
    third: float = 0.0

    def __post_init__(self) -> None:
        shunts = {"pi": (self.first, self.third), "tee": (self.second,), "ell": (self.first,)}
        if self.kind not in shunts:
            raise UsageError(f"pad: kind {self.kind!r} is not known", hint="Allowed are 'pi', 'tee' and 'ell'.")
        for value in (self.first, self.second, self.third):
            _check("pad resistor (Ω)", value)
        for value in shunts[self.kind]:
            _check("shunt resistor of the pad (Ω)", value, above=True)


_AT_LEAST_ZERO = (
    "core_gap", "primary_leakage", "winding_leakage", "winding_resistance", "winding_capacitance", "winding_joint",
    "break_capacitance", "stray_capacitance", "braid_loop_inductance", "braid_resistance", "braid_lead_inductance",
    "braid_lead_resistance", "braid_ground_capacitance", "braid_winding_capacitance", "sample_capacitance", "shorted_turns",
    "shorted_turns_leakage", "shorted_turns_resistance", "line_in_joint", "line_out_joint", "sample_joint",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class SamplerCircuit:
    """A sampler with its parasitics; defaults are those of a 32-turn unit on a half-inch core, externally terminated.

    The parasitic defaults (leakage, capacitances, loop and lead inductances) are assumptions of a usual size for a small box,
    without a source; a built unit's fitted values replace them.

    Which field is which build fault:

    ============================== =====================================================================================
    turns                          ``turns``
    double termination             ``internal_resistor=50.0`` in an externally terminated unit (the port is loaded as well)
    termination missing            ``internal_resistor=None`` in an internally terminated unit; nothing on the port of an
                                   externally terminated one is a termination of port 3, not part of this circuit
    braid grounded at both ends    ``braid="both ends"``
    braid grounded at neither end  ``braid="neither end"``
    wrong core                     ``core`` (another material or size); ``core_factor`` scales A_L
    cracked core                   ``core_gap`` (total air gap, m)
    open winding                   ``winding_open=True`` (the break keeps ``break_capacitance``); ``cold_break_capacitance``
                                   where the break is at the winding's cold end, so that the wire hangs on the port
    shorted turns                  ``shorted_turns`` (they leave the winding and become a closed secondary of their own, with
                                   ``shorted_turns_leakage`` and ``shorted_turns_resistance``)
    high-resistance joint          ``line_in_joint``, ``line_out_joint``, ``sample_joint``, ``winding_joint`` (Ω)
    resistor out of value          ``internal_resistor``, or a value in ``pad``
    line mismatch                  ``mismatch`` (impedance, length, position), or the impedance of a line section
    ============================== =====================================================================================

    Raises UsageError for negative or non-finite values, fewer turns than are shorted, and a gap in a core of unknown area.
    """

    turns: float = 32.0
    core: Core = field(default_factory=lambda: InductanceCore(inductance=440e-9, effective_area=12.92e-6))
    core_factor: float = 1.0
    core_gap: float = 0.0
    line_before: LineSection = field(default_factory=LineSection)
    line_after: LineSection = field(default_factory=LineSection)
    mismatch: Mismatch | None = None
    primary_leakage: float = 1e-9
    winding_leakage: float = 300e-9
    winding_resistance: float = 0.05
    winding_skin_frequency: float = math.inf
    winding_capacitance: float = 5e-12
    winding_joint: float = 0.0
    winding_open: bool = False
    break_capacitance: float = 0.3e-12
    cold_break_capacitance: float | None = None
    shorted_turns: float = 0.0
    shorted_turns_leakage: float = 8e-9
    shorted_turns_resistance: float = 2e-3
    internal_resistor: float | None = None
    pad: Pad | None = None
    stray_capacitance: float = 0.02e-12
    braid: Braid = "one end"
    braid_end: LineEnd = "line in"
    braid_loop_inductance: float = 4e-9
    braid_resistance: float = 0.5e-3
    braid_lead_inductance: float = 0.05e-9
    braid_lead_resistance: float = 0.2e-3
    braid_ground_capacitance: float = 1e-12
    braid_winding_capacitance: float = 3e-12
    sample_capacitance: float = 1e-12
    line_in_joint: float = 0.0
    line_out_joint: float = 0.0
    sample_joint: float = 0.0

    def __post_init__(self) -> None:
        for name in _AT_LEAST_ZERO:
            _check(name.replace("_", " "), getattr(self, name))
        _check("turns", self.turns, least=self.shorted_turns, above=True)
        _check("core factor", self.core_factor, above=True)
        if self.shorted_turns and not (self.shorted_turns_leakage or self.shorted_turns_resistance):
            raise UsageError("shorted turns: leakage and resistance are both zero", hint="Give one of them, in H or Ω.")
        if not self.winding_skin_frequency > 0:
            raise UsageError(f"winding skin frequency: {self.winding_skin_frequency!r} is not above 0 Hz")
        for what, value in (("internal resistor (Ω)", self.internal_resistor), ("cold break (F)", self.cold_break_capacitance)):
            if value is not None:
                _check(what, value, above=True)
        if self.braid not in ("one end", "both ends", "neither end") or self.braid_end not in ("line in", "line out"):
            raise UsageError(
                f"braid {self.braid!r}, grounded end {self.braid_end!r}: not known",
                hint="Allowed are 'one end', 'both ends', 'neither end'; the end is 'line in' or 'line out'.",
            )
        if self.core_gap > 0 and self.core.area is None:
            raise UsageError("core gap: the core's effective area is not known", hint="Give the core its area in m².")

    @property
    def grounded(self) -> tuple[bool, bool]:
        """Return whether the braid is grounded at (line in, line out)."""
        if self.braid == "one end":
            return self.braid_end == "line in", self.braid_end == "line out"
        return (True, True) if self.braid == "both ends" else (False, False)


def ideal_circuit(turns: float, *, core: Core | None = None, internal_resistor: float | None = None) -> SamplerCircuit:
    """Return a sampler without parasitics: no line length, leakage, capacitance or loss; an ideal core unless one is given."""
    nothing = LineSection(length=0.0, loss_db_per_m=0.0)
    zeros: dict[str, float] = dict.fromkeys(
        (
            "primary_leakage", "winding_leakage", "winding_resistance", "winding_capacitance", "stray_capacitance",
            "braid_loop_inductance", "braid_resistance", "braid_lead_inductance", "braid_lead_resistance",
            "braid_ground_capacitance", "braid_winding_capacitance", "sample_capacitance",
        ),
        0.0,
    )  # fmt: skip
    return SamplerCircuit(
        turns=turns,
        core=IdealCore() if core is None else core,
        line_before=nothing,
        line_after=nothing,
        internal_resistor=internal_resistor,
        winding_skin_frequency=math.inf,
        **zeros,  # type: ignore[arg-type]  # only float fields are named above
    )
