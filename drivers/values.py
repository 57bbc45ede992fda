"""Values: text and bytes of a framed reply become numbers, strictly. No I/O.

Python's own ``float()`` takes ``1_000``, ``nan``, ``1e400`` and digits of other scripts, and a line that lost a byte still
parses in most places. Here a number is ASCII, matches the dialect's pattern, and is finite.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drivers.transcript import escaped
from harness.errors import ReplyError

NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
NO_VALUE = 9.9e37 * (1 - 1e-6)
"""SCPI-1999 writes 9.91E37 for not-a-number and ±9.9E37 for infinity; with room for 32-bit rounding."""
_NUMBER = re.compile(NUMBER.encode("ascii"))
_COMMA_NUMBER = re.compile(rb"[+-]?\d+,\d+(?:[eE][+-]?\d{1,3})?")
_CONVERSION = re.compile(r"%(?P<flags>[+0 -]*)(?P<width>\d*)(?:\.(?P<digits>\d+))?(?P<kind>[a-zA-Z%])")
ByteOrder = Literal["big", "little"]


def parse_number(token: bytes, what: str) -> float:
    """Return one number; ReplyError for anything that is not strict ASCII, finite, and a value."""
    text = token.strip(b" ")
    if not _NUMBER.fullmatch(text):
        if _COMMA_NUMBER.fullmatch(text):
            raise _decimal_comma(what, text)
        raise ReplyError(f"{what}: {escaped(text[:60])!r} is not a number", hint="Try again; check cable and dialect.")
    return _checked(float(text), what)


def _checked(value: float, what: str) -> float:
    if not math.isfinite(value):
        raise ReplyError(f"{what}: the number is too large to be one", hint="Sweep again; check cable and dialect.")
    if abs(value) >= NO_VALUE:
        raise ReplyError(
            f"{what}: the instrument says that it has no value here ({value:.4g})",
            hint="It has not finished a sweep, or its receiver is overloaded.",
        )
    return value


def _decimal_comma(what: str, text: bytes) -> ReplyError:
    return ReplyError(
        f"{what}: {escaped(text[:60])!r} is written with a decimal comma",
        hint="Set the instrument's language so that it writes a decimal point; a comma is never guessed at.",
    )


@dataclass(frozen=True)
class LinePattern:
    """The form of one data line, from the printf-like format that the instrument prints it with (ISO C conversions).

    ``%+.12e`` and ``%018.3f`` fix every digit's place, so that a line that lost a byte cannot match; ``%g`` takes any number.
    """

    format: str
    pattern: re.Pattern[bytes]
    widths: tuple[int | None, ...]
    """The exact width of each number, in bytes; None where it may vary."""

    @property
    def values(self) -> int:
        """How many numbers stand in a line."""
        return len(self.widths)

    @property
    def fixed(self) -> bool:
        """Whether every byte of the line has its place."""
        return None not in self.widths

    def read(self, line: bytes, what: str) -> tuple[float, ...]:
        """Return the numbers of one line; ReplyError where the line is not of this form."""
        match = self.pattern.fullmatch(line)
        if match is None or any(
            len(found) != (width or len(found)) for found, width in zip(match.groups(), self.widths, strict=True)
        ):
            if match is None and self.pattern.fullmatch(line.replace(b",", b".")):
                raise _decimal_comma(what, line)
            raise ReplyError(
                f"{what}: the line {escaped(line[:80])!r} is not of the form {self.format!r}",
                hint="A byte was lost or changed on the way: sweep again, check cable and baud rate.",
            )
        return tuple(_checked(float(group), what) for group in match.groups())

    def _fits(self, match: re.Match[bytes]) -> bool:
        """Tell whether each number has its exact width."""
        return all(width is None or len(found) == width for found, width in zip(match.groups(), self.widths, strict=True))


def line_pattern(format_text: str) -> LinePattern:
    """Return the pattern of a format such as ``%+.12e %+.12e``; ValueError, with what is allowed, where it is none."""
    pieces: list[str] = []
    widths: list[int | None] = []
    at = 0
    for match in _CONVERSION.finditer(format_text):
        pieces.append(_literal(format_text[at : match.start()]))
        regex, width = _conversion(match)
        pieces.append(f"({regex})")
        widths.append(width)
        at = match.end()
    pieces.append(_literal(format_text[at:]))
    if not 1 <= len(widths) <= 4:
        raise ValueError(f"{format_text!r} has {len(widths)} numbers; 1 to 4 are allowed, each written as %+.12e, %018.3f or %g")
    return LinePattern(format_text, re.compile("".join(pieces).encode("ascii")), tuple(widths))


def _literal(text: str) -> str:
    if not text.isascii() or "%" in text or any(ord(character) < 0x20 for character in text):
        raise ValueError(f"{text!r} cannot stand between the numbers of a line; write numbers as %+.12e, %018.3f or %g")
    return re.escape(text)


def _conversion(match: re.Match[str]) -> tuple[str, int | None]:
    """Return (regular expression, exact width or None) of one conversion."""
    flags, width, digits, kind = match["flags"], match["width"], match["digits"], match["kind"]
    if kind in "gG" and not flags and not width and digits is None:
        return NUMBER, None
    if kind not in "eEfF" or digits is None or "-" in flags:
        raise ValueError(f"{match[0]!r} is not understood; write numbers as %+.12e, %018.3f or %g")
    if not 1 <= int(digits) <= 20 or int(width or "0") > 40:
        raise ValueError(f"{match[0]!r}: 1 to 20 digits after the point and a width of at most 40 are allowed")
    sign = "[+-]" if "+" in flags else "[ -]" if " " in flags else "-?"
    exponent = rf"{kind}[+-]\d{{2}}" if kind in "eE" else ""
    zeros = bool(width) and "0" in flags
    whole = r"\d" if exponent and not zeros else r"\d+"
    pad = " *" if width and not zeros else ""
    signed_width = len("+1.") + int(digits) + len("e+00") if exponent and sign != "-?" else None
    return rf"{pad}{sign}{whole}\.\d{{{digits}}}{exponent}", int(width) if width else signed_width


def read_lines(lines: tuple[bytes, ...], pattern: LinePattern, points: int, what: str) -> NDArray[np.float64]:
    """Return an array of shape (points, values); ReplyError names the line that is wrong, counted from 1."""
    if len(lines) != points:
        raise _wrong_count(what, points, len(lines), "lines")
    rows = [pattern.read(line, f"{what}, point {number}") for number, line in enumerate(lines, start=1)]
    return np.array(rows, dtype=np.float64)


def read_list(line: bytes, points: int, values: int, what: str) -> NDArray[np.float64]:
    """Return a comma-separated list as an array of shape (points, values)."""
    tokens = line.split(b",")
    if len(tokens) != points * values:
        error = _wrong_count(what, points * values, len(tokens), "numbers")
        if len(tokens) == 2 * points * values:
            error.hint = "Twice as many as expected: a decimal comma would do this; set the instrument to a decimal point."
        raise error
    numbers = [parse_number(token, f"{what}, number {index}") for index, token in enumerate(tokens, start=1)]
    return np.array(numbers, dtype=np.float64).reshape(points, values)


def read_block(payload: bytes, points: int, values: int, size: int, order: ByteOrder, what: str) -> NDArray[np.float64]:
    """Return a block of IEEE 754 numbers of ``size`` bytes (4 or 8) as an array of shape (points, values)."""
    if len(payload) != points * values * size:
        raise _wrong_count(what, points * values * size, len(payload), "bytes")
    kind = np.dtype(f"{'>' if order == 'big' else '<'}f{size}")
    numbers = np.frombuffer(payload, dtype=kind).astype(np.float64)
    if not np.all(np.isfinite(numbers)):
        raise ReplyError(
            f"{what}: number {int(np.argmin(np.isfinite(numbers))) + 1} of the block is not finite",
            hint="Check byte order and width of the data form in the dialect.",
        )
    if np.any(np.abs(numbers) >= NO_VALUE):
        first = int(np.argmax(np.abs(numbers) >= NO_VALUE))
        _checked(float(numbers[first]), f"{what}, number {first + 1}")
    return numbers.reshape(points, values)


def _wrong_count(what: str, expected: int, got: int, unit: str) -> ReplyError:
    return ReplyError(
        f"{what}: {expected} {unit} were expected, {got} came",
        hint="The points that the instrument is set to are not those that were asked for, or something was lost. Sweep again.",
    )
