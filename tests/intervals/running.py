"""All cases of a plan, on several processors."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context

from harness.records import Residuals
from tests.intervals.judging import Outcome, judge
from tests.intervals.kept import Kept
from tests.intervals.population import INPUTS, STRATA, Case, draw_alone, draw_case, draw_reference, without
from tests.intervals.proving import measure

THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True)
class Plan:
    """``benches`` of each stratum, ``reference`` of the reference kind, ``alone`` for each input; ``draws`` for each of them.

    ``pairs``: pairs of proofs without drift.
    """

    seed: int
    benches: int
    reference: int
    alone: int
    draws: int
    pairs: int
    workers: int


@dataclass(frozen=True)
class Found:
    """All outcomes: of the population, the reference bench, and by input of benches that have it alone, with it and without."""

    outcomes: list[Outcome]
    reference: list[Outcome]
    alone: dict[str, tuple[list[Outcome], list[Outcome]]]


def run(plan: Plan, progress: Callable[[str], None], kept: Kept) -> Found:
    """Return all outcomes of a plan, those of the population in the order of strata and numbers."""
    how = f"seed {plan.seed}, {plan.draws} draws"
    population = [(stratum, number) for number in range(plan.benches) for stratum in range(len(STRATA))]
    with pool_of(plan.workers) as pool:
        outcomes = kept.mapped(pool, partial(one_case, plan.seed, plan.draws), population, f"benches, {how}", progress)
        numbers = list(range(plan.reference))
        quiet = partial(one_reference, plan.seed, plan.draws)
        reference = kept.mapped(pool, quiet, numbers, f"reference benches, {how}", progress)
        jobs = [(what, number) for what in INPUTS for number in range(plan.alone)]
        alone_of = partial(one_alone, plan.seed, plan.draws)
        pairs = kept.mapped(pool, alone_of, jobs, f"benches with one input, {how}", progress)
    alone = {}
    for what in INPUTS:
        both = [pair for (name, _), pair in zip(jobs, pairs, strict=True) if name == what]
        alone[what] = ([with_it for with_it, _ in both], [without_it for _, without_it in both])
    return Found(sorted(outcomes, key=_order), reference, alone)


def judge_all(cases: Sequence[Case], draws: int, residuals: Sequence[Residuals | None], workers: int) -> list[Outcome]:
    """Return the outcomes of these cases, each analysed with the residuals that stand beside it (None: as it states)."""
    with pool_of(workers) as pool:
        return list(pool.map(judge, cases, [draws] * len(cases), residuals))


@contextmanager
def pool_of(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Open new processes, not copies of this one: each loads numpy with one thread, so that they do not fight for processors."""
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            yield pool
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def one_case(seed: int, draws: int, which: tuple[int, int]) -> Outcome:
    """Return the outcome of the case (stratum, number)."""
    return judge(draw_case(STRATA[which[0]], which[1], seed), draws)


def one_reference(seed: int, draws: int, number: int) -> Outcome:
    """Return the outcome of one case on the reference bench."""
    return judge(draw_reference(number, seed), draws)


def one_alone(seed: int, draws: int, which: tuple[str, int]) -> tuple[Outcome, Outcome]:
    """Return the outcomes of a bench that has one input alone, (input, number): as it states, and with the input left out."""
    case = draw_alone(*which, seed)
    measured = measure(case)
    return judge(case, draws, measured=measured), judge(case, draws, without(case.residuals, which[0]), measured=measured)


def _order(outcome: Outcome) -> int:
    return [str(stratum) for stratum in STRATA].index(outcome.stratum)
