"""Drift or not: two tests at 2.5 % each on the difference of two proofs, together at most 5 % false alarms.

The sizes of contacts, cables and drift are taken as known to RELIABILITY of themselves, so every draw of all errors has a factor
of its own (a t-distribution): the five features together follow an F-distribution then, and the largest deviation is drawn. It
is less than the RELIABILITY of a figure's own uncertainty (harness.analysis.phasors), and DEGREES more: most of that is what a
bench states of its standards, which cancels here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.drift.difference import S21, S31, Difference
from harness.records.drift import DriftFeature, DriftTest

Real = NDArray[np.float64]
RELIABILITY = 0.1
"""A tenth. Chosen, no source."""
DEGREES = 0.5 / RELIABILITY**2
"""Degrees of freedom of a size known to this part of itself (GUM G.4.2): 50."""
ALARMS = 0.025
"""False alarms of each of the two tests."""
DRAWS = 4000
SEED = 20_260_301
TO_DB = -20 / np.log(10)
"""Coupling in dB falls where S31 grows."""
KEPT = 1e-7
LEAST_SIGMA = 1e-9
FEATURES = (("level", "dB"), ("tilt", "dB"), ("curvature", "dB"), ("phase", "degrees"), ("delay", "ps"))


@dataclass(frozen=True)
class View:
    """One real curve of the difference: what it shows, values and standard deviations, (K,)."""

    place: int
    part: str
    values: Real = field(repr=False)
    sigma: Real = field(repr=False)

    @property
    def standard(self) -> Real:
        """The values over their standard deviations."""
        return np.asarray(self.values / self.sigma)


@dataclass(frozen=True)
class Judged:
    """Both tests, the features with intervals, and the curves. ``peak_threshold``: what the largest deviation may be."""

    tests: tuple[DriftTest, ...]
    features: tuple[DriftFeature, ...]
    views: tuple[View, ...]
    peak_threshold: float
    level_sigma: float

    @property
    def drifted(self) -> bool:
        """Whether either test says so."""
        return any(test.drifted for test in self.tests)


def judge(found: Difference, draws: int = DRAWS, seed: int = SEED) -> Judged:
    """Return both tests on a difference; the same difference always gives the same answer."""
    views = tuple(_views(found))
    peak, threshold = _largest(found, views, draws, seed)
    features, together, level_sigma = _features(found)
    return Judged((peak, together), features, views, threshold, level_sigma)


def _parts(place: int) -> tuple[str, ...]:
    return ("real",) if place in (S21, S31) else ("real", "imaginary")


def _columns(found: Difference, place: int, part: str) -> slice:
    return found.curve(place, imaginary=part == "imaginary")


def _views(found: Difference) -> list[View]:
    sigma = np.sqrt(np.maximum(np.diag(found.covariance), LEAST_SIGMA**2))
    views = []
    for place, values in zip(found.places, found.values, strict=True):
        scale = TO_DB if place in (S21, S31) else 1.0
        for part in _parts(place):
            shown = values.real if part == "real" else values.imag
            views.append(View(place, part, scale * shown, abs(scale) * sigma[_columns(found, place, part)]))
    return views


def _largest(found: Difference, views: tuple[View, ...], draws: int, seed: int) -> tuple[DriftTest, float]:
    """Return the test of the largest deviation of any curve at any frequency, in standard deviations, and its threshold."""
    rng = np.random.default_rng(seed)
    shown = np.concatenate([np.r_[_columns(found, view.place, view.part)] for view in views])
    covariance = found.covariance[np.ix_(shown, shown)]
    sigma = np.sqrt(np.maximum(np.diag(covariance), LEAST_SIGMA**2))
    energy, turn = np.linalg.eigh(covariance / np.outer(sigma, sigma))
    kept = energy > KEPT * energy[-1]
    factor = (turn[:, kept] * np.sqrt(energy[kept])).T.astype(np.float32)
    errors = rng.standard_normal((draws, len(factor)), dtype=np.float32) @ factor
    largest = np.max(np.abs(errors), axis=1).astype(np.float64)
    largest = largest * np.sqrt(DEGREES / rng.chisquare(DEGREES, size=draws))
    threshold = float(np.quantile(largest, 1 - ALARMS))
    seen = max(float(np.max(np.abs(view.standard))) for view in views)
    p = (1 + int(np.count_nonzero(largest >= seen))) / (draws + 1)
    says = "largest deviation of any curve at any frequency, in standard deviations; threshold by Monte Carlo of the difference"
    name = "largest deviation"
    return DriftTest(name=name, says=says, statistic=seen, threshold=threshold, p=p, drifted=seen > threshold), threshold


def shapes(hz: Real) -> Real:
    """Return what one unit of each feature is in ln(S31 now/S31 then): real parts over imaginary parts, (2·K, 5).

    Tilt is the rise in dB from the band's lower to its upper end, curvature how far the ends lie above the middle, phase that at
    the middle in degrees, delay in ps. Legendre polynomials over the band.
    """
    middle, half = (hz[0] + hz[-1]) / 2, (hz[-1] - hz[0]) / 2
    place = (hz - middle) / half
    found = np.zeros((2 * hz.size, 5))
    found[: hz.size, :3] = np.stack([np.ones_like(place), place / 2, place**2 - 1 / 3], axis=1) / TO_DB
    found[hz.size :, 3:] = np.stack([np.full_like(place, np.pi / 180), -2e-12 * np.pi * half * place], axis=1)
    return found


def operator_of(shape: Real, covariance: Real) -> Real:
    """Return what makes the features of a change, (5, 2·K): least squares weighted with the covariance.

    Half of the weight's covariance is taken as independent from point to point, so that no fine detail of it decides.
    """
    rough = covariance + np.eye(len(covariance)) * np.mean(np.diag(covariance)) + 1e-18 * np.eye(len(covariance))
    weighted = np.linalg.solve(rough, shape)
    return np.asarray(np.linalg.solve(shape.T @ weighted, weighted.T), dtype=np.float64)


def _features(found: Difference) -> tuple[tuple[DriftFeature, ...], DriftTest, float]:
    """Return the five features of the coupling's change, their joint test, and the standard deviation of the level."""
    from scipy.special import fdtrc, fdtri, stdtrit

    here = np.r_[found.curve(S31), found.curve(S31, imaginary=True)]
    covariance = found.covariance[np.ix_(here, here)]
    operator = operator_of(shapes(found.hz), covariance)
    values = operator @ found.parts[here]
    joint = operator @ covariance @ operator.T
    joint += np.diag(np.maximum(np.diag(joint), LEAST_SIGMA**2)) * 1e-9
    count = len(values)
    statistic = float(values @ np.linalg.solve(joint, values))
    threshold = count * float(fdtri(count, DEGREES, 1 - ALARMS))
    p = float(fdtrc(count, DEGREES, statistic / count))
    wide = float(stdtrit(DEGREES, 0.975)) * np.sqrt(np.diag(joint))
    features = tuple(
        DriftFeature(name=name, unit=unit, value=float(value), low=float(value - each), high=float(value + each))
        for (name, unit), value, each in zip(FEATURES, values, wide, strict=True)
    )
    says = "level, tilt, curvature, phase and delay of the coupling together, chi-square with five degrees of freedom"
    test = DriftTest(
        name="five features", says=says, statistic=statistic, threshold=threshold, p=p, drifted=statistic > threshold
    )
    return features, test, float(np.sqrt(joint[0, 0]))
