"""How often the hook-up guard catches each mistake, and how often it cries wolf: ``docs/guard.md``."""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from tests.guard_runs import CLEAR, HOOKUPS, Tried, right_run, wrong_run
from tests.intervals.population import STRATA, draw_case

SEED = 20260301
WRONG = 4
"""Runs of each stratum in which the hand makes every mistake at every hook-up."""
RIGHT = 84
"""Runs of each stratum without a mistake: 1,008 in all."""
CAUGHT = 0.99
ALARMS = 0.001
DOCUMENT = "docs/guard.md"


def write(root: Path, when: str) -> list[str]:
    """Write the table and return what does not come out as stated."""
    tried, alarms, runs = measure(WRONG, RIGHT, SEED)
    (root / DOCUMENT).parent.mkdir(exist_ok=True)
    (root / DOCUMENT).write_text(document(tried, alarms, runs, SEED, when), encoding="utf-8")
    return problems(tried, alarms, runs)


def measure(wrong: int, right: int, seed: int, workers: int | None = None) -> tuple[list[Tried], list[str], int]:
    """Return every mistake that was tried, the alarms of right runs, and how many right runs there were."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with ProcessPoolExecutor(workers or os.cpu_count() or 1, mp_context=get_context("spawn")) as pool:
        tried = [one for run in pool.map(partial(_wrong, seed), _cases(wrong)) for one in run]
        alarms = [alarm for run in pool.map(partial(_right, seed + 1), _cases(right), chunksize=4) for alarm in run]
    return tried, alarms, right * len(STRATA)


def _cases(each: int) -> list[tuple[int, int]]:
    return [(stratum, number) for number in range(each) for stratum in range(len(STRATA))]


def _wrong(seed: int, which: tuple[int, int]) -> list[Tried]:
    return list(wrong_run(draw_case(STRATA[which[0]], which[1], seed)))


def _right(seed: int, which: tuple[int, int]) -> list[str]:
    return right_run(draw_case(STRATA[which[0]], which[1], seed))


def problems(tried: Sequence[Tried], alarms: Sequence[str], runs: int) -> list[str]:
    """Return what does not come out as stated."""
    clear = [one for one in tried if one.deviation >= CLEAR]
    caught = sum(one.caught for one in clear)
    found = []
    if caught < CAUGHT * len(clear):
        found.append(f"guard: {caught} of {len(clear)} clear mistakes caught; at least {CAUGHT:.0%} are stated")
    if len(alarms) > ALARMS * runs:
        found.append(f"guard: {len(alarms)} alarms in {runs} right runs; at most {ALARMS:.1%} are stated")
    return found


def document(tried: Sequence[Tried], alarms: Sequence[str], runs: int, seed: int, when: str) -> str:
    """Return the page."""
    clear = [one for one in tried if one.deviation >= CLEAR]
    caught = sum(one.caught for one in clear)
    head = [
        "# The hook-up guard",
        "",
        f"Made by `make evidence` on {when}, seed {seed}.",
        "",
        "A simulated hand makes every mistake it can at every hook-up, on benches and units of the population that the intervals",
        "are tested with (one-path and two-path, inside and outside termination, 20 to 40 dB; three classes of calibration kit).",
        "The *change* of a mistake is the largest distance, over traces and frequencies, between what the wrong and the right",
        "hook-up show, in standard deviations of what a right hook-up may show there: units of the type, and the bench's",
        "residual errors. A type does not say which way round its winding is, so line in and line out swapped can be seen in the",
        "second of the two coupled hook-ups only.",
        "",
        f"**{caught} of {len(clear)} mistakes with a change of {CLEAR:g} or more caught: {caught / max(len(clear), 1):.2%}.**",
        f"**{len(alarms)} alarm{'' if len(alarms) == 1 else 's'} in {runs} right runs ({len(HOOKUPS) * runs} sweeps).**",
        "",
        "| hook-up | mistake | change, median | clear | caught | below | caught | taken for, mostly |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    told = ["", "The alarms:", "", *(f"- {alarm}" for alarm in alarms)] if alarms else []
    return "\n".join([*head, *_rows(tried), *told]) + "\n"


def _rows(tried: Iterable[Tried]) -> list[str]:
    groups: dict[tuple[str, str], list[Tried]] = defaultdict(list)
    for one in tried:
        groups[one.hookup, one.mistake].append(one)
    return [_row(hookup, mistake, group) for (hookup, mistake), group in groups.items()]


def _row(hookup: str, mistake: str, group: Sequence[Tried]) -> str:
    clear = [one for one in group if one.deviation >= CLEAR]
    below = [one for one in group if one.deviation < CLEAR]
    middle = sorted(one.deviation for one in group)[len(group) // 2]
    names = Counter(one.looks_like for one in group if one.caught).most_common(1)
    return (
        f"| {hookup} | {mistake} | {middle:.1f} | {len(clear)} | {sum(one.caught for one in clear)} | {len(below)} | "
        f"{sum(one.caught for one in below)} | {names[0][0] if names else ''} |"
    )
