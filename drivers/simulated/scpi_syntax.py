"""The syntax of SCPI messages, after IEEE 488.2 and SCPI-1999: headers, parameters, and the errors they can hold."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

ERRORS = {
    0: "No error",
    -101: "Invalid character",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -123: "Exponent too large",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -241: "Hardware missing",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
"""The errors that this instrument reports, with their texts in SCPI-1999, volume 2, chapter 21."""

_NUMBER = re.compile(r"^([+-]?(?:\d+\.?\d*|\.\d+)(?:\s?[eE]\s?[+-]?\d+)?)\s*([A-Za-z]*)$", re.ASCII)
_EXPONENT = re.compile(r"[eE]\s?([+-]?\d+)$", re.ASCII)
_HERTZ = {"": 1.0, "HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "MAHZ": 1e6, "GHZ": 1e9}
"""MHZ is megahertz: IEEE 488.2, 7.7.3, makes it the one exception to M for milli (with MOHM)."""
_SPACE = re.compile(r"[\x00-\x09\x0b-\x20]+")
_MNEMONIC = re.compile(r"([A-Z]+)([a-z]*)")


class ScpiError(Exception):
    """An entry for the error queue."""

    def __init__(self, code: int) -> None:
        super().__init__(ERRORS[code])
        self.code = code


@dataclass(frozen=True)
class MessageUnit:
    """One part of a message: its full header in upper case, without leading colon, and its parameters as text."""

    header: str
    parameters: tuple[str, ...]


def units(message: str) -> Iterator[MessageUnit]:
    """Yield the units of a message; a header after ";" goes on from the path of the one before (IEEE 488.2, appendix A).

    ScpiError(-101) for a character that is no printable ASCII or white space.
    """
    if any(ord(character) > 126 for character in message):
        raise ScpiError(-101)
    path = ""
    for piece in message.split(";"):
        words = _SPACE.sub(" ", piece).strip()
        if not words:
            continue
        header, _, rest = words.partition(" ")
        header = header.upper()
        if header.startswith("*"):
            full = header
        else:
            full = header[1:] if header.startswith(":") else path + header
            path = full[: full.rfind(":") + 1]
        parameters = tuple(part.strip() for part in rest.split(",")) if rest else ()
        yield MessageUnit(full, parameters)


@cache
def header_pattern(header: str) -> re.Pattern[str]:
    """Return the pattern of a header written as in the standard: "[SENSe:]FREQuency:STARt?", short form in capitals."""
    text = re.escape(header).replace(r"\[", "(?:").replace(r"\]", ")?")
    return re.compile("^" + _MNEMONIC.sub(_short_or_long, text) + "$")


def _short_or_long(match: re.Match[str]) -> str:
    return match[1] + (f"(?:{match[2].upper()})?" if match[2] else "")


def choice(text: str, allowed: Sequence[str]) -> str:
    """Return which of ``allowed`` (written "ASCii") the text is, short or long, as written there; ScpiError(-224) if none."""
    for word in allowed:
        if header_pattern(word).match(text.upper()):
            return word
    raise ScpiError(-224)


def number(text: str, low: float, high: float, *, hertz: bool = False) -> float:
    """Return a number from ``low`` to ``high``, with a unit of frequency where ``hertz``.

    ScpiError: -104 where it is no number, -123 for an exponent beyond 32000 (IEEE 488.2, 7.7.2.4.1), -131 for a wrong unit,
    -138 for a unit where none is allowed, -222 outside the range.
    """
    match = _NUMBER.match(text)
    if match is None:
        raise ScpiError(-104)
    if match[2] and not hertz:
        raise ScpiError(-138)
    if match[2].upper() not in _HERTZ:
        raise ScpiError(-131)
    exponent = _EXPONENT.search(match[1])
    if exponent is not None and (len(exponent[1]) > 6 or abs(int(exponent[1])) > 32000):
        raise ScpiError(-123)
    value = float(match[1].replace(" ", "")) * _HERTZ[match[2].upper()]
    if not low <= value <= high:
        raise ScpiError(-222)
    return value


def boolean(text: str) -> bool:
    """Return ON or OFF or a number (not zero after rounding is ON); ScpiError(-224) for another word."""
    if _NUMBER.match(text):
        return round(number(text, -32767, 32767)) != 0
    return choice(text, ("ON", "OFF")) == "ON"
