"""Budgets: what each input contributes to a figure, by the derivative of the figure where it is taken."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.analysis.draws import Centre
from harness.analysis.inputs import NOISE
from harness.analysis.noise import Smooth
from harness.analysis.readings import Complex
from harness.analysis.rows import Rows
from harness.analysis.sizes import Size
from harness.quantities import show_db
from harness.records import BudgetLine

DB = float(20 / np.log(10))
Place = tuple[str, int, complex]
"""Entry, point, and the derivative there: the figure changes by the real part of the sum of derivative times error."""


@dataclass(frozen=True)
class Ground:
    """What budgets are made of."""

    rows: Rows
    centre: Centre
    band: int
    sizes: Mapping[str, Size]
    smoothed: Mapping[str, Smooth]


def budgets(ground: Ground) -> dict[str, tuple[BudgetLine, ...]]:
    """Return figure → its lines, largest share first. The shares sum to 1; no lines where nothing is uncertain."""
    return {figure: _lines(ground, places) for figure, places in _places(ground.centre, ground.band).items()}


def _places(centre: Centre, band: int) -> dict[str, list[Place]]:
    coupling = np.abs(centre.values["S31"][:band])
    low, high = int(np.argmax(coupling)), int(np.argmin(coupling))
    least, most = (_slope("S31", place, centre.values["S31"]) for place in (low, high))
    sides = {name: values for name, values in centre.values.items() if name in ("S11", "S22")}
    side = max(sides, key=lambda name: float(np.max(np.abs(sides[name]))))
    match = [_slope(side, int(np.argmax(np.abs(sides[side]))), sides[side])]
    through = centre.values["S21"]
    return {
        "coupling_db": [_times(most, 0.5), _times(least, 0.5)],
        "return_loss_db": match,
        "flatness_db": [_times(most, 0.5), _times(least, -0.5)],
        "insertion_loss_db": [_slope("S21", int(np.argmin(np.abs(through))), through)],
        "swr": match,
    }


def _slope(entry: str, point: int, values: Complex) -> Place:
    """Return the derivative of −20·log10 abs(S) at a point: −8.686·δS/S."""
    value = values[point]
    return entry, point, complex(-DB / value) if value != 0 else -DB * 1e10


def _times(place: Place, factor: float) -> Place:
    return place[0], place[1], place[2] * factor


def _lines(ground: Ground, places: list[Place]) -> tuple[BudgetLine, ...]:
    columns = ground.rows.layout.columns

    def moved(rows: Complex) -> Complex:
        return np.asarray(sum(slope * rows[:, columns[entry].start + point] for entry, point, slope in places))

    variance = {group: float(ground.rows.variance(group, moved)) for group in ground.rows.groups}
    variance[NOISE] = _noise_variance(ground, places)
    total = sum(variance.values())
    if total <= 0:
        return ()
    ordered = sorted((group for group in variance if variance[group] > 0), key=lambda group: -variance[group])
    return tuple(
        BudgetLine(input=group, size=_says(group, ground, places[0][0]), share=variance[group] / total) for group in ordered
    )


def _noise_variance(ground: Ground, places: list[Place]) -> float:
    """Return the variance that trace noise gives; a spline's columns carry it, or the point alone."""
    entry = places[0][0]
    basis, size = ground.centre.noise[entry]
    if basis is None:
        independent: dict[int, complex] = {}
        for _, point, slope in places:
            independent[point] = independent.get(point, 0) + slope
        return float(sum(abs(slope) ** 2 for slope in independent.values()) * size**2 / 2)
    moved: NDArray[np.complex128] = np.sum([slope * basis[point] for _, point, slope in places], axis=0)
    return float(np.sum(np.abs(moved) ** 2) * size**2 / 2)


def _says(group: str, ground: Ground, entry: str) -> str:
    if group != NOISE:
        return ground.sizes[group].says
    noise = ground.smoothed[entry].noise
    return f"{show_db(20 * float(np.log10(max(noise, 1e-15))), 1)} on {entry}, one standard deviation, from the data"
