"""All cases of a plan, on several processors."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from typing import TypeVar

from harness.records import Residuals
from tests.intervals.judging import Outcome, judge
from tests.intervals.population import INPUTS, STRATA, Case, draw_alone, draw_case, draw_reference, without
from tests.intervals.proving import measure

AT_ONCE = 10
Kind = TypeVar("Kind")
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True)
class Plan:
    """``benches`` of each stratum, ``reference`` of the reference kind, ``alone`` for each input; ``draws`` for each of them."""

    seed: int
    benches: int
    reference: int
    alone: int
    draws: int
    workers: int


@dataclass(frozen=True)
class Found:
    """All outcomes: of the population, the reference bench, and by input of benches that have it alone, with it and without."""

    outcomes: list[Outcome]
    reference: list[Outcome]
    alone: dict[str, tuple[list[Outcome], list[Outcome]]]


def run(plan: Plan, progress: Callable[[str], None]) -> Found:
    """Return all outcomes of a plan, those of the population in the order of strata and numbers."""
    population = [(stratum, number) for number in range(plan.benches) for stratum in range(len(STRATA))]
    with _pool(plan.workers) as pool:
        found = pool.map(partial(one_case, plan.seed, plan.draws), population, chunksize=AT_ONCE)
        outcomes = list(_watched(found, len(population), "benches", progress))
        quiet = pool.map(partial(one_reference, plan.seed, plan.draws), range(plan.reference), chunksize=AT_ONCE)
        reference = list(_watched(quiet, plan.reference, "reference benches", progress))
        jobs = [(what, number) for what in INPUTS for number in range(plan.alone)]
        twice = pool.map(partial(one_alone, plan.seed, plan.draws), jobs, chunksize=AT_ONCE)
        pairs = list(_watched(twice, len(jobs), "benches with one input", progress))
    alone = {}
    for what in INPUTS:
        both = [pair for (name, _), pair in zip(jobs, pairs, strict=True) if name == what]
        alone[what] = ([with_it for with_it, _ in both], [without_it for _, without_it in both])
    return Found(sorted(outcomes, key=_order), reference, alone)


def judge_all(cases: Sequence[Case], draws: int, residuals: Sequence[Residuals | None], workers: int) -> list[Outcome]:
    """Return the outcomes of these cases, each analysed with the residuals that stand beside it (None: as it states)."""
    with _pool(workers) as pool:
        return list(pool.map(judge, cases, [draws] * len(cases), residuals))


@contextmanager
def _pool(workers: int) -> Iterator[ProcessPoolExecutor]:
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


def _watched(found: Iterator[Kind], total: int, what: str, progress: Callable[[str], None]) -> Iterator[Kind]:
    for number, one in enumerate(found, start=1):
        if number % max(1, total // 10) == 0:
            progress(f"{number} of {total} {what}")
        yield one
