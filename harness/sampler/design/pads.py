"""Resistors that can be bought: E24 values (IEC 60063), pi pads made of them, and a low value across the winding with its series.

A pi pad of 50 Ω ends: shunts Z0·(K+1)/(K−1), series Z0·(K²−1)/(2K), K = 10^(dB/20) (textbook); then the nearest E24 values, and
what those really give.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from harness.errors import UsageError
from harness.sampler.circuit import Pad

Z0 = 50.0
E24 = (1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1)
"""The E24 series of preferred values (IEC 60063)."""

ATTENUATORS_DB = (1.0, 2.0, 3.0, 6.0, 10.0, 20.0, 30.0, 40.0)
"""Values in which coaxial attenuators are usually sold (common practice, no source)."""


def nearest_e24(ohm: float) -> float:
    """Return the E24 value nearest in ratio; UsageError for a value not above zero."""
    if not (math.isfinite(ohm) and ohm > 0):
        raise UsageError(f"resistor: {ohm!r} Ω has no nearest preferred value", hint="Give a value above 0 Ω.")
    decade = math.floor(math.log10(ohm))
    values = [value * 10.0**power for power in (decade - 1, decade, decade + 1) for value in E24]
    best = min(values, key=lambda value: abs(math.log(value / ohm)))
    return float(f"{best:.2g}")


def exact_pi(attenuation_db: float) -> Pad:
    """Return the exact pi pad between 50 Ω ends; UsageError for an attenuation not above 0 dB."""
    if not (math.isfinite(attenuation_db) and 0 < attenuation_db <= 100):
        raise UsageError(f"pad of {attenuation_db!r} dB is not possible", hint="Allowed is above 0 dB, at most 100 dB.")
    ratio = 10 ** (attenuation_db / 20)
    shunt = Z0 * (ratio + 1) / (ratio - 1)
    return Pad("pi", shunt, Z0 * (ratio * ratio - 1) / (2 * ratio), shunt)


@dataclass(frozen=True)
class BuiltPad:
    """A pad of E24 values: what it gives between 50 Ω ends in dB, and its input resistance with 50 Ω behind it."""

    pad: Pad
    attenuation_db: float
    input_ohm: float


@cache
def e24_pi(attenuation_db: float) -> BuiltPad:
    """Return the pi pad of the E24 values nearest to the exact ones, and what it really gives."""
    exact = exact_pi(attenuation_db)
    shunt, series = nearest_e24(exact.first), nearest_e24(exact.second)
    pad = Pad("pi", shunt, series, shunt)
    return BuiltPad(pad, pi_attenuation(pad), _parallel(shunt, series + _parallel(shunt, Z0)))


def wished_pad(attenuation_db: float) -> BuiltPad:
    """Return a pad asked for by its attenuation: of E24 values, or exact ones where those are over half a decibel off."""
    built = e24_pi(attenuation_db)
    if abs(built.attenuation_db - attenuation_db) < 0.5:
        return built
    return BuiltPad(exact_pi(attenuation_db), attenuation_db, Z0)


def pi_attenuation(pad: Pad) -> float:
    """Return −20·log10 abs(S21) of a pi pad between 50 Ω ends, by its chain matrix."""
    first, series, third = 1 / pad.first, pad.second, 1 / pad.third
    a, b = 1 + series * third, series
    c, d = first + third + series * first * third, 1 + series * first
    return 20 * math.log10((a + b / Z0 + c * Z0 + d) / 2)


def series_for(shunt_ohm: float) -> float:
    """Return the E24 series resistor that keeps the port nearest 50 Ω with this across the winding; 0 from 50 Ω on."""
    return nearest_e24(Z0 - shunt_ohm) if shunt_ohm < Z0 - 0.5 else 0.0


def attenuator_for(needed_db: float) -> float:
    """Return the least attenuator usually sold that gives ``needed_db``, or the sum of the largest with a second; 0 for none."""
    if needed_db <= 0:
        return 0.0
    pairs = [one + other for one in ATTENUATORS_DB for other in (0.0, *ATTENUATORS_DB)]
    enough = [value for value in pairs if value >= needed_db]
    return min(enough) if enough else math.ceil(needed_db / 10) * 10.0


def _parallel(one: float, other: float) -> float:
    return one * other / (one + other)
