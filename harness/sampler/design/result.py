"""What the design engine hands back: frozen values in SI units; names that end in ``_db`` are decibels, ``_c`` degrees Celsius.

``as_dict`` turns any of them into plain dicts, lists, numbers and text for JSON; what is not finite becomes None.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from harness.sampler.circuit import Pad, SamplerCircuit
from harness.sampler.design.wish import DesignWish, Kind, Termination

ReasonKind = Literal[
    "coupling", "flatness", "return loss", "insertion loss", "low end", "winding fit", "line fit", "line voltage",
    "connector", "flux", "core heat", "resistor", "impossible",
]  # fmt: skip


@dataclass(frozen=True)
class Reason:
    """Why a design does not do: ``value`` against ``limit`` in ``unit``, and a sentence with the numbers.

    ``excess``: how far beyond the limit, as a share of it (0.1 is ten per cent), for ordering.
    """

    kind: ReasonKind
    says: str
    value: float
    limit: float
    unit: str
    excess: float


@dataclass(frozen=True)
class Build:
    """What is wound, on what. ``pad`` resistors are E24 values; ``pad_db``: what they really give between 50 Ω ends."""

    kind: Kind
    turns: int
    core: str
    stack: int
    wire_awg: int
    line: str
    termination: Termination
    internal_ohm: float | None
    pad: Pad | None
    pad_db: float | None
    shunt_ohm: float | None
    series_ohm: float | None
    second_turns: int | None
    second_core: str | None
    line_connectors: str
    sample_connector: str

    @property
    def title(self) -> str:
        """One line: "32 turns on FT-50-43, AWG 24, external termination"."""
        core = f"{self.stack} stacked {self.core}" if self.stack > 1 else self.core
        more = ""
        if self.pad_db is not None:
            more = f", {self.pad_db:.1f} dB pad"
        elif self.shunt_ohm is not None:
            more = f", {self.shunt_ohm:g} Ω across the winding, {self.series_ohm:g} Ω in series"
        elif self.second_turns is not None:
            more = f", then {self.second_turns} turns on {self.second_core}"
        return f"{self.turns} turns on {core}{more}, AWG {self.wire_awg}, {self.termination} termination"


@dataclass(frozen=True)
class Curve:
    """One coupling over the band, in dB at ``Design.frequencies_hz``: nominal is mid-range, flatness ± half of max − min."""

    db: tuple[float, ...]
    nominal_db: float
    flatness_db: float
    low_edge_db: float
    high_edge_db: float


@dataclass(frozen=True)
class Couplings:
    """Voltage at the sample port under that of the matched line, in dB, for what may hang on the port.

    ``into_50``: a 50 Ω instrument (the coupling). ``with_tee_load``: two 50 Ω loads, a tee's load left on. ``scope_and_load``:
    a high-impedance scope beside a 50 Ω load. ``scope_alone``: the scope without one.
    """

    into_50: Curve
    with_tee_load: Curve
    scope_and_load: Curve
    scope_alone: Curve


@dataclass(frozen=True)
class Line:
    """The line's figures over the band: of the whole unit in its box, and (``winding_``) of the winding alone.

    ``winding_series_ohm``: the most abs(Z_s) of the band. ``heat``: W in the line itself at full power, None where its loss is
    not known.
    """

    insertion_loss_db: float
    return_loss_db: float
    swr: float
    insertion_loss_at_db: tuple[float, ...]
    return_loss_at_db: tuple[float, ...]
    winding_insertion_loss_db: float
    winding_return_loss_db: float
    winding_swr: float
    winding_series_ohm: float
    heat: float | None


@dataclass(frozen=True)
class LowEnd:
    """The low corner in Hz (−3 dB) at the nominal A_L and at 25 % less, and the coupling at the low edge then.

    ``a_l``: of the first core with its stack, H for one turn squared.
    """

    a_l: float
    corner_hz: float
    corner_at_low_a_l_hz: float
    low_edge_db: float
    low_edge_at_low_a_l_db: float


@dataclass(frozen=True)
class Winding:
    """How the winding fits. Lengths in m; None where the core's size is not known.

    ``most_turns``: of one layer in the bore; ``wire_length``: with two tails of 50 mm; ``wire_wavelengths``: that length over
    the wavelength at the high edge; ``hole``: what is left for the line and its sleeve; ``line_diameter``: with the sleeve.
    """

    most_turns: int | None
    wire_length: float
    wire_wavelengths: float
    hole: float | None
    line_diameter: float
    second_most_turns: int | None
    gap_degrees: float | None


@dataclass(frozen=True)
class Flux:
    """Peak flux density at the frequency where it stands highest against the guideline."""

    tesla: float
    gauss: float
    guideline_gauss: float
    hz: float
    core: str


@dataclass(frozen=True)
class CoreHeat:
    """The most heat of one core in the band, W, at which frequency, and its temperature rise; None where its size is unknown."""

    core: str
    watts: float
    hz: float
    rise_c: float | None
    curie_c: float | None


@dataclass(frozen=True)
class ResistorStress:
    """One resistor: value Ω, most heat with the instrument on the port and with nothing there, W, and the kind that bears it.

    ``count``: how many of that kind share the heat; ``rise_c``: above ambient at the worst of both. Kind None: none listed.
    """

    name: str
    ohm: float
    watts: float
    watts_unloaded: float
    kind: str | None
    count: int
    rise_c: float | None


@dataclass(frozen=True)
class Stress:
    """What full line power at the stated SWR does, with the instrument on the sample port.

    ``current``: A r.m.s. at worst; ``volts_per_turn``: V r.m.s. at worst, at ``volts_per_turn_hz``; ``line_peak``: V peak;
    ratings are peak volts for connectors, V r.m.s. and W of a long run at the high edge for the cable, None where not known.
    ``line_heating``: W to hold against that last one, the line power times its SWR (where the current is highest).
    """

    current: float
    volts_per_turn: float
    volts_per_turn_hz: float
    flux: tuple[Flux, ...]
    cores: tuple[CoreHeat, ...]
    winding_heat: float
    resistors: tuple[ResistorStress, ...]
    line_peak: float
    line_rms: float
    line_heating: float
    connector_peak_rating: float | None
    connector_most_hz: float | None
    cable_rms_rating: float | None
    cable_power_rating: float | None


@dataclass(frozen=True)
class SamplePort:
    """What comes out: W and V r.m.s. at worst into 50 Ω; the attenuator before the instrument and the heat it must bear.

    ``attenuator_db``: the least common value that keeps the instrument within ``limit`` (0: none needed); ``needed_db``: exact.
    ``match_db``: least return loss seen into the port over the band.
    """

    watts: float
    volts: float
    limit: float
    needed_db: float
    attenuator_db: float
    attenuator_watts: float
    match_db: float


@dataclass(frozen=True)
class UnloadedAt:
    """Nothing on the sample port, one stray capacitance (F): worst over the band and every phase of the line's SWR."""

    stray: float
    volts: float
    volts_hz: float
    core_heat: float
    core_heat_hz: float
    return_loss_db: float
    insertion_loss_db: float


@dataclass(frozen=True)
class Unloaded:
    """Nothing on the sample port at full line power and the stated SWR: the worst of all strays, and each of them.

    ``volts``: r.m.s. on the port; ``winding_volts``: across the winding; ``core_heat`` W with its temperature rise;
    ``return_loss_db``, ``insertion_loss_db``: the line's worst, with the load of the line matched. ``safe``: at most
    ``safe_volts`` (an assumption) and no core hotter than wished.
    """

    volts: float
    volts_hz: float
    winding_volts: float
    core_heat: float
    core_rise_c: float | None
    return_loss_db: float
    insertion_loss_db: float
    safe: bool
    safe_volts: float
    at: tuple[UnloadedAt, ...]


@dataclass(frozen=True)
class Practice:
    """The rule of the trade, turns = square root of the power ratio: common practice, no source.

    ``turns``: by the rule; what they read on this core with this termination at mid-band and at the low edge, dB.
    """

    turns: int
    reads_db: float
    reads_low_edge_db: float
    holds: bool
    says: str


@dataclass(frozen=True)
class Yield:
    """Predicted share of units (0 to 1) that meet every tolerance; ``each``: by tolerance alone; ``tight``: the least of them.

    ``counted_right``: share among units without a miscounted turn. ``coupling_db``: 5 %, 50 % and 95 % of the nominal coupling.
    """

    share: float
    counted_right: float
    each: Mapping[str, float]
    tight: str
    coupling_db: tuple[float, float, float]
    draws: int
    seed: int


@dataclass(frozen=True)
class Alternative:
    """A design near an impossible wish: what was changed in the wish, and what it gives."""

    build: Build
    changed: str
    coupling_db: float
    flatness_db: float


@dataclass(frozen=True)
class Impossible:
    """A wish that nothing meets: why, with numbers, and the nearest designs that can be built."""

    reasons: tuple[Reason, ...]
    nearest: tuple[Alternative, ...]


@dataclass(frozen=True)
class Design:
    """One design, complete. ``reasons``: what stands against it (empty: feasible). ``cautions``: what must be told beside it.

    ``memory``: values written down from memory that it rests on. ``assumptions``: what was assumed without a source.
    ``circuit``: of the first winding; with two windings the second is not part of it.
    """

    wish: DesignWish
    build: Build
    frequencies_hz: tuple[float, ...]
    coupling: Couplings
    line: Line
    low_end: LowEnd
    winding: Winding
    stress: Stress
    sample: SamplePort
    unloaded: Unloaded
    practice: Practice
    predicted: Yield | None
    reasons: tuple[Reason, ...]
    cautions: tuple[str, ...]
    memory: tuple[str, ...]
    assumptions: tuple[str, ...]
    circuit: SamplerCircuit
    impossible: Impossible | None = None

    @property
    def feasible(self) -> bool:
        """Whether nothing stands against it."""
        return not self.reasons

    def as_dict(self) -> dict[str, Any]:
        """Return everything but the circuit model as plain dicts, lists, numbers and text; ``title`` and ``feasible`` added."""
        whole = {field.name: plain(getattr(self, field.name)) for field in dataclasses.fields(self) if field.name != "circuit"}
        return {"title": self.build.title, "feasible": self.feasible} | whole


@dataclass(frozen=True)
class Failure:
    """Candidates that failed for one kind of reason: how many, and the one that came nearest."""

    kind: ReasonKind
    count: int
    nearest: str
    says: str


@dataclass(frozen=True)
class SearchResult:
    """The best designs, best first; why others failed; and, when nothing meets the wish, why and what comes nearest."""

    wish: DesignWish
    designs: tuple[Design, ...]
    tried: int
    failures: tuple[Failure, ...]
    impossible: Impossible | None

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain dicts, lists, numbers and text."""
        return {
            "wish": plain(self.wish),
            "designs": [found.as_dict() for found in self.designs],
            "tried": self.tried,
            "failures": plain(self.failures),
            "impossible": plain(self.impossible),
        }


def plain(value: Any) -> Any:
    """Return a frozen value as dicts, lists, numbers and text; a number that is not finite becomes None."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        made = {field.name: plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
        return made | ({"title": value.title} if isinstance(value, Build) else {})
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    return value
