"""The guard's look at the newest sweep: is it the hook-up that was asked for?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.guard.fitting import Case, Fit, cost, fit, linear, start, starts_of
from harness.analysis.guard.reading import Around, Floats
from harness.analysis.guard.scenes import Scene, intended, mistakes
from harness.analysis.guard.unit import UnitModel
from harness.analysis.guard.weighing import Seen, kept, seen
from harness.analysis.readings import UNIT_HOOKUPS, Complex, Terminations
from harness.records import Residuals, Sweep

GATE = 25.0
"""A sweep whose cost under the intended hook-up, a healthy unit, is below this is not looked at further."""
DOUBT = 25.0
"""How much a mistake's cost must be below the intended hook-up's. In units of 2·ln of the likelihood ratio."""
APART = 25.0
"""Two explanations whose costs are nearer than this cannot be told apart."""
FITS = 150.0
"""A mistake that costs more explains nothing and is not claimed, unless the hook-up asked for costs a hundred times as much."""
BUILD_FAULT = 6.0
"""A bad build pays this before its fit counts."""
BAD_ALREADY = 60.0
"""Cost of the sweeps before from which the unit may be a badly built one."""
REFINED = 4
WIDEST = 3.0
"""How far, in spreads, a fit begins from what is usual."""


@dataclass(frozen=True)
class Weighed:
    """One explanation of the newest sweep, and what the sweep costs under it."""

    scene: Scene
    unit: UnitModel
    cost: float
    fit: Fit = field(repr=False)


@dataclass(frozen=True)
class Verdict:
    """``right``: the intended hook-up of a healthy unit. ``wrong``: mistakes, best first. ``built``: bad builds, best first."""

    right: Weighed
    wrong: tuple[Weighed, ...] = ()
    built: tuple[Weighed, ...] = ()

    @property
    def doubtful(self) -> bool:
        """Whether a mistake explains the sweep, much better than the hook-up asked for, and no bad build does clearly better."""
        if not self.wrong or self.right.cost - self.wrong[0].cost < DOUBT:
            return False
        if self.wrong[0].cost > max(FITS, 0.01 * self.right.cost):
            return False
        return not self.built or self.built[0].cost > self.wrong[0].cost - APART

    @property
    def ambiguous(self) -> bool:
        """Whether a bad build explains the sweep about as well as the mistake.

        What sits between a cable and the unit always has a double inside the unit: a joint, a mismatch, a resistor.
        """
        if not self.wrong:
            return False
        return self.wrong[0].scene.extra is not None or (bool(self.built) and self.built[0].cost < self.wrong[0].cost + APART)


Sweeps = Mapping[str, Sequence[Sweep]]


@dataclass(frozen=True)
class Weigher:
    """Weighs the newest sweep of a run."""

    healthy: UnitModel
    bad: tuple[UnitModel, ...]
    residuals: Residuals

    def weigh(self, name: str, sweeps: Sweeps, terminations: Terminations, thru: Complex) -> Verdict:
        """Return how well the intended hook-up, its mistakes and bad builds explain the last sweep of ``name``.

        ``sweeps``: all corrected sweeps of the run so far, repeats in order, in the order they were taken. ``thru``:
        transmission of the thru standard, (F,).
        """
        newest = sweeps[name][-1]
        index = kept(newest.frequency_hz)
        around = _around(newest.frequency_hz[index], terminations, thru, index)
        before = [
            seen(_mean(each), other, terminations, self.residuals, index)
            for other, taken in sweeps.items()
            if other in UNIT_HOOKUPS and (each := list(taken)[:-1] if other == name else list(taken))
        ]
        now = seen(newest, name, terminations, self.residuals, index)
        return _Weighing(self, before, now, around, index).verdict()


def _around(frequency_hz: Floats, terminations: Terminations, thru: Complex, index: NDArray[np.intp]) -> Around:
    loads = {name: load.gamma[index] for name, load in terminations.loads.items()}
    receiver = terminations.receiver
    gamma = np.zeros(index.size, dtype=np.complex128) if receiver is None else receiver.gamma[index]
    return Around(frequency_hz, loads, gamma, thru[index])


def _mean(sweeps: Sequence[Sweep]) -> Sweep:
    first = sweeps[0]
    traces = {key: np.mean([sweep.trace(key) for sweep in sweeps], axis=0) for key in first.traces}
    return Sweep(first.name, first.frequency_hz, traces, first.ports)


class _Weighing:
    """One look: the sweeps before, the newest, and what is around them."""

    def __init__(self, weigher: Weigher, before: list[Seen], now: Seen, around: Around, index: NDArray[np.intp]) -> None:
        self.before = before
        self.now = now
        self.around = around
        self.past = [intended(one.name) for one in before]
        self.healthy = weigher.healthy.at(index)
        self.bad = [unit.at(index) for unit in weigher.bad]

    def verdict(self) -> Verdict:
        unit, base = self._most_likely()
        right = self._best(unit, base, [intended(self.now.name)], 1)[0]
        if right.cost < GATE:
            return Verdict(right)
        wrong = _by_cost(self._best(unit, base, mistakes(self.now.name), REFINED))
        if right.cost - wrong[0].cost < DOUBT:
            return Verdict(right, wrong)
        return Verdict(right, wrong, _by_cost([self._built(bad, base) for bad in self.bad]))

    def _built(self, unit: UnitModel, base: Fit) -> Weighed:
        """Return the hook-up asked for with a badly built unit: the fit of all sweeps, against the one of those before."""
        scene = intended(self.now.name)
        case = Case([*self.before, self.now], [*self.past, scene], self.around)
        usual = np.zeros(len(unit.knobs))
        like = usual.copy()
        shared = min(base.z.size, usual.size)
        like[:shared] = base.z[:shared]
        options = [(at, sense) for at in (usual, like) for sense in ((base.sense,) if self.before else (1, -1))]
        at, sense = min(options, key=lambda one: cost(case, unit, *one))
        fitted = fit(case, unit, at, sense)
        return Weighed(scene, unit, fitted.cost - base.cost + BUILD_FAULT, fitted)

    def _most_likely(self) -> tuple[UnitModel, Fit]:
        """Return the kind of unit that the sweeps before show, healthy unless a bad build explains them much better."""
        base = self._base(self.healthy)
        if base.cost < BAD_ALREADY:
            return self.healthy, base
        tried = [(self._base(unit, (base.sense,)), unit) for unit in self.bad]
        best, unit = min(tried, key=lambda one: one[0].cost)
        return (unit, best) if best.cost + BUILD_FAULT < base.cost - APART else (self.healthy, base)

    def _base(self, unit: UnitModel, senses: tuple[int, ...] = (1, -1)) -> Fit:
        """Return the fit of the sweeps before."""
        fitted = start(unit, self.around)
        if not self.before:
            return fitted
        case = Case(self.before, self.past, self.around)
        sense = min(senses, key=lambda one: cost(case, unit, fitted.z, one))
        return fit(case, unit, fitted.z, sense)

    def _best(self, unit: UnitModel, base: Fit, scenes: Sequence[Scene], refined: int) -> list[Weighed]:
        tried = []
        for scene in scenes:
            case = Case([*self.before, self.now], [*self.past, scene], self.around)
            senses = (base.sense,) if self.before else (1, -1)
            for sense in senses:
                options = [linear(case, base, sense, extra) for extra in starts_of(scene)]
                least, z = min(options, key=lambda one: one[0])
                tried.append((least, z, sense, case, scene))
        tried.sort(key=lambda one: one[0])
        found: dict[str, Weighed] = {}
        for _, z, sense, case, scene in tried:
            if scene.says in found or len(found) == refined:
                continue
            fitted = fit(case, unit, _better_start(case, unit, base, z, sense), sense)
            found[scene.says] = Weighed(scene, unit, fitted.cost - base.cost, fitted)
        return list(found.values())


def _better_start(case: Case, unit: UnitModel, base: Fit, z: Floats, sense: int) -> Floats:
    """Return where to begin: where the slopes at ``base`` lead, or ``base`` itself where they lead astray."""
    knobs = base.z.size
    ends = np.clip(z, -WIDEST, WIDEST)
    stays = np.concatenate([base.z, ends[knobs:]])
    return min((ends, stays), key=lambda at: cost(case, unit, at, sense))


def _by_cost(found: Sequence[Weighed]) -> tuple[Weighed, ...]:
    return tuple(sorted(found, key=lambda one: one.cost))
