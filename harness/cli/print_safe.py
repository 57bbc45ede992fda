"""Safe power, planned power and heat runs as text and JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from harness.analysis.reading.heat_run import HeatRun
from harness.analysis.reading.line import swr_extremes_db
from harness.analysis.reading.safe import Planned, Safe, SafeBand
from harness.cli.print_design import table
from harness.cli.print_reading import head, in_units, tail, under, wrapped
from harness.quantities import show_frequency, show_power
from harness.readings import ReadUnit

MOST_SHOWN = 1e5
"""W above which a limit is not worth telling."""


def safe_lines(read: ReadUnit, found: Safe) -> list[str]:
    """Return the lines that tell how much power is safe."""
    worst = found.worst
    limit = "" if found.limit_watts is None else f", an instrument that bears {show_power(found.limit_watts)}"
    pads = f" behind {found.pads_db:g} dB" if found.pads_db else ""
    lines = [
        f"{read.standing.unit}: at most {show_power(worst.first.watts)} on the line at an SWR of {found.line_swr:g}{limit}{pads}",
        *wrapped("  ", f"{_first(found)}: {worst.first.says}"),
    ]
    if found.pad_db:
        lines += wrapped("  ", _pad(found))
    rows = [_safe_row(band) for band in found.bands]
    lines += ["", *table(("band", "most", "gives way first", "then"), rows, frozenset({0, 2, 3}))]
    return lines + under(read, worst.first.watts, found.line_swr, found.notes)


def _first(found: Safe) -> str:
    alike = {(band.first.what, round(band.first.watts, 3)) for band in found.bands}
    return "in every band" if len(alike) == 1 and len(found.bands) > 1 else f"first at {found.worst.name}"


def _pad(found: Safe) -> str:
    return (
        f"Add {found.pad_db:g} dB (made for {show_power(found.pad_watts)}) to use the unit up to"
        f" {show_power(found.without_instrument.watts)}, where {found.without_instrument.says}."
    )


def _safe_row(band: SafeBand) -> tuple[str, ...]:
    second = band.limiters[1] if len(band.limiters) > 1 else None
    then = "" if second is None or second.watts > MOST_SHOWN else f"{second.what}, {show_power(second.watts)}"
    return band.name, show_power(band.first.watts), band.first.what, then


def safe_document(read: ReadUnit, found: Safe, rows: Sequence[Planned], watts: float | None) -> dict[str, Any]:
    """Return safe power for JSON."""
    return head(read) | {
        "line_swr": found.line_swr,
        "limit_w": found.limit_watts,
        "pads_db": found.pads_db,
        "most_w": found.worst.first.watts,
        "first": {"band": found.worst.name, "what": found.worst.first.what, "says": found.worst.first.says},
        "without_instrument_w": found.without_instrument.watts,
        "add_pad_db": found.pad_db,
        "pad_w": found.pad_watts,
        "bands": [
            {"name": band.name, "low_hz": band.low_hz, "high_hz": band.high_hz, "limits": [vars(one) for one in band.limiters]}
            for band in found.bands
        ],
        "planned": None if watts is None else _planned_rows(rows),
        **tail(read, found.worst.first.watts, found.line_swr, found.notes),
    }


def planned_lines(
    read: ReadUnit, rows: Sequence[Planned], watts: float, swr: float, limit: float | None, *, alone: bool = False
) -> list[str]:
    """Return the lines that tell what a planned power puts on the port; ``alone``: nothing else is printed."""
    lines = [f"{read.standing.unit}: {show_power(watts)} on the line at an SWR of {swr:g} puts on the sample port"]
    told = ["band", "matched", "interval", "at worst", "volts at worst"]
    told += ["pad needed"] if limit is not None else []
    lines += ["", *table(told, [_planned_row(row) for row in rows], frozenset({0, 2}))]
    worst = max(rows, key=lambda row: row.most)
    if limit is not None:
        if worst.pad_db:
            bears = f"made for {show_power(worst.most)}"
            said = f"An instrument that bears {show_power(limit)} needs {worst.pad_db:g} dB more before it ({bears})."
        else:
            said = f"An instrument that bears {show_power(limit)} needs no more pad."
        lines += ["", *wrapped("  ", said)]
    return lines + (under(read, watts, swr, _current_note(swr)) if alone else [])


def _current_note(swr: float) -> tuple[str, ...]:
    """Return what a line SWR means for the port's level."""
    if swr == 1:
        return ("The port follows the line's current; the line is taken as matched.",)
    most = f"± {swr_extremes_db(swr):.2f} dB at the extremes"
    return (f"The port follows the line's current, which a line SWR of {swr:g} moves by {most}: every phase is taken as likely.",)


def _planned_row(row: Planned) -> tuple[str, ...]:
    low, high = row.port.low or row.port.value, row.port.high or row.port.value
    volts = math.sqrt(row.most * 50)
    cells = (
        row.name,
        f"{_dbm(row.port.value):.1f} dBm",
        f"{_dbm(low):.1f} to {_dbm(high):.1f} dBm",
        f"{_dbm(row.most):.1f} dBm",
        f"{in_units(volts, 'V')} r.m.s., {in_units(2 * math.sqrt(2) * volts, 'V')}pp",
    )
    if row.pad_db is None or row.needed_db is None:
        return cells
    return (*cells, f"{row.pad_db:g} dB ({max(row.needed_db, 0):.1f})")


def _dbm(watts: float) -> float:
    return 10 * math.log10(watts / 1e-3)


def planned_document(read: ReadUnit, rows: Sequence[Planned], watts: float, swr: float, limit: float | None) -> dict[str, Any]:
    """Return a planned power for JSON."""
    planned = {"line_w": watts, "line_swr": swr, "limit_w": limit, "planned": _planned_rows(rows)}
    return head(read) | planned | tail(read, watts, swr, _current_note(swr))


def _planned_rows(rows: Sequence[Planned]) -> list[dict[str, Any]]:
    return [
        {
            "name": row.name,
            "hz": row.hz,
            "port_w": row.port.model_dump(),
            "input_w": row.input.model_dump(),
            "port_most_w": row.most,
            "needed_db": row.needed_db,
            "pad_db": row.pad_db,
        }
        for row in rows
    ]


def heat_lines(read: ReadUnit, runs: Sequence[HeatRun]) -> list[str]:
    """Return the lines that tell logged readings against each other."""
    lines = [f"{read.standing.unit}: readings against time and power"]
    for run in runs:
        rows = [
            (
                "→" if number == run.base else "",
                row.reading.when[:16].replace("T", " "),
                f"{row.minutes:.0f} min",
                "—" if row.reading.line_watts is None else show_power(row.reading.line_watts),
                row.reading.level,
                f"{_dbm(row.reading.port_watts):.2f} dBm",
                "—" if row.apparent_db is None else f"{row.apparent_db:.2f} dB",
                "—" if row.change_db is None else f"{row.change_db:+.2f} dB",
                row.reading.note,
            )
            for number, row in enumerate(run.rows)
        ]
        told = ("", "when", "after", "line power", "shown", "port", "power over port", "change", "note")
        lines += ["", f"  {show_frequency(run.hz)}", *table(told, rows, frozenset({0, 1, 4, 8}))]
        for note in run.notes:
            lines += wrapped("  · ", note)
    most = max((row.reading.line_watts or 0.0) for run in runs for row in run.rows)
    said = (
        "A change of a few hundredths of a dB with power or time is heat or an instrument; a small-signal proof cannot show it."
    )
    return [*lines, *under(read, most, float(read.known.type.use.line_swr), (said,))]


def heat_document(read: ReadUnit, runs: Sequence[HeatRun]) -> dict[str, Any]:
    """Return logged readings for JSON."""
    return head(read) | {
        "runs": [
            {
                "hz": run.hz,
                "against": None if run.base is None else run.rows[run.base].reading.id,
                "readings": [
                    row.reading.model_dump(mode="json")
                    | {"minutes": row.minutes, "apparent_db": row.apparent_db, "change_db": row.change_db}
                    for row in run.rows
                ],
                "notes": run.notes,
            }
            for run in runs
        ]
    }
