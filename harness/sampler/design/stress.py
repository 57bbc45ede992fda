"""What full line power does: volts per turn, flux, heat and temperature rise, line voltage, the sample port's power.

Power on the line is what is delivered; at a line SWR s the wave towards the load is P/(1 − abs(Γ)²), and every phase of the
reflection is tried.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from harness.sampler.core import CoreGeometry
from harness.sampler.design.fast import Complexes, Floats, Solved, solve
from harness.sampler.design.made import CorePart, Made
from harness.sampler.design.pads import attenuator_for
from harness.sampler.design.parts import Parts, ResistorKind, find_part
from harness.sampler.design.result import CoreHeat, Flux, ResistorStress, SamplePort, Stress

Z0 = 50.0
DERATING = 2.0
"""A resistor's rating over the heat it is given: run at half (common practice, no source)."""
MOST_SHARING = 4
"""The most resistors of a kind that share the heat of one."""
GAUSS_PER_TESLA = 1e4

_GUIDELINE_MHZ = (0.1, 1.0, 7.0, 14.0, 21.0, 28.0)
_GUIDELINE_GAUSS = (250.0, 150.0, 57.0, 42.0, 36.0, 30.0)


def guideline_gauss(frequency_hz: Floats) -> Floats:
    """Return the guideline limit of flux density in gauss (amateur component guide), log-log between its frequencies.

    Outside 0.1 to 28 MHz the slope of the two nearest points goes on; the guide says nothing there.
    """
    x, y = np.log(np.array(_GUIDELINE_MHZ) * 1e6), np.log(np.array(_GUIDELINE_GAUSS))
    at = np.log(np.asarray(frequency_hz, dtype=np.float64))
    low, high = (y[1] - y[0]) / (x[1] - x[0]), (y[-1] - y[-2]) / (x[-1] - x[-2])
    outside = low * np.minimum(at - x[0], 0) + high * np.maximum(at - x[-1], 0)
    return np.asarray(np.exp(np.interp(at, x, y) + outside), dtype=np.float64)


def flux_density(volts_per_turn: Floats | float, frequency_hz: Floats | float, area: float) -> Floats:
    """Return the peak flux density in T of r.m.s. volts per turn: √2·V_t/(2πf·A_e), area in m²."""
    return np.asarray(math.sqrt(2) * volts_per_turn / (2 * np.pi * np.asarray(frequency_hz) * area), dtype=np.float64)


def surface(geometry: CoreGeometry) -> float:
    """Return the whole surface of a toroid in m²: both faces, outside and bore."""
    outer, inner = geometry.outer_diameter, geometry.inner_diameter
    return math.pi / 2 * (outer**2 - inner**2) + math.pi * (outer + inner) * geometry.height


def temperature_rise(watts: float, area: float) -> float:
    """Return the temperature rise in °C of a core: (mW/cm²)^0.833 (amateur component guide); surface in m²."""
    return float((watts * 1e3 / (area * 1e4)) ** 0.833)


def reflections(line_swr: float, phases: int) -> Complexes:
    """Return the line load's reflection at this SWR, every phase, shape (phases, 1); one zero for a matched line."""
    size = (line_swr - 1) / (line_swr + 1)
    if size < 1e-9:
        return np.zeros((1, 1), dtype=np.complex128)
    angles = np.linspace(0, 2 * np.pi, phases, endpoint=False)
    return np.asarray(size * np.exp(1j * angles)[:, None], dtype=np.complex128)


def incident_power(delivered: float, line_swr: float) -> float:
    """Return the power in W of the wave that delivers ``delivered`` W into a load of this SWR."""
    return delivered / (1 - ((line_swr - 1) / (line_swr + 1)) ** 2)


class Loaded(NamedTuple):
    """A design at full power: solved with the instrument on the port and with nothing there, at every phase of the line.

    Without resistors of its own ``without`` is not needed and is the same as ``with_load``.
    """

    made: Made
    frequency_hz: Floats
    with_load: Solved
    without: Solved
    power: float


def at_full_power(made: Made, frequency_hz: Floats, phases: int) -> Loaded:
    """Return a design solved at full power and its line SWR."""
    wish, unit = made.wish, made.unit(frequency_hz)
    gamma = reflections(wish.line_swr, phases)
    power = incident_power(wish.line_power, wish.line_swr)
    loaded = solve(unit, frequency_hz, line_gamma=gamma)
    heated = bool(loaded.resistor_watts)
    return Loaded(
        made, frequency_hz, loaded, solve(unit, frequency_hz, port_y=0.0, line_gamma=gamma) if heated else loaded, power
    )


def _worst_over_phases(values: Floats) -> Floats:
    return np.asarray(values.max(axis=tuple(range(values.ndim - 1))), dtype=np.float64)


def stress(loaded: Loaded, parts: Parts) -> Stress:
    """Return what full power does with the instrument on the sample port; UsageError for a connector that is not known."""
    made, wish = loaded.made, loaded.made.wish
    root = math.sqrt(loaded.power)
    per_turn = [_worst_over_phases(np.abs(one)) * root for one in loaded.with_load.volts_per_turn]
    worst = int(per_turn[0].argmax())
    connector = find_part("line connector", made.build.line_connectors, parts.connectors)
    rating = parts.working_voltage(made.build.line)
    copper = sum(
        _worst_over_phases(np.abs(one) ** 2).max() * loaded.power * circuit.winding_resistance
        * math.sqrt(1 + loaded.frequency_hz[-1] / circuit.winding_skin_frequency)
        for one, circuit in zip(loaded.with_load.winding_current, made.circuits, strict=True)
    )  # fmt: skip
    peak = math.sqrt(2 * wish.line_power * Z0 * wish.line_swr)
    return Stress(
        current=math.sqrt(wish.line_power / Z0 * wish.line_swr),
        volts_per_turn=float(per_turn[0][worst]),
        volts_per_turn_hz=float(loaded.frequency_hz[worst]),
        flux=tuple(
            _flux(part, volts, loaded.frequency_hz) for part, volts in zip(made.cores, per_turn, strict=True) if part.geometry
        ),
        cores=core_heats(made, loaded.frequency_hz, per_turn),
        winding_heat=float(copper),
        resistors=_resistors(loaded, parts),
        line_peak=peak,
        line_rms=peak / math.sqrt(2),
        line_heating=wish.line_power * wish.line_swr,
        connector_peak_rating=None if connector.peak_volt is None else connector.peak_volt.value,
        connector_most_hz=None if connector.most_hz is None else connector.most_hz.value,
        cable_rms_rating=None if rating is None else rating.value,
        cable_power_rating=parts.line_power(made.build.line, wish.band_hz[1]),
    )


def _flux(part: CorePart, volts: Floats, frequency_hz: Floats) -> Flux:
    area = part.core.area or math.nan
    tesla = flux_density(volts, frequency_hz, area)
    limit = guideline_gauss(frequency_hz)
    worst = int((tesla / limit).argmax())
    at = float(tesla[worst])
    return Flux(at, at * GAUSS_PER_TESLA, float(limit[worst]), float(frequency_hz[worst]), part.name)


def core_heats(made: Made, frequency_hz: Floats, per_turn: list[Floats]) -> tuple[CoreHeat, ...]:
    """Return the most heat of each core in the band: V_t²·Re(1/Z_c), volts per turn worst at each frequency."""
    found = []
    for part, circuit, volts in zip(made.cores, made.circuits, per_turn, strict=True):
        watts = volts**2 * np.real(circuit.core.admittance(frequency_hz)) / circuit.core_factor
        worst = int(watts.argmax())
        heat = max(float(watts[worst]), 0.0)
        curie = part.material.curie_celsius
        found.append(
            CoreHeat(part.name, heat, float(frequency_hz[worst]), rise_of(part, heat), None if curie is None else curie.value)
        )
    return tuple(found)


def rise_of(part: CorePart, watts: float) -> float | None:
    """Return a core's temperature rise in °C, None where its size is not known."""
    return None if part.geometry is None else temperature_rise(watts, surface(part.geometry))


def _resistors(loaded: Loaded, parts: Parts) -> tuple[ResistorStress, ...]:
    named = resistor_names(loaded.made)
    found = []
    for (name, ohm), hot, bare in zip(named, loaded.with_load.resistor_watts, loaded.without.resistor_watts, strict=True):
        loaded_watts, unloaded_watts = (float(values.max()) * loaded.power for values in (hot, bare))
        found.append(_rated(name, ohm, loaded_watts, unloaded_watts, parts))
    return tuple(found)


def resistor_names(made: Made) -> list[tuple[str, float]]:
    """Return name and Ω of each resistor, in the order of ``Solved.resistor_watts``."""
    last = made.circuits[-1]
    named = [] if last.internal_resistor is None else [("inside", last.internal_resistor)]
    pad = last.pad
    if pad is not None and pad.kind == "ell":
        named += [("across the winding", pad.first), ("in series", pad.second)]
    elif pad is not None:
        named += [("pad, winding side", pad.first), ("pad, middle", pad.second), ("pad, port side", pad.third)]
    return named


def _rated(name: str, ohm: float, watts: float, unloaded: float, parts: Parts) -> ResistorStress:
    worst = max(watts, unloaded)
    kinds: list[ResistorKind] = sorted(parts.resistors.values(), key=lambda one: one.rating.value)
    choices = [(kind, 1) for kind in kinds] + [(kinds[-1], count) for count in range(2, MOST_SHARING + 1) if kinds]
    for kind, count in choices:
        if worst * DERATING <= kind.rating.value * count:
            return ResistorStress(name, ohm, watts, unloaded, kind.name, count, worst / count * kind.rise_per_watt.value)
    return ResistorStress(name, ohm, watts, unloaded, None, 0, None)


def sample_port(loaded: Loaded, match_db: float) -> SamplePort:
    """Return what comes out of the sample port at worst, and the attenuator that the instrument needs before it."""
    limit = loaded.made.wish.instrument_limit
    watts = float(np.abs(loaded.with_load.port_volts).max() ** 2) * loaded.power / Z0
    needed = max(0.0, 10 * math.log10(watts / limit))
    return SamplePort(watts, math.sqrt(watts * Z0), limit, needed, attenuator_for(needed), watts if needed > 0 else 0.0, match_db)
