"""The diagnosis of one unit: corrected sweeps in; fitted circuit, faults, weights and what is left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.analysis.adapters import AdapterModel
from harness.analysis.diagnosis import words
from harness.analysis.diagnosis.changes import Change, other_classes
from harness.analysis.diagnosis.circuit_of import circuit_of
from harness.analysis.diagnosis.explanations import BENT, HEALTHY, Trial, try_one, try_pairs, try_singles
from harness.analysis.diagnosis.intended import Intended
from harness.analysis.diagnosis.observed import Observed, ReadingErrors, observe
from harness.analysis.diagnosis.remainder import Remainder, remainder_of
from harness.analysis.diagnosis.tell_apart import decides
from harness.analysis.diagnosis.weigh import UNEXPLAINED, Weighed, is_crude, weigh
from harness.analysis.readings import Sweeps, Terminations, readings_of, repeats_of
from harness.records import FaultEntry

CLAIMED = 0.75
"""Nothing is called faulty unless everything that is not healthy weighs this much together."""
SHOWN = 0.1
"""An explanation of less weight is not named, unless it is the heaviest."""
APART = 12.0
"""Three and a half standard deviations squared: classes whose −2·evidence differs by less are not distinguishable."""
STRANGE = 0.28
"""Pairs of faults are tried where the best single explanation costs more than this for each number read: one in twelve healthy
units does. Found with reference networks of other seeds."""
OF_CORE = ("a_l", "corner")
NOT_DISTINGUISHABLE = "not distinguishable"


@dataclass(frozen=True)
class OpenPair:
    """Two explanations that the sweeps at hand do not tell apart, the heavier one first.

    ``sweep``: the sweep that was not taken and would decide, None where none would. ``needs``: what would decide, in words.
    """

    one: str
    other: str
    sweep: str | None
    needs: str


@dataclass(frozen=True)
class Diagnosis:
    """What is wrong with a unit.

    ``circuit``: the fitted circuit, see ``circuit_of``. ``core``: the class of the core's material, or "not distinguishable".
    ``faults``: none for a healthy unit, else the heaviest first. ``weights``: explanation → probability, they sum to 1; two
    faults together stand there as "turns + wrong core". ``explanation``: the one that ``circuit`` and ``remainder`` belong to.
    ``remainder``: its residual by sweep and frequency. ``open_pairs``: the leading explanation with each other that the sweeps do
    not tell from it, and what would decide; healthy may be one of them.
    """

    circuit: dict[str, float | None]
    core: str
    faults: tuple[FaultEntry, ...]
    weights: dict[str, float]
    explanation: str
    remainder: Remainder
    open_pairs: tuple[OpenPair, ...] = ()


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
        trials = try_pairs(observed, intended, trials)
        weighed = weigh(observed, trials)
    remainder, pairs = remainder_of(observed, weighed.leader), _open_pairs(observed, weighed)
    return Diagnosis(
        circuit=circuit_of(observed, intended, weighed.leader),
        core=_core(observed, intended, weighed, trials),
        faults=_faults(intended, weighed, remainder, pairs),
        weights=weighed.weights,
        explanation=weighed.leader.name,
        remainder=remainder,
        open_pairs=pairs,
    )


def _is_strange(observed: Observed, weighed: Weighed) -> bool:
    """Tell whether the best single explanation leaves much, or a faulty one bends the rest of the build far to fit."""
    leader = weighed.leader
    bent = bool(leader.changes) and leader.bent > BENT
    costs = leader.fit.cost > STRANGE * 2 * observed.values.size
    return (costs or bent) and not is_crude(leader, weighed.best[HEALTHY])


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


def _faults(intended: Intended, weighed: Weighed, remainder: Remainder, pairs: Sequence[OpenPair]) -> tuple[FaultEntry, ...]:
    """Return the faults to name: none while healthy holds, else every one of some weight, the heaviest first."""
    if weighed.weights[HEALTHY] > 1 - CLAIMED:
        return ()
    names = dict.fromkeys(fault for name in weighed.weights if name != HEALTHY for fault in name.split(" + "))
    heavy = sorted(((weighed.of_fault(name), name) for name in names), reverse=True)
    open_ = {fault for pair in pairs for fault in pair.other.split(" + ")}
    shown = [(weight, name) for weight, name in heavy if weight >= SHOWN or name in open_] or heavy[:1]
    return tuple(_entry(name, weight, intended, weighed, remainder, _needs(name, pairs)) for weight, name in shown)


def _open_pairs(observed: Observed, weighed: Weighed) -> tuple[OpenPair, ...]:
    """Return the heaviest explanation with each rival of some weight, and each that the readings, priors aside, leave open."""
    (top, _), *others = weighed.weights.items()
    if top == UNEXPLAINED:
        return ()
    close = () if top == HEALTHY else weighed.close()
    found = []
    for name, its in others:
        if name != UNEXPLAINED and (its >= SHOWN or name in close):
            sweep, needs = decides(observed, weighed.best[top], weighed.best[name])
            found.append(OpenPair(top, name, sweep, needs))
    return tuple(found)


def _needs(fault: str, pairs: Sequence[OpenPair]) -> str | None:
    """Return what would decide about a fault: against the leader, or for the leader's own against the heaviest rival."""
    rival = next((pair.needs for pair in pairs if fault in pair.other.split(" + ")), None)
    own = next((pair.needs for pair in pairs if fault in pair.one.split(" + ")), None)
    return own or rival


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
