"""How well a scene explains the sweeps: the most likely unit of a kind is fitted to all of them at once.

The cost is |whitened residual|² + |z|² at its least: minus twice the logarithm of the likelihood with the build
tolerances as prior. Differences of costs of one and the same sweeps are logarithmic likelihood ratios.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from harness.analysis.guard.reading import EXTRA_KNOBS, EXTRA_STARTS, Around, Floats, read
from harness.analysis.guard.scenes import Scene
from harness.analysis.guard.unit import STEP, UnitModel
from harness.analysis.guard.weighing import Seen
from harness.analysis.readings import Complex

ITERATIONS = 12
LEAST_DAMPING = 0.03
MOST_DAMPING = 30.0
LONGEST_STEP = 2.0
WORTH = 0.3
LEAST_SHARE = 0.01
"""A fit that gains less by a step, or less than this part of its cost, is done."""


@dataclass(frozen=True)
class Fit:
    """The most likely unit. ``z``: its numbers, then those of the newest scene's extra. ``sense``: 1, or −1 for a winding that
    is the other way round. ``slopes`` around ``s``: (knobs, F, 3, 3)."""

    cost: float
    z: Floats = field(repr=False)
    sense: int
    s: Complex = field(repr=False)
    slopes: Complex = field(repr=False)
    information: Floats = field(repr=False)


@dataclass(frozen=True)
class Case:
    """Sweeps with the scene that each is taken for, the newest last; only the newest scene may have an extra."""

    seen: Sequence[Seen]
    scenes: Sequence[Scene]
    around: Around

    def distance(self, s: Complex, extra: Floats) -> Floats:
        """Return all whitened residuals, (..., n). ``s``: (..., F, 3, 3); ``extra``: (..., knobs)."""
        found = []
        for one, scene in zip(self.seen, self.scenes, strict=True):
            found.append(one.distance(read(scene, s, self.around, one.traces, extra)))
        return np.concatenate(found, axis=-1)

    @property
    def extras(self) -> int:
        """How many numbers the newest scene's extra has."""
        return EXTRA_KNOBS[self.scenes[-1].extra] if self.scenes else 0


def turned(s: Complex, sense: int) -> Complex:
    """Return the three-port with the winding's sense."""
    if sense == 1:
        return s
    signs = np.array([1.0, 1.0, -1.0])
    return np.asarray(s * (signs[:, None] * signs), dtype=np.complex128)


def start(unit: UnitModel, around: Around, z: Floats | None = None, sense: int = 1) -> Fit:
    """Return a fit to nothing: the nominal unit, with its slopes."""
    at = np.zeros(len(unit.knobs)) if z is None else z
    moved = unit.matrices(around.frequency_hz, at)
    return Fit(float(at @ at), at, sense, moved[0], (moved[1:] - moved[0]) / STEP, np.eye(at.size))


def linear(case: Case, base: Fit, sense: int, extra: Floats) -> tuple[float, Floats]:
    """Return (cost, z) of the newest sweep's scene with the unit's slopes at ``base``, a fit of the sweeps before."""
    newest = Case(case.seen[-1:], case.scenes[-1:], case.around)
    residual, jacobian = _slopes(newest, turned(base.s, sense), turned(base.slopes, sense), extra)
    knobs = base.slopes.shape[0]
    weight = np.eye(knobs + extra.size)
    weight[:knobs, :knobs] = base.information
    pull = np.concatenate([np.zeros(knobs), extra])
    step = -np.linalg.solve(weight + jacobian.T @ jacobian, jacobian.T @ residual + pull)
    left = residual + jacobian @ step
    moved = step + pull
    total = base.cost + float(left @ left) + float(moved @ weight @ moved)
    return total, np.concatenate([base.z + step[:knobs], extra + step[knobs:]])


def _slopes(case: Case, s: Complex, slopes: Complex, extra: Floats) -> tuple[Floats, Floats]:
    """Return the residuals (n,) and their derivatives by the unit's knobs and the extra's, (n, knobs + extra)."""
    knobs, count = slopes.shape[0], extra.size
    units = np.concatenate([s[None], s + STEP * slopes, np.broadcast_to(s, (count, *s.shape))])
    numbers = np.tile(extra, (1 + knobs + count, 1))
    numbers[1 + knobs :] += STEP * np.eye(count)
    found = case.distance(units, numbers)
    return found[0], (found[1:] - found[0]).T / STEP


def fit(case: Case, unit: UnitModel, z: Floats, sense: int) -> Fit:
    """Return the fit of all sweeps from z (unit's numbers, then the extra's): Levenberg's and Marquardt's method."""
    found, residual, jacobian = _at(case, unit, z, sense)
    damping = 0.0
    for _ in range(ITERATIONS):
        curvature = (1 + damping) * np.eye(found.z.size) + jacobian.T @ jacobian
        curvature[np.diag_indices(found.z.size)] += damping * np.sum(jacobian**2, axis=0)
        step = -np.linalg.solve(curvature, jacobian.T @ residual + found.z)
        step *= min(1.0, LONGEST_STEP / float(np.max(np.abs(step), initial=1e-9)))
        trial = found.z + step
        gained = found.cost - cost(case, unit, trial, sense)
        if gained > 0:
            found, residual, jacobian = _at(case, unit, trial, sense)
            damping /= 8
        elif damping > MOST_DAMPING:
            break
        else:
            damping = max(8 * damping, LEAST_DAMPING)
        if 0 <= gained < max(WORTH, LEAST_SHARE * found.cost):
            break
    return found


def cost(case: Case, unit: UnitModel, z: Floats, sense: int) -> float:
    """Return what the sweeps cost at z."""
    knobs = len(unit.knobs)
    residual = case.distance(turned(unit.matrix(case.around.frequency_hz, z[:knobs]), sense), z[knobs:])
    return float(residual @ residual + z @ z)


def _at(case: Case, unit: UnitModel, z: Floats, sense: int) -> tuple[Fit, Floats, Floats]:
    knobs = len(unit.knobs)
    base = start(unit, case.around, z[:knobs], sense)
    residual, jacobian = _slopes(case, turned(base.s, sense), turned(base.slopes, sense), z[knobs:])
    inner = jacobian[:, :knobs]
    found = Fit(float(residual @ residual + z @ z), z, sense, base.s, base.slopes, np.eye(knobs) + inner.T @ inner)
    return found, residual, jacobian


def starts_of(scene: Scene) -> tuple[Floats, ...]:
    """Return where the numbers of a scene's extra are tried from."""
    return tuple(np.array(each, dtype=np.float64) for each in EXTRA_STARTS[scene.extra])
