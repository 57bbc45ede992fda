"""Weights: what the readings make of the explanations, healthy and *unexplained* among them; they sum to one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from harness.analysis.diagnosis.explanations import HEALTHY, Trial
from harness.analysis.diagnosis.observed import Observed

UNEXPLAINED = "unexplained"
UNEXPLAINED_PRIOR = 0.02
"""Prior probability of something outside every explanation. Chosen, no source."""
CLOSE = 0.1
"""Explanations whose evidence is this part of the leader's, or more, are not told apart by the readings."""
TEMPERATURE = 1.5
"""Differences of evidence are divided by this: the model's misfit is no normal error. Found where stated weights come true."""


@dataclass(frozen=True)
class Weighed:
    """``weights``: explanation → weight, the largest first. ``best``: explanation → its best trial; "unexplained" has none.

    ``leader``: the best trial of all, whatever its weight.
    """

    weights: dict[str, float]
    best: dict[str, Trial] = field(repr=False)
    leader: Trial = field(repr=False)

    @property
    def top(self) -> str:
        """The explanation of the largest weight."""
        return next(iter(self.weights))

    def close(self) -> tuple[str, ...]:
        """Return the single faults that the readings alone, priors aside, cannot tell from the leader, itself among them."""
        best = self.leader.fit.evidence
        single = [trial for name, trial in self.best.items() if name != HEALTHY and len(trial.changes) == 1]
        return tuple(trial.name for trial in single if math.exp((trial.fit.evidence - best) / TEMPERATURE) >= CLOSE)

    def of_fault(self, fault: str) -> float:
        """Return the weight of a fault, alone or with another."""
        return sum(weight for name, weight in self.weights.items() if fault in name.split(" + "))


def weigh(observed: Observed, trials: Sequence[Trial]) -> Weighed:
    """Return the weights of the trials' explanations. At least a healthy trial must be among them."""
    leader = max(trials, key=lambda trial: trial.log_weight)
    logs: dict[str, list[float]] = {}
    for trial in trials:
        logs.setdefault(trial.name, []).append((trial.log_weight - leader.log_weight) / TEMPERATURE)
    logs[UNEXPLAINED] = [_unexplained(observed, trials, leader) / TEMPERATURE]
    raw = {name: float(np.sum(np.exp(np.minimum(each, 700.0)))) for name, each in logs.items()}
    total = sum(raw.values())
    weights = {name: value / total for name, value in sorted(raw.items(), key=lambda item: -item[1])}
    best = {name: max((t for t in trials if t.name == name), key=lambda t: t.log_weight) for name in logs if name != UNEXPLAINED}
    return Weighed(weights, best, leader)


def is_crude(trial: Trial, healthy: Trial) -> bool:
    """Tell whether a trial leaves no more of a gross fault than its model is known to leave: that is no sign of another one."""
    allowed = max((change.crude for change in trial.changes), default=0.0)
    return trial.fit.misfit < allowed * healthy.fit.misfit


def _unexplained(observed: Observed, trials: Sequence[Trial], leader: Trial) -> float:
    """Return ln of what the leader's remainder says for errors LOOSE times larger than they should be, against the leader."""
    healthy = next(trial for trial in trials if trial.name == HEALTHY)
    if is_crude(leader, healthy):
        return -50.0
    predicted = observed.predict(leader.fit.fitted.matrix(observed.frequency_hz))
    return observed.looser(predicted) + math.log(UNEXPLAINED_PRIOR)
