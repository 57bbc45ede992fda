"""Two-column lists that a person or an instrument wrote: a spectrum's lines (frequency, level), a scope's trace (time, volts).

The first row names the columns, with the unit of numbers that have none: ``frequency (MHz), level (dBm)`` or
``frequency_mhz,level_dbm``. Cells may have units of their own instead: ``7.1 MHz, -5 dBm``; then no first row is needed. Columns
are parted by comma, semicolon or tabulator. Lines that begin with "#" or "!" and empty lines are passed over.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from harness.analysis.levels import Array
from harness.analysis.reading.level import parse_level
from harness.analysis.reading.wish import LEAST_HZ, MOST_HZ
from harness.errors import FileError, UsageError
from harness.quantities import parse_quantity

MOST_ROWS = 100_000
LONGEST_CELL = 100
_UNIT = re.compile(r"(?:\(|\[|_|\s)(?P<unit>[A-Za-zµμ]+)[)\]]?\s*$")
_FREQUENCY = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
_TIME = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9}
_VOLTS = {"v": 1.0, "mv": 1e-3, "uv": 1e-6, "µv": 1e-6, "μv": 1e-6}
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


@dataclass(frozen=True)
class _Column:
    """What a column is: its name in messages, what scales its header may give, the unit of cells that have one."""

    name: str
    scales: dict[str, float]
    example: str


FREQUENCY = _Column("frequency", _FREQUENCY, "7.1 MHz")
TIME = _Column("time", _TIME, "10 ns")
VOLTS = _Column("voltage", _VOLTS, "12 mV")
LEVEL = _Column("level", {"dbm": 1.0}, "-5 dBm")


def spectrum_list(text: str, source: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return frequencies in Hz and levels in dBm of a list of lines. FileError names file, line and what is allowed."""
    hz, dbm = _columns(text, source, FREQUENCY, LEVEL)
    for number, value in hz:
        if not value > 0:
            raise _wrong(source, number, f"the frequency {value:g} Hz is not above 0 Hz")
        if not LEAST_HZ <= value <= MOST_HZ:
            raise _wrong(source, number, f"the frequency {value:g} Hz is not one of a line; allowed is 100 Hz to 100 GHz")
    for number, value in dbm:
        if not abs(value) <= 200:
            raise _wrong(source, number, f"the level {value:g} dBm is not one of an instrument; allowed is −200 to 200 dBm")
    seen: dict[float, int] = {}
    for number, value in hz:
        if value in seen:
            raise _wrong(source, number, f"the frequency of line {seen[value]} stands here again")
        seen[value] = number
    return tuple(value for _, value in hz), tuple(value for _, value in dbm)


def trace_list(text: str, source: str) -> tuple[Array, Array]:
    """Return times in s and volts of a scope's trace. FileError names file, line and what is allowed."""
    quick = _plain_numbers(text, source)
    if quick is not None:
        return quick
    seconds, volts = _columns(text, source, TIME, VOLTS)
    return np.array([value for _, value in seconds]), np.array([value for _, value in volts])


def _plain_numbers(text: str, source: str) -> tuple[Array, Array] | None:
    """Return a trace whose heading tells both units and whose rows are plain numbers, read at once; None where it is not so."""
    mark, lines = _lines(text, source)
    head = lines[0][1].split(mark) if lines else []
    if len(head) != 2 or len(lines) < 2:
        return None
    first, second = (_scale(cell.strip().strip('"'), column) for cell, column in zip(head, (TIME, VOLTS), strict=True))
    if first is None or second is None:
        return None
    try:
        found = np.loadtxt([line for _, line in lines[1:]], delimiter=mark, ndmin=2, comments=None)
    except ValueError:
        return None  # the careful way says what is wrong, and where
    if found.shape[1] != 2 or not np.isfinite(found).all():
        return None
    return found[:, 0] * first, found[:, 1] * second


_Values = list[tuple[int, float]]


def _columns(text: str, source: str, first: _Column, second: _Column) -> tuple[_Values, _Values]:
    rows = _rows(text, source)
    if not rows:
        raise FileError(f"{source} holds no rows of {first.name} and {second.name}", hint=_hint(first, second), file=source)
    scales: tuple[float | None, float | None] = (None, None)
    if not any(_is_cell(cell) for cell in rows[0][1]):
        scales = (_scale(rows[0][1][0], first), _scale(rows[0][1][1], second))
        rows = rows[1:]
    found: tuple[_Values, _Values] = ([], [])
    for number, cells in rows:
        for column, cell, scale, values in zip((first, second), cells, scales, found, strict=True):
            values.append((number, _value(cell, column, scale, source, number)))
    if not found[0]:
        raise FileError(f"{source} holds a heading and no rows", hint=_hint(first, second), file=source)
    return found


def _lines(text: str, source: str) -> tuple[str, list[tuple[int, str]]]:
    """Return the mark between columns, and the lines that hold something, with their numbers."""
    lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), start=1)]
    lines = [(number, line) for number, line in lines if line and line[0] not in "#!"]
    if len(lines) > MOST_ROWS:
        raise FileError(f"{source} has {len(lines)} rows; at most {MOST_ROWS} are read", hint="Export fewer points.", file=source)
    return next((mark for mark in (";", "\t", ",") if lines and mark in lines[0][1]), ","), lines


def _rows(text: str, source: str) -> list[tuple[int, list[str]]]:
    mark, lines = _lines(text, source)
    rows = []
    for number, line in lines:
        cells = [cell.strip().strip('"').strip() for cell in line.split(mark)]
        if len(cells) > 2 and not any(cells[2:]):
            cells = cells[:2]
        if len(cells) != 2:
            raise _wrong(source, number, f"{len(cells)} columns; two are needed", _comma(line))
        if max(map(len, cells)) > LONGEST_CELL:
            raise _wrong(source, number, f"a cell of {max(map(len, cells))} characters; at most {LONGEST_CELL} are read")
        rows.append((number, cells))
    return rows


def _comma(line: str) -> str:
    return "Numbers have a point as decimal sign; keep two columns." if "," in line else "Keep two columns."


def _is_cell(cell: str) -> bool:
    return bool(cell) and (cell[0].isdigit() or cell[0] in "+-.−")


def _scale(heading: str, column: _Column) -> float | None:
    match = _UNIT.search(heading)
    return None if match is None else column.scales.get(match["unit"].lower())


def _value(cell: str, column: _Column, scale: float | None, source: str, number: int) -> float:
    plain = cell.replace("−", "-")
    if "," in plain:
        raise _wrong(source, number, f"{column.name} {cell!r} has a comma in the number", "Use a point as decimal sign.")
    if _NUMBER.fullmatch(plain):
        if scale is None:
            units = ", ".join(column.scales)
            raise _wrong(
                source,
                number,
                f"{column.name} {cell!r} has no unit",
                f"Name it in the heading or the cell: {units}, as '{column.example}'.",
            )
        value = float(plain) * scale
    else:
        value = _with_unit(plain, column, source, number)
    if not math.isfinite(value):
        raise _wrong(source, number, f"{column.name} {cell!r} is not a finite number")
    return value


def _with_unit(cell: str, column: _Column, source: str, number: int) -> float:
    try:
        if column is LEVEL:
            level = parse_level(cell, column.name)
            return level.dbm
        return parse_quantity(cell, {"frequency": "Hz", "time": "s", "voltage": "V"}[column.name], column.name)
    except UsageError as error:
        raise _wrong(source, number, error.message, error.hint) from None


def _hint(first: _Column, second: _Column) -> str:
    return f"Write rows as '{first.example}, {second.example}', or name the units in a first row."


def _wrong(source: str, number: int, says: str, hint: str = "") -> FileError:
    return FileError(f"{source}, line {number}: {says}", hint=hint or "Mend the line.", file=source, line=number)
