"""Refusals: how often a unit that sits at its tolerance would look as bad as this one does.

An extreme over a band (worst match, most loss, widest spread) is moved to the bad side by errors, once in the estimate and once
more in draws around it: draws alone would refuse good units. So a refusal asks the other way round, as a test of the claim that
the unit meets its tolerance: take a unit at the tolerance, add the errors, and count how often its estimate comes out as bad.
Of all such units it is the one that the errors move most: at its tolerance wherever the estimate does not clearly lie inside
(by LIFT standard uncertainties), and elsewhere as near to it as that leaves. Moment selection for a test of many inequalities:
Andrews and Soares, Econometrica 78 (2010) 119.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.levels import loss_db, ratio_of_loss
from harness.analysis.readings import Complex
from harness.analysis.rows import Rows

Real = NDArray[np.float64]
Noise = Mapping[str, tuple[Real | None, float]]
LIFT = 2.0
"""Chosen, no source: less than one frequency in forty is wrongly left out."""
DB = float(20 / np.log(10))


@dataclass(frozen=True)
class AtTolerance:
    """A unit at the tolerance of one figure: entry → its values at the band's points, (T,)."""

    values: Mapping[str, Complex] = field(repr=False)


def at_tolerance(
    rows: Rows, values: Mapping[str, Complex], noise: Noise, band: int, limits: Mapping[str, float]
) -> dict[str, AtTolerance]:
    """Return figure → the unit at its tolerance. ``limits``: figure → return loss, insertion loss, flatness allowed, in dB.

    ``values``: the estimate, entry → (T,); the first ``band`` points of S31 are the band's.
    """
    found = {}
    if "return_loss_db" in limits:
        most = float(ratio_of_loss(limits["return_loss_db"]))
        sides = [name for name in ("S11", "S22") if name in values]
        moved = {name: _sized(values[name], np.minimum(most, _lifted(rows, values, noise, name, LIFT))) for name in sides}
        found["return_loss_db"] = AtTolerance(moved)
    if "insertion_loss_db" in limits:
        least = float(ratio_of_loss(limits["insertion_loss_db"]))
        size = np.maximum(least, _lifted(rows, values, noise, "S21", -LIFT))
        found["insertion_loss_db"] = AtTolerance({"S21": _sized(values["S21"], size)})
    if "flatness_db" in limits:
        found["flatness_db"] = AtTolerance({"S31": _spread(rows, values["S31"][:band], noise, limits["flatness_db"])})
    return found


def _sized(values: Complex, size: Real) -> Complex:
    """Return values with these magnitudes and their own angles."""
    return np.asarray(size * np.exp(1j * np.angle(values)), dtype=np.complex128)


def _lifted(rows: Rows, values: Mapping[str, Complex], noise: Noise, name: str, by: float) -> Real:
    """Return magnitudes moved by so many of their standard uncertainties."""
    first = rows.layout.columns[name].start
    along = np.exp(-1j * np.angle(values[name]))
    variance = _variance(rows, first, along, noise[name], centred=False)
    return np.asarray(np.abs(values[name]) + by * np.sqrt(variance), dtype=np.float64)


def _spread(rows: Rows, values: Complex, noise: Noise, flatness: float) -> Complex:
    """Return S31 whose coupling spreads by twice the flatness: each point moved outward to its side of the middle."""
    db = loss_db(values)
    middle = (db.max() + db.min()) / 2
    variance = _variance(rows, rows.layout.columns["S31"].start, DB / values, noise["S31"], centred=True)
    outward = np.where(db >= middle, 1.0, -1.0) * LIFT * np.sqrt(variance)
    return _sized(values, ratio_of_loss(np.clip(db + outward, middle - flatness, middle + flatness)))


def _variance(rows: Rows, first: int, factor: Complex, noise: tuple[Real | None, float], *, centred: bool) -> Real:
    """Return the variance of the real part of factor times error at each point, (T,); ``centred``: less the mean over them."""

    def moves(some: Complex) -> Complex:
        moved = some[:, first : first + factor.size] * factor
        return np.asarray(moved - moved.mean(axis=1, keepdims=True) if centred else moved, dtype=np.complex128)

    basis, size = noise
    leverage = np.ones(factor.size) if basis is None else np.sum(basis[: factor.size] ** 2, axis=1)
    total = np.abs(factor) ** 2 * leverage * size**2 / 2
    for group in rows.groups:
        total = total + rows.variance(group, moves)
    return np.asarray(total, dtype=np.float64)
