"""The most power that the line may carry before something gives way, band by band, and what a planned power puts on the port.

Line power is what is delivered to the load, of a steady carrier, at a line SWR whose phase is the worst. What the unit stands is
worked out by the design engine from the type (volts per turn, core heat, resistors, line volts); what comes out of the port, from
the unit's own proof, its coupling at the low end of the interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.analysis.bands import Band
from harness.analysis.levels import Array, reflection_of_swr
from harness.analysis.reading import chain as chains
from harness.analysis.reading import line as lines
from harness.analysis.reading.answer import DRAWS, SEED, TAILS
from harness.analysis.reading.chain import Chain
from harness.analysis.reading.unit import Known
from harness.errors import DataError, UsageError
from harness.quantities import show_frequency
from harness.records import Interval
from harness.sampler.design import Parts, Stress
from harness.sampler.design.made import Made
from harness.sampler.design.pads import attenuator_for
from harness.sampler.design.stress import DERATING, at_full_power, stress

PHASES = 24
RISE_POWER = 0.833
"""A core's temperature rise goes with this power of its heat (amateur component guide; see harness.sampler.design.stress)."""
BELOW = 1 - 1e-9


@dataclass(frozen=True)
class Limiter:
    """Something that gives way: what, the most line power in W before it does, and why, in words."""

    what: str
    watts: float
    says: str


@dataclass(frozen=True)
class SafeBand:
    """One band: name, edges in Hz, everything that limits it, the least first."""

    name: str
    low_hz: float
    high_hz: float
    limiters: tuple[Limiter, ...]

    @property
    def first(self) -> Limiter:
        """What gives way first."""
        return self.limiters[0]


@dataclass(frozen=True)
class Safe:
    """``pad_db``: more attenuation needed, of pads usually sold, so that the instrument is not the first to give way.

    ``unlimited``: what the first limit but the instrument allows in every band, W; ``pad_watts``: what the first pad takes then.
    """

    line_swr: float
    limit_watts: float | None
    pads_db: float
    bands: tuple[SafeBand, ...]
    worst: SafeBand
    without_instrument: Limiter
    pad_db: float
    pad_watts: float
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Planned:
    """A planned line power in one band or at one frequency: at the port and, behind pads and cables, at the instrument, in W.

    Values of a matched line; intervals over all phases of the line SWR. ``most``: the port's worst, W.
    """

    name: str
    hz: float
    port: Interval
    input: Interval
    most: float
    needed_db: float | None
    pad_db: float | None


def bands_of(known: Known, bands: Sequence[Band], hz: float | None = None) -> list[Band]:
    """Return the bands inside the type's band, or the whole of it where none is; for ``hz`` that frequency alone.

    UsageError: the frequency was not swept.
    """
    if hz is not None:
        if known.coupling(np.array([hz])).where[0] == "beyond":
            raise UsageError(
                f"{show_frequency(hz)} was not swept in the proof of {known.unit}: what comes out of the port is not known there",
                hint=f"Swept: {show_frequency(known.table.hz[0])} to {show_frequency(known.table.hz[-1])}.",
            )
        return [Band(name=show_frequency(hz), low_hz=hz, high_hz=hz)]
    low, high = known.band_hz
    inside = [band for band in bands if band.low_hz >= low * BELOW and band.high_hz <= high / BELOW]
    return inside or [Band(name="the type's band", low_hz=low, high_hz=high)]


def safe_power(
    known: Known, parts: Parts, bands: Sequence[Band], chain: Chain, line_swr: float, limit_watts: float | None
) -> Safe:
    """Return the most line power band by band. DataError where the tables do not hold the type's parts."""
    if known.circuit is None:
        raise DataError(
            f"what {known.unit} stands cannot be worked out: {known.without}",
            hint="Its type names parts that the tables do not hold.",
        )
    made = known.circuit.made
    of_type = stress(at_full_power(made, _grid(*made.wish.band_hz, 9), PHASES), parts)
    rows = [_band(known, made, parts, band, chain, line_swr, limit_watts, of_type) for band in bands]
    worst = min(rows, key=lambda row: row.first.watts)
    others = [one for row in rows for one in row.limiters if one.what != "instrument"]
    bare = min(others, key=lambda one: one.watts)
    needed = 0.0
    port = max(_port_watts(known, row.low_hz, row.high_hz, line_swr) for row in rows) * bare.watts
    if limit_watts is not None:
        needed = max(0.0, 10 * math.log10(port / limit_watts) - chain.least_db)
    return Safe(
        line_swr=line_swr,
        limit_watts=limit_watts,
        pads_db=chain.pads_db,
        bands=tuple(rows),
        worst=worst,
        without_instrument=bare,
        pad_db=attenuator_for(needed),
        pad_watts=port,
        notes=_notes(known, limit_watts, of_type),
    )


def _grid(low: float, high: float, points: int = 3) -> Array:
    return np.asarray(np.geomspace(low, high, points) if high > low else np.array([low]), dtype=np.float64)


def _port_watts(known: Known, low: float, high: float, swr: float) -> float:
    """Return the most W out of the port for 1 W of line power, at the worst phase of the line SWR."""
    coupling = known.coupling(_grid(low, high, 9))
    return float(np.max(10 ** (-coupling.low / 10))) * swr


def _band(
    known: Known, made: Made, parts: Parts, band: Band, chain: Chain, swr: float, limit: float | None, of_type: Stress
) -> SafeBand:
    power = made.wish.line_power
    low, high = band.low_hz, band.high_hz
    wish = replace(made.wish, line_swr=swr, band_hz=(low, high if high > low else low * (1 + 1e-9)))
    found = stress(at_full_power(replace(made, wish=wish), _grid(low, high), PHASES), parts)
    made_for = power * min(1.0, made.wish.line_swr / swr)
    says = f"its type is made for {power:g} W at a line SWR of {made.wish.line_swr:g}"
    limiters = [Limiter("type", made_for, says), *_unit_limits(made, parts, found, of_type)]
    if limit is not None:
        most = limit * 10 ** (chain.least_db / 10) / _port_watts(known, low, high, swr)
        behind = f" behind {chain.pads_db:g} dB" if chain.pads_db else ""
        limiters.append(Limiter("instrument", most, f"the instrument's input takes its {limit:.3g} W{behind}"))
    return SafeBand(band.name, low, high, tuple(sorted(limiters, key=lambda one: one.watts)))


def _unit_limits(made: Made, parts: Parts, found: Stress, of_type: Stress) -> list[Limiter]:
    """Return what gives way in the unit. ``found``: its stress at the type's power; ``of_type``: which resistors it has."""
    power = made.wish.line_power
    most = made.wish.most_core_rise
    limits = [
        Limiter("core", power * (most / core.rise_c) ** (1 / RISE_POWER), f"{core.core} gets {most:g} °C warmer")
        for core in found.cores
        if core.rise_c is not None and core.rise_c > 0
    ]
    for flux in found.flux:
        if flux.gauss > 0:
            says = f"{flux.core} is at the guideline's {flux.guideline_gauss:.0f} G"
            limits.append(Limiter("core flux", power * (flux.guideline_gauss / flux.gauss) ** 2, says))
    for here, built in zip(found.resistors, of_type.resistors, strict=True):
        watts = max(here.watts, here.watts_unloaded)
        if built.kind is not None and built.rise_c is not None and watts > 0:
            bears = built.count * parts.resistors[built.kind].rating.value
            says = f"the {here.ohm:g} ohm resistor ({here.name}, {built.kind}) takes {1 / DERATING:.0%} of its rating"
            limits.append(Limiter("resistor", power * bears / (DERATING * watts), says))
    return limits + _line_limits(made, found, power)


def _line_limits(made: Made, found: Stress, power: float) -> list[Limiter]:
    build, limits = made.build, []
    if found.connector_peak_rating is not None:
        volts = found.connector_peak_rating
        says = f"{build.line_connectors} connectors stand at their {volts:.0f} V peak"
        limits.append(Limiter("connectors", power * (volts / found.line_peak) ** 2, says))
    if found.cable_rms_rating is not None:
        volts = found.cable_rms_rating
        limits.append(
            Limiter("cable volts", power * (volts / found.line_rms) ** 2, f"{build.line} stands at its {volts:.0f} V r.m.s.")
        )
    if found.cable_power_rating is not None:
        says = f"{build.line} is as hot as in a long run at its rating"
        limits.append(Limiter("cable heat", power * found.cable_power_rating / found.line_heating, says))
    return limits


def _notes(known: Known, limit: float | None, of_type: Stress) -> tuple[str, ...]:
    said = [f"Worked out from the type {known.type.name}; the proof was made with milliwatts and says nothing of heating."]
    if limit is None:
        said.append("No limit of the instrument was given: --limit '30 dBm'.")
    said.append("A steady carrier: volts limit the peak envelope power, heat the mean power.")
    said += [
        f"What heat {core.core} bears is not known: its size is not in the tables."
        for core in of_type.cores
        if core.rise_c is None
    ]
    said += [
        f"No resistor in the tables bears what the {one.ohm:g} ohm ({one.name}) takes: it is not among the limits."
        for one in of_type.resistors
        if one.kind is None
    ]
    if of_type.connector_peak_rating is None:
        said.append(f"What volts {known.type.build.line_connectors} connectors bear is not in the tables.")
    return tuple(said)


def planned(
    known: Known,
    bands: Sequence[Band],
    watts: float,
    chain: Chain,
    line_swr: float,
    limit_watts: float | None,
    seed: int = SEED,
) -> list[Planned]:
    """Return what a planned line power (W, delivered) puts on the port in each band, and the pad that the instrument needs.

    At each band the frequency where most comes out. The pad is for the port's worst: every phase of the line SWR, and the
    coupling at the low end of its interval.
    """
    rows = []
    for band in bands:
        grid = _grid(band.low_hz, band.high_hz, 9)
        coupling = known.coupling(grid)
        at = int(np.argmin(coupling.low))
        hz = grid[at : at + 1]
        port = _port(known, hz, watts, line_swr, seed)
        lost = float(-20 * np.log10(np.abs(chains.nominal(chain, hz).t[0])))
        most = watts * _port_watts(known, band.low_hz, band.high_hz, line_swr)
        needed = None if limit_watts is None else 10 * math.log10(most / limit_watts) - chain.least_at(float(hz[0]))
        pad = None if needed is None else attenuator_for(needed)
        behind = 10 ** (-lost / 10)
        low, high = (None if end is None else end * behind for end in (port.low, port.high))
        shown = Interval(value=port.value * behind, low=low, high=high)
        rows.append(Planned(band.name, float(hz[0]), port, shown, most, needed, pad))
    return rows


def _port(known: Known, hz: Array, watts: float, swr: float, seed: int) -> Interval:
    """Return the power out of the port into 50 Ω for a delivered power."""
    rng = np.random.default_rng(seed)
    coupling, matrix = known.coupling(hz), known.matrix(hz)
    size = np.asarray(reflection_of_swr(swr)).reshape(1)
    per_watt = 1 / lines.on_line(matrix, lines.reflections(rng, size, DRAWS)).delivered
    drawn = watts * per_watt * 10 ** (-coupling.draw(rng, DRAWS) / 10)
    low, high = np.percentile(drawn, TAILS)
    plain = float(lines.mean_on_line(matrix, size).delivered[0])
    return Interval(value=float(watts / plain * 10 ** (-coupling.db[0] / 10)), low=float(low), high=float(high))
