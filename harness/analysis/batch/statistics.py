"""The statistics of one batch of one type: yield, distribution, order of building, spread, and what to change."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import stats

from harness.analysis.batch.advice import Advice, advise
from harness.analysis.batch.chart import IndividualsChart, individuals_chart
from harness.analysis.batch.outliers import Outliers, find_outliers
from harness.analysis.batch.run_rules import Signal, run_signals
from harness.analysis.batch.spread import Spread, spread
from harness.analysis.batch.tolerance import ToleranceInterval, tolerance_interval
from harness.analysis.batch.units import BatchUnit
from harness.analysis.batch.yields import Capability, Yield, capability, proportion
from harness.errors import DataError
from harness.records import SamplerType

LEAST_FOR_NORMALITY = 8
BOUNDED = {"flatness_db": max, "return_loss_db": min, "insertion_loss_db": max, "swr": max}
"""Figures bounded at zero, and which end is the bad one: they are no normal sample, so only worst and middle are told."""


@dataclass(frozen=True)
class Distribution:
    """The nominal coupling in dB of ``count`` units; ``mean_interval``: 95 %, Student's t. ``normality``: p of Shapiro–Wilk."""

    count: int
    mean: float
    s: float | None
    least: float
    most: float
    mean_interval: tuple[float, float] | None
    tolerance: ToleranceInterval | None
    normality: float | None


@dataclass(frozen=True)
class WorstOf:
    """A figure that is bounded at zero: its worst value, the unit that has it, and the median."""

    worst: float
    unit: str
    median: float


@dataclass(frozen=True)
class BatchStatistics:
    """All of it. Units stand by name; ``left_out``: (unit, reason) of those that are no part of the distribution.

    ``without_outliers``: the distribution of the rest where there are outliers; what to change is then worked out from it.
    ``signals`` point into ``order``, the units in the order of building. ``stated_u``: the median of the proofs' own standard
    uncertainty of the coupling, from their 95 % intervals. A text instead of a value is the reason why there is none.
    """

    type: str
    wanted_db: float
    allowed_db: tuple[float, float]
    order: tuple[str, ...]
    undecided: int
    yield_: Yield | str
    first_time: Yield | None
    left_out: tuple[tuple[str, str], ...]
    coupling: Distribution | str
    without_outliers: Distribution | None
    others: dict[str, WorstOf]
    failing: dict[str, int]
    faults: dict[str, int]
    chart: IndividualsChart | str
    signals: tuple[Signal, ...]
    outliers: Outliers
    spread: Spread | str
    stated_u: float | None
    capability: Capability | str
    advice: Advice | None

    def as_dict(self) -> dict[str, Any]:
        """Return it as the JSON document holds it: plain values, None for what is not finite."""
        plain: dict[str, Any] = _plain(dataclasses.asdict(self))
        plain["yield"] = plain.pop("yield_")
        return plain


def batch_statistics(units: Sequence[BatchUnit], type_: SamplerType) -> BatchStatistics:
    """Return the statistics of ``units``, built to ``type_``, in the order of building. DataError where there is no unit."""
    if not units:
        raise DataError("a batch without units has no statistics")
    tolerance = type_.tolerance
    allowed = (tolerance.coupling - tolerance.coupling_error, tolerance.coupling + tolerance.coupling_error)
    counted = [unit.counted_coupling for unit in units]
    values = [value for value in counted if value is not None]
    coupling, outliers = _distribution(values), find_outliers(counted)
    usual = _distribution([value for at, value in enumerate(counted) if value is not None and at not in outliers.indices])
    chart = _chart(counted)
    return BatchStatistics(
        type=type_.name,
        wanted_db=tolerance.coupling,
        allowed_db=allowed,
        order=tuple(unit.unit for unit in units),
        undecided=sum(unit.decision == "undecided" for unit in units),
        yield_=_yield([unit.decision for unit in units]),
        first_time=_first_time(units),
        left_out=tuple(_left_out(units)),
        coupling=coupling,
        without_outliers=usual if outliers.indices and isinstance(usual, Distribution) else None,
        others=_others(units),
        failing=_failing(units),
        faults=dict(Counter(unit.cause for unit in units if unit.cause is not None).most_common()),
        chart=chart,
        signals=() if isinstance(chart, str) else run_signals(counted, chart.centre, chart.sigma),
        outliers=outliers,
        spread=_spread(units),
        stated_u=_stated_uncertainty(units),
        capability=capability(values, *allowed),
        advice=None if isinstance(usual, str) else advise(type_, usual.mean, usual.s or 0.0, usual.count),
    )


def _yield(decisions: Sequence[str | None]) -> Yield | str:
    proved = [decision for decision in decisions if decision is not None]
    return proportion(proved.count("conforms"), len(proved)) if proved else "no unit has a proof that counts"


def _first_time(units: Sequence[BatchUnit]) -> Yield | None:
    """Return the yield of first proofs where it is another than that of the newest ones."""
    if all(unit.first == unit.decision for unit in units):
        return None
    found = _yield([unit.first for unit in units])
    return None if isinstance(found, str) else found


def _left_out(units: Sequence[BatchUnit]) -> list[tuple[str, str]]:
    reasons: list[tuple[str, str]] = []
    for unit in units:
        if unit.missing is not None:
            reasons.append((unit.unit, unit.missing))
        elif unit.cause is not None:
            reasons.append((unit.unit, unit.cause))
        elif unit.value("coupling_db") is None:
            reasons.append((unit.unit, "no coupling in its proof"))
    return reasons


def _distribution(values: Sequence[float]) -> Distribution | str:
    if not values:
        return "no unit has a coupling that counts"
    mean, count = float(np.mean(values)), len(values)
    if count < 2:
        return Distribution(count, mean, None, mean, mean, None, None, None)
    s = float(np.std(values, ddof=1))
    reach = float(stats.t.ppf(0.975, count - 1)) * s / math.sqrt(count)
    normality = (
        float(stats.shapiro(values).pvalue) if LEAST_FOR_NORMALITY <= count <= 5000 and max(values) > min(values) else None
    )
    interval = (mean - reach, mean + reach)
    return Distribution(count, mean, s, min(values), max(values), interval, tolerance_interval(values), normality)


def _chart(values: Sequence[float | None]) -> IndividualsChart | str:
    try:
        return individuals_chart(values)
    except DataError as error:
        return error.message


def _others(units: Sequence[BatchUnit]) -> dict[str, WorstOf]:
    found: dict[str, WorstOf] = {}
    for name, worst_of in BOUNDED.items():
        values = [(value, unit.unit) for unit in units if unit.cause is None and (value := unit.value(name)) is not None]
        if values:
            worst = worst_of(values, key=lambda pair: pair[0])
            found[name] = WorstOf(worst[0], worst[1], float(np.median([value for value, _ in values])))
    return found


def _failing(units: Sequence[BatchUnit]) -> dict[str, int]:
    names = (name for unit in units for name, figure in unit.figures.items() if figure.decision == "does not conform")
    return dict(Counter(names).most_common())


def _spread(units: Sequence[BatchUnit]) -> Spread | str:
    try:
        return spread([unit.repeats for unit in units if unit.counted_coupling is not None])
    except DataError as error:
        return f"{error.message}; {error.hint[:1].lower()}{error.hint[1:]}"


def _stated_uncertainty(units: Sequence[BatchUnit]) -> float | None:
    """Half of each 95 % interval over 1.96: the proofs' intervals come from nearly normal draws of the coupling."""
    widths = [
        (figure.high - figure.low) / (2 * 1.96)
        for unit in units
        if unit.cause is None
        and (figure := unit.figures.get("coupling_db")) is not None
        and figure.high is not None
        and figure.low is not None
    ]
    return float(np.median(widths)) if widths else None


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
