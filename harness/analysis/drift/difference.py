"""The difference of two proofs of one unit, with the covariance that no drift would give it.

What both proofs share cancels: the standards' own errors, where bench and kit are the same, and the contacts of the
calibration, where it is the same one. What is new each time adds: contacts, cables, drift of the analyser, a new calibration's
contacts, noise. Bounded inputs stand in with a normal number of the same mean square.

Some errors are real numbers (the phase of a contact), so the covariance is that of real and imaginary parts laid end to end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.drift.seen import Seen
from harness.analysis.inputs import CABLE, CALIBRATION, CONNECTOR, DRIFT, ISOLATION, LINEARITY, TEMPERATURE, Key, cause
from harness.analysis.noise import Smooth
from harness.analysis.phasors import delays, mean_square
from harness.analysis.points import STRAIGHT, Points
from harness.analysis.readings import Complex
from harness.errors import DataError
from harness.quantities import show_frequency
from harness.records.sweep import same_grid

Real = NDArray[np.float64]
MOST_POINTS = 60
LEAST_POINTS = 8
S11, S22, S33, S21, S31 = range(5)
AS_RATIO = (S21, S31)
"""Places whose change is the logarithm of a ratio; the others' is a difference of reflections."""


@dataclass(frozen=True)
class Kinship:
    """What the two proofs have in common."""

    standards: bool = True
    """The same bench with the same standards, loads and adapters, and the same statement of its residuals."""
    analyser: bool = True
    calibration: bool = False


@dataclass(frozen=True)
class Difference:
    """``hz``: (K,). ``places``: curves. ``values``: (C, K), complex. ``covariance``: (2·C·K, 2·C·K), of all real parts, curve
    after curve, and then of all imaginary parts."""

    hz: Real = field(repr=False)
    places: tuple[int, ...]
    values: Complex = field(repr=False)
    covariance: Real = field(repr=False)

    def curve(self, place: int, *, imaginary: bool = False) -> slice:
        """Return the columns of a curve's real or imaginary parts."""
        at = self.places.index(place) + (len(self.places) if imaginary else 0)
        return slice(at * self.hz.size, (at + 1) * self.hz.size)

    @property
    def parts(self) -> Real:
        """All real parts, then all imaginary parts, (2·C·K,)."""
        return laid(self.values.ravel())


def laid(values: Complex) -> Real:
    """Return real and imaginary parts end to end along the last axis."""
    return np.concatenate([values.real, values.imag], axis=-1)


def turned(rows: Complex) -> Real:
    """Return what complex rows, each times a circular number, are to the parts: two real rows for each, (2·R, 2·n)."""
    return np.concatenate([laid(rows), laid(1j * rows)])


@dataclass(frozen=True)
class Pair:
    """A subject (the unit, or the check standard) in the reference proof and now."""

    reference: Seen
    now: Seen


def difference(unit: Pair, kin: Kinship, band_hz: tuple[float, float], check: Pair | None = None) -> Difference:
    """Return the change of the unit with its covariance, the check standard's change taken off where there is one.

    DataError where the two proofs have too little of the band in common.
    """
    hz = common_points(unit, band_hz)
    places = tuple(place for place in range(5) if place in unit.reference.places and place in unit.now.places)
    values = _values(unit, hz, places)
    rows = _rows(unit, kin, hz, places, "unit")
    covariance = _covariance(rows) + _noise(unit, hz, places) + interpolated(unit, hz, places)
    if check is not None and set(places) <= {*check.reference.places} & {*check.now.places}:
        values, covariance = _given(check, kin, hz, places, rows, values, covariance)
    return Difference(hz, places, values, covariance)


def common_points(unit: Pair, band_hz: tuple[float, float]) -> Real:
    """Return the frequencies compared: those of the coarser grid in the band that both cover, at most MOST_POINTS of them."""
    one, other = unit.reference.frequency_hz, unit.now.frequency_hz
    low, high = max(one[0], other[0], band_hz[0]), min(one[-1], other[-1], band_hz[1])
    inside = [grid[(grid >= low * (1 - 1e-9)) & (grid <= high * (1 + 1e-9))] for grid in (one, other)]
    fewer = min(inside, key=len)
    if len(fewer) < LEAST_POINTS:
        raise DataError(
            f"the two proofs have {len(fewer)} frequencies of the band in common, {show_frequency(band_hz[0])} to "
            f"{show_frequency(band_hz[1])}; at least {LEAST_POINTS} are needed",
            hint="Recheck on the grid of the reference proof.",
        )
    return np.asarray(fewer[np.unique(np.linspace(0, fewer.size - 1, min(fewer.size, MOST_POINTS)).round().astype(int))])


def _values(pair: Pair, hz: Real, places: tuple[int, ...]) -> Complex:
    old, new = (np.stack([_at(seen, place, hz) for place in places]) for seen in (pair.reference, pair.now))
    ratio = np.array([place in AS_RATIO for place in places])[:, np.newaxis]
    with np.errstate(all="ignore"):
        return np.asarray(np.where(ratio, np.log(new / old), new - old), dtype=np.complex128)


def _at(seen: Seen, place: int, hz: Real) -> Complex:
    from scipy.interpolate import CubicSpline

    if np.all(np.isin(hz, seen.frequency_hz)):
        return np.asarray(seen.x[np.searchsorted(seen.frequency_hz, hz), place])
    return np.asarray(CubicSpline(seen.frequency_hz, seen.x[:, place])(hz), dtype=np.complex128)


def _tag(key: Key, kin: Kinship, side: str, subject: str) -> tuple[str, ...]:
    """Return what tells an error of one proof from that of the other: nothing where it is the same error both times."""
    group = key[0]
    if group in (CONNECTOR, CABLE) and key[1] == CALIBRATION:
        return () if kin.calibration else (side,)
    if group in (CONNECTOR, CABLE, DRIFT, TEMPERATURE):
        return (side, subject)
    if group in (LINEARITY, ISOLATION):
        return () if kin.standards and kin.analyser else (side,)
    if "not measured" in group and "receiver" not in group:
        return (subject,)  # an entry of the unit that no sweep shows: the same unit, the same entry
    return () if kin.standards else (side,)


def _rows(pair: Pair, kin: Kinship, hz: Real, places: tuple[int, ...], subject: str) -> dict[tuple[str, ...], Real]:
    """Return each independent error as real rows: one for a real number, two for each delay that stands for a turning one."""
    spans = [float(np.ptp(seen.frequency_hz)) for seen in (pair.reference, pair.now)]
    turns = delays(max(spans))
    found: dict[tuple[str, ...], Real] = {}
    for side, sign, seen in (("reference", -1.0, pair.reference), ("now", 1.0, pair.now)):
        over = _over(seen, places)
        points = Points.on(seen.frequency_hz, hz)
        turning = np.exp(-2j * np.pi * turns[:, np.newaxis] * hz)
        for one in seen.inputs:
            size = sign * one.size.linear * np.sqrt(mean_square(one.size.kind))
            effect = size * points.take(np.asarray(one.x[:, list(places)] * over)).T
            if one.size.kind == "real":
                rows = laid(effect.ravel())[np.newaxis]
            else:
                rows = turned((effect[np.newaxis] * turning[:, np.newaxis, :]).reshape(turns.size, -1)) / np.sqrt(2 * turns.size)
            key = (*cause(one.key), *_tag(one.key, kin, side, subject))
            found[key] = found[key] + rows if key in found else rows
    return found


def _over(seen: Seen, places: tuple[int, ...]) -> Complex:
    return np.stack([1 / seen.x[:, place] if place in AS_RATIO else np.ones(len(seen.x)) for place in places], axis=1)


def _covariance(rows: Mapping[tuple[str, ...], Real]) -> Real:
    every = np.concatenate(list(rows.values()))
    return np.asarray(every.T @ every)


def _circular(covariance: Complex) -> Real:
    """Return the covariance of the parts of circular numbers, from half the mean of v·v̄."""
    return np.block([[covariance.real, -covariance.imag], [covariance.imag, covariance.real]])


def _noise(pair: Pair, hz: Real, places: tuple[int, ...]) -> Real:
    count = hz.size
    total = np.zeros((len(places) * count,) * 2, dtype=np.complex128)
    for seen in (pair.reference, pair.now):
        for number, place in enumerate(places):
            here = slice(number * count, (number + 1) * count)
            scale = 1 / _at(seen, place, hz) if place in AS_RATIO else np.ones(count)
            columns = _columns(seen.smooth[place], seen.frequency_hz, hz) * scale[:, np.newaxis]
            total[here, here] += columns @ columns.conj().T
    return _circular(total)


def _columns(one: Smooth, frequency_hz: Real, hz: Real) -> Complex:
    """Return what independent unit numbers make of the noise that is left at ``hz``, (K, n)."""
    size = one.noise / np.sqrt(2.0)
    basis = np.eye(hz.size) if one.basis is None else Points.on(frequency_hz, hz).take(one.basis)
    return np.asarray(size * basis, dtype=np.complex128)


def interpolated(pair: Pair, hz: Real, places: tuple[int, ...]) -> Real:
    """Return what interpolation adds: the distance of a cubic from straight lines, taken as a standard deviation."""
    total = np.zeros((2 * len(places) * hz.size,) * 2)
    if same_grid(pair.reference.frequency_hz, pair.now.frequency_hz):
        return total
    for seen in (pair.reference, pair.now):
        straight = Points.on(seen.frequency_hz, hz, STRAIGHT)
        off = [_at(seen, place, hz) - straight.take(seen.x[:, place]) for place in places]
        scaled = [part / _at(seen, place, hz) if place in AS_RATIO else part for part, place in zip(off, places, strict=True)]
        total += np.diag(np.tile(np.abs(np.concatenate(scaled)) ** 2, 2))
    return total


def _given(
    check: Pair, kin: Kinship, hz: Real, places: tuple[int, ...], rows: Mapping[tuple[str, ...], Real],
    values: Complex, covariance: Real,
) -> tuple[Complex, Real]:  # fmt: skip
    """Return the unit's change and covariance given the check standard's change: what both share is taken off (least squares)."""
    beside = _rows(check, kin, hz, places, "check")
    own = _covariance(beside) + _noise(check, hz, places) + interpolated(check, hz, places)
    both = [key for key in rows if key in beside]
    if not both:
        return values, covariance
    cross = sum((rows[key].T @ beside[key] for key in both), np.zeros_like(covariance))
    scale = np.sqrt(np.maximum(np.diag(own), 1e-30))
    gain = cross / scale @ np.linalg.pinv(own / np.outer(scale, scale), rcond=1e-6, hermitian=True) / scale
    off = gain @ laid(_values(check, hz, places).ravel())
    taken = (off[: values.size] + 1j * off[values.size :]).reshape(values.shape)
    return values - taken, covariance - gain @ cross.T
