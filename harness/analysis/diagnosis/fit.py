"""Fitting one explanation to all readings at once, and how much the readings speak for it.

The fit finds the most likely values: the smallest of |whitened residual|² + |z|² (see ``knobs``). The evidence is the likelihood
of the readings averaged over what the build leaves open, by Laplace's method: −½(least value) − ½ ln det(I + JᵀJ). An explanation
with much freedom pays for what it did not need, as in any information criterion (Schwarz's is its form for many readings).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.analysis.diagnosis.circuits import Fitted
from harness.analysis.diagnosis.intended import ScaledCore
from harness.analysis.diagnosis.knobs import Knob
from harness.analysis.diagnosis.observed import Observed

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Build = Callable[[dict[str, float]], Fitted]

METHOD = "lm"
STEP = 1e-3
"""Step of the differences that give the slopes, in z."""
LONGEST_STEP = 2.0
"""No knob moves more than this in one step, in z."""
AT_REST = 0.03
"""A gain of less cost than this, and less than its square times the cost, ends a fit."""
MOST_DAMPED = 6
LITTLE_DAMPED = 0.04
GOOD_STEP = 0.75
"""A step that gains this part of what the slopes promised does not ask for new ones."""


@dataclass(frozen=True)
class Candidate:
    """What is fitted: how values become a circuit, and the knobs."""

    build: Build = field(repr=False)
    knobs: tuple[Knob, ...] = field(repr=False)

    def values(self, z: Floats) -> dict[str, float]:
        """Return the values of the knobs by name."""
        return {knob.name: knob.value(float(each)) for knob, each in zip(self.knobs, z, strict=True)}

    def fitted(self, z: Floats) -> Fitted:
        """Return the circuit at z."""
        return self.build(self.values(z))


@dataclass(frozen=True)
class Fit:
    """A fit. ``misfit``: |whitened residual|²; ``cost``: with |z|². ``evidence``: ln of the marginal likelihood, but for a
    constant that all explanations of the same readings share. ``covariance`` of z. ``done``: whether the fit came to its end."""

    candidate: Candidate = field(repr=False)
    z: Floats = field(repr=False)
    misfit: float
    cost: float
    evidence: float
    covariance: Floats = field(repr=False)
    done: bool

    @property
    def values(self) -> dict[str, float]:
        """The values of the knobs by name."""
        return self.candidate.values(self.z)

    @property
    def fitted(self) -> Fitted:
        """The fitted circuit."""
        return self.candidate.fitted(self.z)

    def by_name(self) -> dict[str, float]:
        """Return z by the knobs' names, to start another fit from."""
        return {knob.name: float(z) for knob, z in zip(self.candidate.knobs, self.z, strict=True)}


def start_of(knobs: Sequence[Knob], near: dict[str, float] | None = None) -> Floats:
    """Return where a fit starts: the knobs' own places, or those of an earlier fit."""
    return np.array([(near or {}).get(knob.name, knob.start) for knob in knobs])


def fit(observed: Observed, candidate: Candidate, start: Floats, tries: int = 10, *, soft: float = 1.0) -> Fit:
    """Return the fit of a candidate from a starting z, with the slopes taken at most ``tries`` times.

    ``soft``: the readings count for so much less while the fit looks for its place; the cost is the full one all the same. Far
    from a good place the full readings would drag every knob to its stop, past the place that they mean.
    """
    scale = np.ones(2 * observed.values.size + start.size)
    scale[: 2 * observed.values.size] = soft

    def distance(z: Floats) -> Floats:
        return np.asarray(distance_of(observed, candidate, z) * scale, dtype=np.float64)

    def slopes(z: Floats, _: Floats) -> Floats:
        return np.asarray(slopes_of(observed, candidate, z) * scale[:, np.newaxis], dtype=np.float64)

    found = descend(distance, slopes, start, tries)
    if soft == 1.0:
        return judged(candidate, found.z, found.cost, found.slopes, done=found.done)
    left = distance_of(observed, candidate, found.z)
    return judged(candidate, found.z, float(left @ left), found.slopes / scale[:, np.newaxis], done=False)


@dataclass(frozen=True)
class Descent:
    """Where a descent ended: z, cost, slopes there or at the step before, and whether it came to rest."""

    z: Floats = field(repr=False)
    cost: float
    slopes: Floats = field(repr=False)
    done: bool


def descend(
    distance: Callable[[Floats], Floats], slopes: Callable[[Floats, Floats], Floats], start: Floats, tries: int
) -> Descent:
    """Return the least sum of squares of ``distance`` by damped Gauss–Newton steps (Levenberg, Marquardt).

    A library's search takes first steps of any length; here they would end where a core has endless permeability and nothing
    has a slope any more. So no knob moves more than LONGEST_STEP at once. Slopes are dear: after a step that gained what they
    promised they are kept and corrected by what the step has shown (Broyden 1965).
    """
    z, left = start, distance(start)
    cost, damping = float(left @ left), 0.0
    jacobian, fresh, slow, number = slopes(z, left), True, False, 1
    while True:
        stepped = _step(distance, jacobian, z, left, damping)
        if stepped is None and fresh:
            return Descent(z, cost, jacobian, done=True)
        good = False
        if stepped is not None:
            moved, new, used = stepped
            step, promised = moved - z, left + jacobian @ (moved - z)
            gained, hoped = cost - float(new @ new), cost - float(promised @ promised)
            z, left, cost, damping = moved, new, cost - gained, used / 5
            small = gained < AT_REST * (1 + AT_REST * cost)
            good = gained > GOOD_STEP * hoped
            if small and (fresh or good) and (slow or used < LITTLE_DAMPED):  # a step that is held back gains little anywhere
                return Descent(z, cost, jacobian, done=True)
            slow = small
            if good:
                jacobian, fresh = jacobian + np.outer(new - promised, step / (step @ step)), False
        if not good:
            if number == tries:
                return Descent(z, cost, jacobian, done=False)
            jacobian, fresh, number = slopes(z, left), True, number + 1


def _step(
    distance: Callable[[Floats], Floats], jacobian: Floats, z: Floats, left: Floats, damping: float
) -> tuple[Floats, Floats, float] | None:
    """Return a z of less cost, its distance and the damping that it took; None where there is none near."""
    curvature, gradient = jacobian.T @ jacobian, jacobian.T @ left
    scale = np.diag(np.diag(curvature))
    for _ in range(MOST_DAMPED):
        step = -np.linalg.solve(curvature + damping * scale, gradient)
        longest = float(np.max(np.abs(step), initial=0.0))
        moved = z + step * min(1.0, LONGEST_STEP / max(longest, LONGEST_STEP))
        new = distance(moved)
        if np.isfinite(new).all() and new @ new <= left @ left:
            return moved, new, damping
        damping = max(5 * damping, 0.05)
    return None


def judged(candidate: Candidate, z: Floats, cost: float, slopes: Floats, *, done: bool) -> Fit:
    """Return the fit at z, with its evidence from the cost and the slopes there, (2n + knobs, knobs)."""
    curvature = slopes.T @ slopes
    evidence = -cost / 2 - float(np.linalg.slogdet(curvature)[1]) / 2
    covariance = np.asarray(np.linalg.inv(curvature), dtype=np.float64)
    return Fit(candidate, z, cost - float(z @ z), cost, evidence, covariance, done)


def distance_of(observed: Observed, candidate: Candidate, z: Floats) -> Floats:
    """Return the whitened residual, then z itself: 2n + knobs numbers whose squares make the cost."""
    predicted = observed.predict(candidate.fitted(z).matrix(observed.frequency_hz))
    return np.concatenate([observed.distance(predicted), z])


def slopes_of(observed: Observed, candidate: Candidate, z: Floats) -> Floats:
    """Return the derivatives of the whitened distance and of z itself by z, shape (2n + knobs, knobs)."""
    values = candidate.values(z)
    around = _Around.of(observed, candidate.build(values))
    moved = (
        candidate.build(values | {knob.name: knob.value(float(at) + STEP)}) for knob, at in zip(candidate.knobs, z, strict=True)
    )
    changes = np.stack([around.change(fitted) for fitted in moved], axis=-1)
    rows, columns = observed.sensitivity(around.s)
    read = np.einsum("mfi,fijk,mfj->mfk", rows, changes, columns, optimize=True)
    white = observed.whiten @ read.reshape(-1, z.size) * (-np.sqrt(2) / STEP)
    return np.vstack([white.real, white.imag, np.eye(z.size)])


@dataclass(frozen=True)
class _Around:
    """A circuit, its solution ``inner`` and S-matrix ``s``, and how that changes with ln of the core's admittance, (F, 3, 3)."""

    hz: Floats
    fitted: Fitted
    inner: Complex
    s: Complex
    by_core: Complex
    admittance: Complex

    @classmethod
    def of(cls, observed: Observed, fitted: Fitted) -> _Around:
        """Return what is needed around a circuit."""
        hz, core = observed.frequency_hz, fitted.circuit.core
        inner = fitted.inner(hz)
        s = fitted.outer(hz, inner)
        probed = replace(fitted, circuit=replace(fitted.circuit, core=ScaledCore(core, 1 + STEP)))
        by_core = (probed.matrix(hz) - s) / STEP
        return cls(hz, fitted, inner, s, by_core, core.admittance(hz))

    def change(self, other: Fitted) -> Complex:
        """Return the small change of the S-matrix to another circuit's; only what has changed is solved again.

        Whatever the material does, the rest of the circuit sees it through one admittance.
        """
        mine, its = vars(self.fitted.circuit), vars(other.circuit)
        differing = [name for name, value in its.items() if value is not mine[name] and value != mine[name]]
        if not differing:
            return other.outer(self.hz, self.inner) - self.s
        if differing == ["core"]:
            share = other.circuit.core.admittance(self.hz) / self.admittance - 1
            return np.asarray(self.by_core * share[:, np.newaxis, np.newaxis], dtype=np.complex128)
        return other.matrix(self.hz) - self.s
