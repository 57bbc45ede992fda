"""Explanations: a healthy build, each fault, each likely pair of faults; fitted one by one, the hopeless ones given up early."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from harness.analysis.diagnosis.changes import FREE_SHARE, LIKELY_PAIRS, Change, changes, fields_with, knobs_with, whole_turns
from harness.analysis.diagnosis.circuits import Fitted
from harness.analysis.diagnosis.fit import Candidate, Fit, fit, start_of
from harness.analysis.diagnosis.intended import Intended
from harness.analysis.diagnosis.observed import Observed
from harness.analysis.diagnosis.screen import Screen

HEALTHY = "healthy"
HEALTHY_PRIOR = 0.85
"""Prior probability of a healthy build; the faults share the rest evenly, pairs of them PAIRS_PRIOR. Chosen, no source."""
PAIRS_PRIOR = 0.02
MORE_TRIES = 14
WORTH_MORE = 60.0
Round = tuple[float, int, float, int]
SOFT = (0.02, 4)
"""Far from health every explanation first looks for its place with the readings counting this part, for so many tries."""
FIRST = (0.15, 3)
"""The same near health."""
ROUNDS = ((30.0, 10, 0.15, 3), (30.0, 10, 1.0, 3), (8.0, 6, 1.0, 6), (4.0, 4, 1.0, 14))
"""(times, most, soft, tries): more tries for at most so many whose cost is below WORTH_MORE + times·(the best)."""
PAIR_ROUNDS = ((30.0, 8, 0.15, 3), (8.0, 5, 1.0, 6), (4.0, 3, 1.0, 14))
"""The same for pairs of faults."""
STILL_OPEN = 3000.0
"""An explanation of less cost than this is not dropped for its rank."""
FEWEST_TURNS = 2
MOST_TIMES = 4
"""No builder winds more than this many times the turns that are wanted."""
NEAR = 0.6
"""Up to this cost for each complex reading of the healthy fit, faults are screened from there."""
NEAR_TURNS = 3
WORTH_FITTING = 20.0
"""Ln of weight below the heaviest from which a screened explanation is fitted in full."""
MOST_FITTED = 4
BENT = 25.0
"""|z|² of a healthy build stays below this in nineteen of twenty."""
HEADS = 2
"""A pair is tried when one of this many heaviest single faults is in it."""

Asked = tuple[tuple[Change, ...], float]
"""Changes of an explanation, its prior probability."""


@dataclass(frozen=True)
class Trial:
    """An explanation with its fit: the changes it takes (none: healthy), ln of its prior probability."""

    changes: tuple[Change, ...]
    prior: float
    fit: Fit = field(repr=False)

    @property
    def name(self) -> str:
        """ "healthy", the fault, or both faults with a + between them."""
        return " + ".join(change.fault for change in self.changes) or HEALTHY

    @property
    def bent(self) -> float:
        """|z|²: how far the build is from the usual one besides the changes; below BENT in nineteen of twenty healthy ones."""
        return self.fit.cost - self.fit.misfit

    @property
    def log_weight(self) -> float:
        """Ln of the weight, but for a constant that all explanations share."""
        return self.prior + self.fit.evidence


def candidate_of(intended: Intended, applied: tuple[Change, ...]) -> Candidate:
    """Return what is fitted for a unit with these changes."""

    def build(values: dict[str, float]) -> Fitted:
        circuit = replace(intended.circuit, **fields_with(intended, applied, values))
        return Fitted(circuit, values["sample inductance"], values["sample delay"])

    return Candidate(build, knobs_with(intended, applied))


def try_singles(observed: Observed, intended: Intended) -> tuple[Trial, ...]:
    """Return the trials of a healthy build and of every single fault; turns as whole numbers."""
    known = changes(intended)
    prior = single_prior(intended)
    asked: list[Asked] = [((change,), prior * change.share) for change in known]
    healthy = replace(try_one(observed, intended, ()), prior=math.log(HEALTHY_PRIOR))
    if healthy.fit.cost >= NEAR * observed.values.size:
        found = _whole(observed, intended, _again(observed, _try(observed, intended, asked)))
    elif healthy.bent < BENT:
        found = tuple(_screened(observed, intended, healthy, asked))
    else:  # a wrong count that the rest of the build hides may be far off
        turns = [each for each in asked if each[0][0].fault == "turns"]
        others = [each for each in asked if each[0][0].fault != "turns"]
        counts = _whole(observed, intended, _try(observed, intended, turns))
        found = (*counts, *_screened(observed, intended, healthy, others))
    best = max(found, key=lambda trial: trial.log_weight)
    if best.log_weight > healthy.log_weight:  # before anything is called faulty, health has its second chance
        again = try_one(observed, intended, (), best.fit.by_name())
        healthy = replace(healthy, fit=again.fit) if again.fit.cost < healthy.fit.cost else healthy
    return (healthy, *found)


def single_prior(intended: Intended) -> float:
    """Return the prior probability of each single fault."""
    return (1 - HEALTHY_PRIOR - PAIRS_PRIOR) / len({change.fault for change in changes(intended)})


def _again(observed: Observed, trials: Sequence[Trial]) -> list[Trial]:
    """Return the trials; where the best one has to bend the rest of the build far, its rivals fitted from their first place too.

    The soft rounds lead some explanations into a valley beside their own.
    """
    ranked = sorted(trials, key=lambda trial: trial.fit.cost)
    best = ranked[0]
    if best.bent < BENT:
        return list(trials)
    limit = WORTH_MORE + ROUNDS[0][0] * best.fit.cost
    rivals = [trial for trial in ranked if trial.name != best.name and trial.fit.cost < limit][:MOST_FITTED]

    def better(trial: Trial) -> Trial:
        candidate = trial.fit.candidate
        again = fit(observed, candidate, start_of(candidate.knobs), MORE_TRIES)
        return replace(trial, fit=again) if again.cost < trial.fit.cost else trial

    return [better(trial) if any(trial is each for each in rivals) else trial for trial in trials]


def _screened(observed: Observed, intended: Intended, healthy: Trial, asked: Sequence[Asked]) -> list[Trial]:
    """Return the trials near a healthy build: all of them screened, those of some weight fitted."""
    screen = Screen.around(observed, healthy.fit)
    found: list[Trial] = []
    for applied, prior in asked:
        for whole, share in _counted(applied, intended):
            found.append(Trial(whole, math.log(prior * share), screen.fit(candidate_of(intended, whole))))
    limit = max(trial.log_weight for trial in (healthy, *found)) - WORTH_FITTING
    worth = sorted((trial for trial in found if trial.log_weight > limit), key=lambda trial: -trial.log_weight)[:MOST_FITTED]
    return [_go_on(observed, trial, MORE_TRIES) if any(trial is each for each in worth) else trial for trial in found]


def _counted(applied: tuple[Change, ...], intended: Intended) -> list[tuple[tuple[Change, ...], float]]:
    """Return changes with whole turns near the intended ones in the place of a number that need not be whole."""
    if applied[0].fault != "turns":
        return [(applied, 1.0)]
    counts = [intended.turns + off for off in range(-NEAR_TURNS, NEAR_TURNS + 1) if off and intended.turns + off >= FEWEST_TURNS]
    changed = [whole_turns(count, turns_share(count, intended.turns)) for count in counts]
    return [((change, *applied[1:]), change.share) for change in changed] if applied[0].share > 0.5 else []


def try_pairs(observed: Observed, intended: Intended, singles: Sequence[Trial]) -> tuple[Trial, ...]:
    """Return the trials and those of the likely pairs that hold one of the heaviest single faults; turns as whole numbers."""
    heaviest = sorted((trial for trial in singles if trial.changes), key=lambda trial: -trial.log_weight)
    first = list(dict.fromkeys(trial.name for trial in heaviest))[:HEADS]
    known = [change for change in changes(intended) if change.fault != "turns" or change.share > 0.5]
    asked: list[Asked] = []
    for one, other in LIKELY_PAIRS:
        if one not in first and other not in first:
            continue
        both = [(a, b) for a in known if a.fault == one for b in known if b.fault == other]
        asked += [(pair, PAIRS_PRIOR / len(LIKELY_PAIRS) * pair[0].share * pair[1].share) for pair in both]
    pairs = _whole(observed, intended, _try(observed, intended, asked, PAIR_ROUNDS))
    best = max(pairs, key=lambda trial: trial.log_weight, default=None)
    return (*_bettered(observed, intended, singles, best), *pairs) if best else tuple(singles)


def _bettered(observed: Observed, intended: Intended, singles: Sequence[Trial], pair: Trial) -> list[Trial]:
    """Return the single trials, those of a pair's two faults fitted from the pair's place too: it may be the better one."""
    found, near = list(singles), pair.fit.by_name()
    for change in pair.changes:
        again = try_one(observed, intended, (change,), near)
        place = next((number for number, trial in enumerate(found) if trial.changes == (change,)), None)
        if place is None:
            share = change.share * (FREE_SHARE if change.turns is not None else 1.0)
            found.append(replace(again, prior=math.log(single_prior(intended) * share)))
        elif again.fit.cost < found[place].fit.cost:
            found[place] = replace(found[place], fit=again.fit)
    return found


def _try(observed: Observed, intended: Intended, asked: Sequence[Asked], rounds: Sequence[Round] = ROUNDS) -> list[Trial]:
    """Return the trials, round by round: those that fall behind the best are given up."""
    trials = [_trial(observed, intended, applied, prior) for applied, prior in asked]
    for behind, most, soft, tries in rounds:
        costs = sorted(trial.fit.cost for trial in trials)
        ranked = max(STILL_OPEN, costs[most - 1]) if len(costs) >= most else math.inf
        limit = min(WORTH_MORE + behind * costs[0], ranked) if costs else 0.0
        trials = [_go_on(observed, trial, tries, soft) if trial.fit.cost <= limit else trial for trial in trials]
    return trials


def _trial(observed: Observed, intended: Intended, applied: tuple[Change, ...], prior: float) -> Trial:
    candidate = candidate_of(intended, applied)
    return Trial(applied, math.log(prior), fit(observed, candidate, start_of(candidate.knobs), SOFT[1], soft=SOFT[0]))


def try_one(observed: Observed, intended: Intended, applied: tuple[Change, ...], near: dict[str, float] | None = None) -> Trial:
    """Return the trial of a unit with these changes, fitted to the end; ``near``: z to start from by the knobs' names."""
    candidate = candidate_of(intended, applied)
    start = start_of(candidate.knobs, near)
    if near is None:
        start = fit(observed, candidate, start, FIRST[1], soft=FIRST[0]).z
    return Trial(applied, 0.0, fit(observed, candidate, start, MORE_TRIES))


def _go_on(observed: Observed, trial: Trial, tries: int, soft: float = 1.0) -> Trial:
    if trial.fit.done:
        return trial
    return replace(trial, fit=fit(observed, trial.fit.candidate, trial.fit.z, tries, soft=soft))


def _whole(observed: Observed, intended: Intended, trials: Sequence[Trial]) -> tuple[Trial, ...]:
    """Return the trials with every number of turns that is not whole replaced by its whole neighbours."""
    found = [trial for trial in trials if not _counts(trial)]
    best = min((trial.fit.cost for trial in trials), default=0.0)
    near = sorted((trial for trial in trials if _counts(trial)), key=lambda trial: -trial.log_weight)[:MOST_FITTED]
    for trial in near:
        if trial.fit.cost < WORTH_MORE + 2 * best and trial.log_weight > near[0].log_weight - WORTH_FITTING:
            found += _neighbours(observed, intended, trial)
    return tuple(found)


def _counts(trial: Trial) -> bool:
    """Tell whether a trial has turns that need not be whole."""
    return any(change.fault == "turns" for change in trial.changes[:1])


def _neighbours(observed: Observed, intended: Intended, trial: Trial) -> list[Trial]:
    """Return the trials with whole turns near a fitted number: all within three standard deviations, three at least."""
    found = trial.fit.values["turns"]
    slack = max(3 * found * _turns_spread(trial), 1.0)
    counts = [
        count
        for count in range(math.ceil(found - slack), math.floor(found + slack) + 1)
        if count >= FEWEST_TURNS and count <= MOST_TIMES * intended.turns
    ]
    nearest = sorted((count for count in counts if count != intended.turns), key=lambda count: abs(count - found))[:6]
    start = trial.fit.by_name()
    trials = []
    for count in nearest:
        change = whole_turns(count, turns_share(count, intended.turns))
        applied = (change, *trial.changes[1:])
        candidate = candidate_of(intended, applied)
        fitted = fit(observed, candidate, start_of(candidate.knobs, start | {"turns": 0.0}), MORE_TRIES)
        trials.append(Trial(applied, trial.prior + math.log(change.share), fitted))
    return trials


def _turns_spread(trial: Trial) -> float:
    """Return the relative standard deviation of the fitted turns."""
    knobs = [knob.name for knob in trial.fit.candidate.knobs]
    place = knobs.index("turns")
    return 0.5 * math.sqrt(max(float(trial.fit.covariance[place, place]), 0.0))


def turns_share(count: int, wanted: int) -> float:
    """Return the prior probability of a wrong count among wrong counts: one off is likelier than five, as 1/off, up to 2·wanted.

    A tenth each is kept for twice and for half the wanted number: another drawing, another type.
    """
    total = sum(1 / abs(each - wanted) for each in range(FEWEST_TURNS, 2 * wanted + 1) if each != wanted)
    special = 0.1 * (count == 2 * wanted) + 0.1 * (count == max(wanted // 2, FEWEST_TURNS))
    return 0.8 / abs(count - wanted) / total + special
