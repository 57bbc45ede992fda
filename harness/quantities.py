"""Quantities: the only place where text becomes a number with a unit, and a number becomes text.

Inside the program frequencies are in hertz, powers in watts, ratios linear; decibels and megahertz exist only in text, files
and on screen. A number without a unit is refused, a decimal comma is refused by name, and nothing is guessed.
"""

from __future__ import annotations

import math
import re
from typing import NewType

from quantiphy import Quantity

from harness.errors import UsageError

Hz = NewType("Hz", float)
Db = NewType("Db", float)
Watt = NewType("Watt", float)
Ohm = NewType("Ohm", float)

_EXAMPLES = {"Hz": "7.1 MHz", "dB": "30 dB", "W": "100 W", "Ω": "50 ohm", "s": "30 ps", "F": "8 pF", "H": "300 nH", "m": "20 mm"}
_SPELLINGS = {"db": "dB", "ohm": "Ω", "ohms": "Ω", "Ω".lower(): "Ω", "hz": "Hz", "w": "W", "v": "V"}
_SPLIT = re.compile(r"^\s*(?P<number>[+-]?[\d.,]+(?:[eE][+-]?\d{1,3})?)\s*(?P<unit>[^\W\d_]*)\s*$", re.ASCII)
_SPLIT_OHM = re.compile(r"Ω|Ω")
_NUMBER = re.compile(r"^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?$", re.ASCII)


class _BenchQuantity(Quantity):
    """The library's quantity, with the units that look like scale factors declared."""


_BenchQuantity.set_prefs(known_units="m dB ohm")


def parse_quantity(text: str, unit: str, what: str) -> float:
    """Return ``text`` as a number in ``unit`` ("Hz", "dB", "W", "Ω", "s", "F", "H", "m", "V", "A").

    Scale factors are understood ("7.1 MHz", "7100kHz"); "db" and "ohm" are accepted for "dB" and "Ω".
    Raises UsageError, naming ``what``, for a missing or wrong unit, a decimal comma, and anything that is no finite number.
    """
    write = f"Write it as, for example, '{_EXAMPLES.get(unit, '1 ' + unit)}'."
    plain = _SPLIT_OHM.sub("ohm", text).replace("µ", "u").replace("μ", "u")
    match = _SPLIT.match(plain)
    if match is not None and "," in match["number"]:
        raise UsageError(f"{what}: {text!r} has a comma in the number", hint=f"Use a point as decimal sign. {write}")
    if match is None or not _NUMBER.match(match["number"]):
        raise UsageError(f"{what}: {text!r} is not a number with a unit", hint=write)
    quantity = _BenchQuantity(plain)
    found = _SPELLINGS.get(quantity.units.lower(), quantity.units)
    scaled_db = unit == "dB" and quantity.real != float(match["number"])
    if found != unit or scaled_db:
        came = f"the unit {match['unit']!r}" if match["unit"] else "no unit"
        raise UsageError(f"{what}: {text!r} has {came}; {unit} is needed", hint=write)
    value = float(quantity.real)
    if not math.isfinite(value):
        raise UsageError(f"{what}: {text!r} is not a finite number", hint=write)
    return value


def parse_frequency(text: str, what: str = "frequency") -> Hz:
    """Return a frequency in Hz; zero and below are refused (UsageError)."""
    value = parse_quantity(text, "Hz", what)
    if value <= 0:
        raise UsageError(f"{what}: {text!r} is not above 0 Hz", hint="Write it as, for example, '7.1 MHz'.")
    return Hz(value)


def parse_db(text: str, what: str = "ratio") -> Db:
    """Return a ratio in dB."""
    return Db(parse_quantity(text, "dB", what))


def parse_power(text: str, what: str = "power") -> Watt:
    """Return a power in W; zero and below are refused (UsageError)."""
    value = parse_quantity(text, "W", what)
    if value <= 0:
        raise UsageError(f"{what}: {text!r} is not above 0 W", hint="Write it as, for example, '1500 W'.")
    return Watt(value)


def parse_band(text: str, what: str = "band") -> tuple[Hz, Hz]:
    """Return (low, high) in Hz from "1.8MHz:54MHz"."""
    low, separator, high = text.partition(":")
    if not separator:
        raise UsageError(f"{what}: {text!r} is not LOW:HIGH", hint="Write it as, for example, '1.8MHz:54MHz'.")
    edges = parse_frequency(low, f"{what}, low edge"), parse_frequency(high, f"{what}, high edge")
    if edges[0] >= edges[1]:
        raise UsageError(f"{what}: the low edge of {text!r} is not below the high edge", hint="Write it as '1.8MHz:54MHz'.")
    return edges


def show_frequency(hz: float) -> str:
    """Return "7.1 MHz", "472 kHz": as many digits as tell the value to 1 Hz, trailing zeros dropped."""
    for scale, unit in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")):
        if abs(hz) >= scale:
            return f"{hz / scale:.9f}".rstrip("0")[:14].rstrip("0").rstrip(".") + f" {unit}"
    return f"{hz:g} Hz"


def show_db(db: float, digits: int = 2) -> str:
    """Return "30.12 dB"; infinities as "∞ dB"."""
    if math.isinf(db):
        return "∞ dB" if db > 0 else "−∞ dB"
    return f"{db:.{digits}f} dB"


def show_power(watt: float) -> str:
    """Return "1500 W", "12 mW", three significant digits beyond whole watts."""
    for scale, unit in ((1.0, "W"), (1e-3, "mW"), (1e-6, "µW")):
        if abs(watt) >= scale:
            number = watt / scale
            return f"{number:.0f} {unit}" if number >= 100 else f"{number:.3g} {unit}"
    return f"{watt:.3g} W"
