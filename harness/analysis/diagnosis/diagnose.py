"""The diagnosis of one unit: corrected sweeps in; fitted circuit, faults, weights and what is left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.adapters import AdapterModel
from harness.analysis.diagnosis import words
from harness.analysis.diagnosis.changes import Change, other_classes
from harness.analysis.diagnosis.circuit_of import circuit_of
from harness.analysis.diagnosis.explanations import HEALTHY, Trial, try_one, try_pairs, try_singles
from harness.analysis.diagnosis.intended import Intended
from harness.analysis.diagnosis.observed import Observed, ReadingErrors, observe
from harness.analysis.diagnosis.tell_apart import decides
from harness.analysis.diagnosis.weigh import UNEXPLAINED, Weighed, is_crude, weigh
from harness.analysis.readings import Complex, Sweeps, Terminations, readings_of, repeats_of
from harness.records import FaultEntry

CLAIMED = 0.75
"""Nothing is called faulty unless everything that is not healthy weighs this much together."""
SHOWN = 0.1
"""An explanation of less weight is not named, unless it is the heaviest."""
APART = 16.0
"""Four standard deviations: classes of cores whose fits differ by less than this in −2·evidence are not distinguishable."""
STRANGE = 0.28
"""Pairs of faults are tried where the best single explanation costs more than this for each number read: one in twelve healthy
units does. Found with reference networks of other seeds."""
BENT = 25.0
"""|z|² of a healthy build stays below this in nineteen of twenty."""
FAR_OFF = 3.0
OF_CORE = ("a_l", "corner")
NOT_DISTINGUISHABLE = "not distinguishable"


@dataclass(frozen=True)
class Remainder:
    """What the best explanation leaves, for a plot: one row for each reading ("coupled s21").

    ``hz``: (F,). ``residual``: reading less fit, complex, (m, F). ``sigma``: how far each may be off, (m, F). ``band_hz``: where
    it is more than FAR_OFF standard deviations off, None where it is nowhere.
    """

    hz: NDArray[np.float64] = field(repr=False)
    names: tuple[str, ...]
    residual: Complex = field(repr=False)
    sigma: NDArray[np.float64] = field(repr=False)
    band_hz: tuple[float, float] | None


@dataclass(frozen=True)
class Diagnosis:
    """What is wrong with a unit.

    ``circuit``: the fitted circuit, see ``circuit_of``. ``core``: the class of the core's material, or "not distinguishable".
    ``faults``: none for a healthy unit, else the heaviest first. ``weights``: explanation → probability, they sum to 1; two
    faults together stand there as "turns + wrong core". ``explanation``: the one that ``circuit`` and ``remainder`` belong to.
    ``remainder``: its residual by sweep and frequency.
    """

    circuit: dict[str, float | None]
    core: str
    faults: tuple[FaultEntry, ...]
    weights: dict[str, float]
    explanation: str
    remainder: Remainder


def diagnose(
    sweeps: Sweeps,
    terminations: Terminations,
    intended: Intended,
    adapters: Mapping[str, AdapterModel] | None = None,
    errors: ReadingErrors | None = None,
) -> Diagnosis:
    """Return the diagnosis of one unit from its corrected sweeps; "line" and "coupled" are needed, the others sharpen it.

    ``intended``: from ``intended_of(type_, cores, materials, cables)``. ``errors``: sizes of what the correction leaves. Raises
    DataError as ``readings_of`` does.
    """
    for name in ("line", "coupled"):
        repeats_of(sweeps, name)
    readings = readings_of(sweeps, terminations)
    frequency_hz = repeats_of(sweeps, "line")[0].frequency_hz
    observed = observe(frequency_hz, readings, errors or ReadingErrors(), adapters, vague=intended.vague(intended.material))
    trials = try_singles(observed, intended)
    weighed = weigh(observed, trials)
    if _is_strange(observed, weighed):
        trials = (*trials, *try_pairs(observed, intended, trials))
        weighed = weigh(observed, trials)
    remainder = remainder_of(observed, weighed.leader)
    return Diagnosis(
        circuit=circuit_of(observed, intended, weighed.leader),
        core=_core(observed, intended, weighed, trials),
        faults=_faults(observed, intended, weighed, remainder),
        weights=weighed.weights,
        explanation=weighed.leader.name,
        remainder=remainder,
    )


def _is_strange(observed: Observed, weighed: Weighed) -> bool:
    """Tell whether the best single explanation leaves much, or a faulty one bends the rest of the build far to fit."""
    leader = weighed.leader
    bent = bool(leader.changes) and leader.fit.cost - leader.fit.misfit > BENT
    costs = leader.fit.cost > STRANGE * 2 * observed.values.size
    return (costs or bent) and not is_crude(leader, weighed.best[HEALTHY])


def remainder_of(observed: Observed, trial: Trial) -> Remainder:
    """Return what a trial leaves of the readings."""
    left = observed.values - observed.predict(trial.fit.fitted.matrix(observed.frequency_hz))
    off = np.any(np.abs(left) > FAR_OFF * observed.size, axis=1)
    where = observed.frequency_hz[off]
    band = (float(where[0]), float(where[-1])) if where.size else None
    return Remainder(observed.frequency_hz, observed.names, left.T, observed.size.T, band)


def _core(observed: Observed, intended: Intended, weighed: Weighed, trials: Sequence[Trial]) -> str:
    """Return the class of the core's material: the leader's, where every other class fits worse by APART."""
    leader = weighed.leader
    rest = tuple(change for change in leader.changes if change.fault != "wrong core")
    of_class = {material_of(leader, intended): -2 * leader.fit.evidence}
    near = {name: z for name, z in leader.fit.by_name().items() if name not in OF_CORE and not name.startswith("bend")}
    for change in (None, *other_classes(intended)):
        material = intended.material if change is None else str(change.material)
        if material in of_class:
            continue
        applied = rest if change is None else (*rest, change)
        known = [trial.fit for trial in trials if trial.changes == applied and trial.fit.done]
        fitted = known[0] if known else try_one(observed, intended, applied, near).fit
        of_class[material] = -2 * fitted.evidence
    ranked = sorted(of_class.items(), key=lambda item: item[1])
    return ranked[0][0] if ranked[1][1] - ranked[0][1] >= APART else NOT_DISTINGUISHABLE


def material_of(trial: Trial, intended: Intended) -> str:
    """Return the class of the core that a trial assumes."""
    return next((change.material for change in trial.changes if change.material is not None), intended.material)


def _faults(observed: Observed, intended: Intended, weighed: Weighed, remainder: Remainder) -> tuple[FaultEntry, ...]:
    """Return the faults to name: none while healthy holds, else every one of some weight, the heaviest first."""
    if weighed.weights[HEALTHY] > 1 - CLAIMED:
        return ()
    names = dict.fromkeys(fault for name in weighed.weights if name != HEALTHY for fault in name.split(" + "))
    heavy = sorted(((weighed.of_fault(name), name) for name in names), reverse=True)
    close = weighed.close()
    shown = [(weight, name) for weight, name in heavy if weight >= SHOWN or name in close] or heavy[:1]
    needs = _needs(observed, weighed, close)
    return tuple(_entry(name, weight, intended, weighed, remainder, needs) for weight, name in shown)


def _needs(observed: Observed, weighed: Weighed, close: tuple[str, ...]) -> str | None:
    """Return what would decide between the heaviest explanation and the next, None where the first stands alone."""
    (top, weight), *others = weighed.weights.items()
    if top == UNEXPLAINED or (weight >= words.SURE and not set(close) - {top}):
        return None
    rivals = [name for name, _ in others if name != UNEXPLAINED and (weight < words.SURE or name in close)]
    return decides(observed, weighed.best[top], weighed.best[rivals[0]]) if rivals else None


def _entry(
    fault: str, weight: float, intended: Intended, weighed: Weighed, remainder: Remainder, needs: str | None
) -> FaultEntry:
    rounded = round(min(weight, 1.0), 4)
    if fault == UNEXPLAINED:
        low, high = remainder.band_hz or (float(remainder.hz[0]), float(remainder.hz[-1]))
        return FaultEntry(
            fault=fault, weight=rounded, says=words.unexplained(low, high, weight), try_=words.TRY[fault], needs=needs
        )
    trial, change = _best_with(weighed, fault)
    return FaultEntry(
        fault=fault,
        weight=rounded,
        says=words.says(change, trial.fit.values, intended, weight),
        try_=words.TRY[fault],
        needs=needs,
        turns=change.turns,
        where=change.where,
    )


def _best_with(weighed: Weighed, fault: str) -> tuple[Trial, Change]:
    trial = max(
        (trial for trial in weighed.best.values() if any(change.fault == fault for change in trial.changes)),
        key=lambda trial: trial.log_weight,
    )
    return trial, next(change for change in trial.changes if change.fault == fault)
