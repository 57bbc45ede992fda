"""The batch sheet: the coupling curves of all units, the run chart in the order of building, the units, and what they say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from harness.analysis import Band
from harness.analysis.batch import BatchStatistics, BatchUnit, in_words
from harness.analysis.batch.units import NAMED
from harness.records import Figure, Proof
from harness.records.figure_text import value_text
from harness.sheets.chart import Floats, FrequencyChart
from harness.sheets.page import render
from harness.sheets.run_chart import run_chart
from harness.sheets.script import readout_script
from harness.sheets.unit_curves import inside, shown_range, table_arrays
from harness.sheets.unit_words import MARKS, band_text

MOST_NAMED = 6
FEW = 25
"""More curves than these are drawn thinner, so that they stay lines."""
MOST_POINTS = 60
"""Points of each unit's curve: a batch may have hundreds."""
ROOM = 0.15
"""The curves' chart reaches this part of the tolerance beyond it. A unit further off is named beneath: it flattens no other."""
COLUMNS = ("coupling_db", "flatness_db", "return_loss_db", "insertion_loss_db")


@dataclass(frozen=True)
class UnitLine:
    """A unit in the table: its figures as text, decision or why it is missing, named faults."""

    unit: str
    figures: tuple[str, ...]
    decision: str
    mark: str
    faults: str
    bad: bool


@dataclass(frozen=True)
class TypePart:
    """What is said of the units of one type."""

    name: str
    title: str
    band: str
    curves: Markup | None
    beyond: str
    run: Markup | None
    says: tuple[str, ...]
    advice: str


def batch_sheet(
    name: str,
    units: Sequence[BatchUnit],
    statistics: Mapping[str, BatchStatistics],
    proofs: Mapping[str, Proof],
    *,
    bands: Sequence[Band],
) -> str:
    """Return the sheet of a batch as HTML text. ``units`` in the order of building; ``statistics`` by type; ``proofs`` by unit.

    ``proofs``: the newest that counts of each unit. The same records give the same bytes.
    """
    script, policy = readout_script()
    proved = [unit for unit in units if unit.decision is not None]
    return render(
        "batch.html",
        name=name,
        proved=len(proved),
        conform=sum(unit.decision == "conforms" for unit in proved),
        missing=len(units) - len(proved),
        days=_days(proved),
        parts=[_part(place, found, units, proofs, bands) for place, found in enumerate(statistics.values(), start=1)],
        lines=[_line(unit) for unit in units],
        script=script,
        policy=policy,
    )


def _days(units: Sequence[BatchUnit]) -> str:
    days = sorted(unit.when[:10] for unit in units if unit.when)
    if not days:
        return ""
    return days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"


def _part(
    place: int, found: BatchStatistics, units: Sequence[BatchUnit], proofs: Mapping[str, Proof], bands: Sequence[Band]
) -> TypePart:
    mine = {unit.unit: proofs[unit.unit] for unit in units if unit.type == found.type and unit.unit in proofs}
    first = next(iter(mine.values()), None)
    said = in_words(found)
    advice = said[-1] if found.advice is not None else ""
    return TypePart(
        found.type,
        "" if first is None else first.type.type.title,
        "" if first is None else band_text(first.band_hz),
        coupling_curves(place, found, mine, bands),
        _beyond(found, mine),
        run_chart(f"run-{place}", found, {unit.unit: unit for unit in units}),
        said[:-1] if advice else said,
        advice,
    )


def coupling_curves(place: int, found: BatchStatistics, proofs: Mapping[str, Proof], bands: Sequence[Band]) -> Markup | None:
    """Return the coupling of all units of a type over frequency; None where no record holds it."""
    known = {unit: proof for unit, proof in proofs.items() if proof.coupling_table and len(proof.coupling_table.hz) > 1}
    if not known:
        return None
    band_hz = next(iter(known.values())).band_hz
    curves = {unit: _curve(proof) for unit, proof in known.items()}
    shown = shown_range(np.sort(np.concatenate([hz for hz, _ in curves.values()])), band_hz)
    low, high = found.allowed_db
    room = ROOM * (high - low)
    chart = FrequencyChart(
        f"curves-{place}",
        f"Coupling of {len(curves)} units over frequency",
        "coupling, dB",
        hz=shown,
        values=(low - room, high + room),
        size=(186.0, 66.0),
    )
    for limit, above in ((low, False), (high, True)):
        chart.limit(limit, band_hz, f"tolerance {limit:g} dB", above=above)
    thin = "unit" if len(curves) <= FEW else "unit many"
    good_last = sorted(curves, key=lambda unit: known[unit].decision == "conforms", reverse=True)
    for unit in good_last:
        hz, values = curves[unit]
        at = inside(hz, shown).astype(int)
        chart.curve(unit, hz[at], values[at], thin if known[unit].decision == "conforms" else "bad")
    chart.bands(bands)
    return chart.svg()


def _beyond(found: BatchStatistics, proofs: Mapping[str, Proof]) -> str:
    """Return the units whose nominal coupling lies beyond the chart: "CL-0004 at 36.08 dB"."""
    room = ROOM * (found.allowed_db[1] - found.allowed_db[0])
    values = {unit: proof.figures["coupling_db"].value for unit, proof in proofs.items() if "coupling_db" in proof.figures}
    low, high = found.allowed_db[0] - room, found.allowed_db[1] + room
    outside = {unit: value for unit, value in values.items() if not low <= value <= high}
    told = [f"{unit} at {value:.2f} dB" for unit, value in list(outside.items())[:MOST_NAMED]]
    return ", ".join(told) + (f" and {len(outside) - MOST_NAMED} more" if len(outside) > MOST_NAMED else "")


def _curve(proof: Proof) -> tuple[Floats, Floats]:
    """Return a unit's coupling at MOST_POINTS frequencies of its table at most, evenly in the logarithm, ends kept."""
    if proof.coupling_table is None:
        return np.zeros(0), np.zeros(0)
    hz, values, _, _ = table_arrays(proof.coupling_table)
    if hz.size > MOST_POINTS:
        wanted = np.geomspace(hz[0], hz[-1], MOST_POINTS)
        at = np.unique(np.argmin(np.abs(np.log(hz)[None, :] - np.log(wanted)[:, None]), axis=1))
        hz, values = hz[at], values[at]
    return hz, values


def _line(unit: BatchUnit) -> UnitLine:
    if unit.missing is not None or unit.decision is None:
        return UnitLine(unit.unit, ("—",) * len(COLUMNS), unit.missing or "not proved", "", "", bad=False)
    figures = tuple(_figure(name, unit.figures.get(name)) for name in COLUMNS)
    faults = ", ".join(fault if weight >= NAMED else f"{fault}?" for fault, weight in unit.faults)
    return UnitLine(unit.unit, figures, unit.decision, MARKS[unit.decision], faults, bad=unit.decision != "conforms")


def _figure(name: str, figure: Figure | None) -> str:
    """Return a figure without its unit; a return loss that has a bound only as "≥ 31.0"."""
    if figure is None:
        return "—"
    text = value_text(name, figure).removesuffix(" dB")
    return f"≥ {figure.low:.1f}" if text == "—" and figure.low is not None else text
