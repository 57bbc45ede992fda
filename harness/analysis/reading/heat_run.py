"""Readings of one unit against each other: what changes with power and time, which a proof with milliwatts cannot show.

With the line power told by another instrument the apparent coupling is 10·log10(line power/port power). Errors that are the same
in two readings (the proof, the pads, the instrument's offset) cancel in their difference; its linearity and that of the power
meter do not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from harness.records import LoggedReading


@dataclass(frozen=True)
class HeatRow:
    """One logged reading: ``minutes`` since the first, ``apparent_db``: line power over port power (None: power not told).

    ``change_db``: of the apparent coupling against the reading of the least power (negative: it reads more than it should).
    """

    reading: LoggedReading
    minutes: float
    apparent_db: float | None
    change_db: float | None


@dataclass(frozen=True)
class HeatRun:
    """Readings of one unit at one frequency, oldest first. ``base``: which of them the others are held against."""

    hz: float
    rows: tuple[HeatRow, ...]
    base: int | None
    notes: tuple[str, ...]


def heat_runs(readings: Sequence[LoggedReading]) -> list[HeatRun]:
    """Return the readings by frequency, each against that of the least line power (the first of those)."""
    found: dict[float, list[LoggedReading]] = {}
    for reading in sorted(readings, key=lambda one: datetime.fromisoformat(one.when)):
        found.setdefault(reading.hz, []).append(reading)
    return [_run(hz, each) for hz, each in sorted(found.items())]


def _run(hz: float, readings: list[LoggedReading]) -> HeatRun:
    told = [number for number, one in enumerate(readings) if one.line_watts is not None]
    base = min(told, key=lambda number: (readings[number].line_watts or math.inf, number)) if told else None
    begin = datetime.fromisoformat(readings[0].when)
    of_base = None if base is None else apparent_db(readings[base])
    rows = []
    for one in readings:
        minutes = (datetime.fromisoformat(one.when) - begin).total_seconds() / 60
        apparent = apparent_db(one)
        change = None if apparent is None or of_base is None else apparent - of_base
        rows.append(HeatRow(one, minutes, apparent, change))
    return HeatRun(hz, tuple(rows), base, _notes(readings, told))


def apparent_db(reading: LoggedReading) -> float | None:
    """Return line power over port power in dB, or None where the line power was not told."""
    return None if reading.line_watts is None else 10 * math.log10(reading.line_watts / reading.port_watts)


def _notes(readings: Sequence[LoggedReading], told: Sequence[int]) -> tuple[str, ...]:
    said = []
    if len(told) < 2:
        said.append("To see heating, log a reading at low and one at full power with --power, as another instrument tells it.")
    if len({(one.into, one.chain) for one in readings}) > 1:
        said.append("Not all were read through the same pads, cables and input: their errors do not cancel.")
    if len({one.proof for one in readings}) > 1:
        said.append("The unit was proved again between some of these readings.")
    said.append("Only what is the same in two readings cancels: the linearity of both instruments counts in full.")
    return tuple(said)
