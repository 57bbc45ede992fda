"""How often the diagnosis is right, on the reference units of ``fixtures/units``: networks that its circuit model did not make.

Each unit is measured once on the reference bench (``fixtures/units/measure.py``) and diagnosed twice: from all four sweeps, and
from ``line`` and ``coupled`` alone. How far a faulty unit stands from the nearest rival explanation is found from the same sweeps
without errors: the root of the difference of |whitened residual|² + |z|² between the best rival's fit and the true one's. (Where
the rivals weigh next to nothing with errors, that fit is spared.)
"""

from __future__ import annotations

import math
import multiprocessing
import os
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

from fixtures.units.measure import Quality
from harness.analysis import Sweeps, Terminations, readings_of
from harness.analysis.diagnosis import HEALTHY, NOT_DISTINGUISHABLE, Diagnosis, Intended, diagnose, intended_of
from harness.analysis.diagnosis.explanations import try_singles
from harness.analysis.diagnosis.observed import ReadingErrors, observe
from harness.sampler import parse_cables, parse_cores, parse_materials
from tests.unit_population import Unit, measured, population, type_of

SWEEPS = {"four sweeps": ("line", "coupled", "coupled-far", "sample"), "line and coupled": ("line", "coupled")}
DOCUMENT = "docs/diagnosis.md"
APART = 4.0
"""Standard deviations from which a fault counts as different from every rival."""
NOTHING = 1e-18
"""Weight of all rivals together from which they count as farther than APART without a fit to sweeps without errors."""
EXACT = Quality(
    directivity_db=-200.0, source_match_db=-200.0, tracking=0.0, noise_db=-140.0, load_known_db=-200.0, receiver_known_db=-200.0
)
"""A bench without errors."""


@dataclass(frozen=True)
class Answer:
    """What came out for one unit. ``apart``: standard deviations from the nearest rival; ``seconds`` of processor time."""

    number: int
    sweeps: str
    top: str
    weight: float
    truth_weight: float
    named: tuple[str, ...]
    asks: bool
    turns: float | None
    termination: str
    core: str
    where: str | None
    apart: float
    seconds: float


def intended_unit(unit: Unit) -> Intended:
    """Return what a reference unit should have been, by the program's tables."""
    return intended_of(
        type_of(unit), parse_cores(table("cores")), parse_materials(table("materials")), parse_cables(table("cables"))
    )


@cache
def table(name: str) -> str:
    """Return the text of one of the program's tables."""
    return files("harness.data").joinpath(f"{name}.toml").read_text(encoding="utf-8")


def truth(unit: Unit) -> str:
    """Return the explanation that is true of a unit, as a diagnosis names it."""
    return " + ".join(unit.faults) or HEALTHY


def same(one: str, other: str) -> bool:
    """Tell whether two explanations are the same, in whatever order a pair is named."""
    return set(one.split(" + ")) == set(other.split(" + "))


def answers(number: int) -> list[Answer]:
    """Return the answers for one unit, four sweeps and two."""
    unit = population().units[number]
    intended = intended_unit(unit)
    run, exact = measured(unit), measured(unit, bench=EXACT)
    found = []
    for name, wanted in SWEEPS.items():
        began = time.process_time()
        result = diagnose({key: run.sweeps[key] for key in wanted}, run.terminations, intended)
        seconds = time.process_time() - began
        apart = math.inf if _alone(unit, result) else 0.0
        if unit.faults and not apart:
            apart = _apart(unit, {key: exact.sweeps[key] for key in wanted}, exact.terminations, intended)
        found.append(_answer(unit, name, result, apart, seconds))
    return found


def _alone(unit: Unit, result: Diagnosis) -> bool:
    """Tell whether the truth leaves its rivals so little that they stand far more than APART away, errors or not."""
    others = sum(weight for name, weight in result.weights.items() if not same(name, truth(unit)))
    return bool(unit.faults) and others < NOTHING


def _answer(unit: Unit, sweeps: str, result: Diagnosis, apart: float, seconds: float) -> Answer:
    top, weight = next(iter(result.weights.items()))
    return Answer(
        number=unit.number,
        sweeps=sweeps,
        top=top,
        weight=weight,
        truth_weight=sum(each for name, each in result.weights.items() if same(name, truth(unit))),
        named=tuple(entry.fault for entry in result.faults),
        asks=any(entry.needs is not None for entry in result.faults),
        turns=result.circuit["turns"],
        termination="external" if result.circuit["resistor_ohm"] is None else "internal",
        core=result.core,
        where=next((entry.where for entry in result.faults if entry.fault == "high-resistance joint"), None),
        apart=apart,
        seconds=seconds,
    )


def _apart(unit: Unit, sweeps: Sweeps, terminations: Terminations, intended: Intended) -> float:
    """Return how far the true explanation stands from its nearest rival; 0 for a pair, which is not among the single ones."""
    readings = readings_of(sweeps, terminations)
    observed = observe(population().frequency_hz, readings, ReadingErrors(), vague=intended.vague(intended.material))
    trials = try_singles(observed, intended)
    mine = [trial.fit.cost for trial in trials if same(trial.name, truth(unit))]
    rivals = [trial.fit.cost for trial in trials if not same(trial.name, truth(unit))]
    return math.sqrt(max(min(rivals) - min(mine), 0.0)) if mine and rivals else 0.0


def all_answers(numbers: Iterable[int], workers: int | None = None) -> list[Answer]:
    """Return the answers for many units, in their order."""
    for library in ("OPENBLAS", "OMP", "MKL"):  # one core a diagnosis: that is what is timed
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return [answer for pair in pool.imap(answers, numbers, chunksize=4) for answer in pair]


def _unit(answer: Answer) -> Unit:
    return population().units[answer.number]


def _percent(good: int, all_: int) -> str:
    return f"{100 * good / all_:.1f} % ({good} of {all_})" if all_ else "none"


def _single(found: Sequence[Answer]) -> list[Answer]:
    return [answer for answer in found if _unit(answer).group == "fault"]


def headline(found: Sequence[Answer]) -> list[str]:
    """Return the lines on faults, healthy units, turns, termination and core for one set of sweeps."""
    faulty = _single(found)
    clear = [answer for answer in faulty if answer.apart >= APART]
    rest = [answer for answer in faulty if answer.apart < APART]
    healthy = [answer for answer in found if _unit(answer).group == "healthy"]
    right = sum(same(answer.top, truth(_unit(answer))) for answer in clear)
    open_ = sum(truth(_unit(answer)) in answer.named and answer.asks for answer in rest)
    silent = sum(not answer.named for answer in rest)
    turned = [answer for answer in (*healthy, *clear) if _unit(answer).faults in ((), ("turns",))]
    ended = [answer for answer in (*healthy, *faulty) if set(_unit(answer).faults) & _ENDS or not _unit(answer).faults]
    return [
        f"- Right fault has the largest weight, faults at least {APART:g} standard deviations from every rival: "
        f"{_percent(right, len(clear))}",
        f"- Faults nearer than that: {len(rest)}; named with what would decide: {open_}; taken for a healthy build: {silent}",
        f"- Healthy units called faulty: {_percent(sum(bool(answer.named) for answer in healthy), len(healthy))}",
        f"- Turns right to the turn, healthy units and wrong counts: "
        f"{_percent(sum(answer.turns == _unit(answer).turns for answer in turned), len(turned))}",
        f"- Internal against external termination right: "
        f"{_percent(sum(answer.termination == _unit(answer).termination for answer in ended), len(ended))}",
        *_core_lines(found),
    ]


_ENDS = {"double termination", "termination missing", "turns", "resistor out of value"}


def _core_lines(found: Sequence[Answer]) -> list[str]:
    with_class = [(answer, _unit(answer)) for answer in found if _unit(answer).group == "healthy"]
    clear = [pair for pair in with_class if (pair[1].class_separation or (0.0, 0.0))[len(SWEEPS[pair[0].sweeps]) == 4] >= APART]
    near = [pair for pair in with_class if pair not in clear]

    def said(pairs: Sequence[tuple[Answer, Unit]]) -> str:
        right = sum(answer.core == unit.material for answer, unit in pairs)
        unsaid = sum(answer.core == NOT_DISTINGUISHABLE for answer, _ in pairs)
        return f"right {_percent(right, len(pairs))}, not distinguishable {unsaid}, wrong {len(pairs) - right - unsaid}"

    return [
        f"- Core material class, healthy units whose class stands {APART:g} standard deviations from every other: {said(clear)}",
        f"- Core material class, the others: {said(near)}",
    ]


LEAST_RIGHT = {"four sweeps": 0.95, "line and coupled": 0.85}
MOST_FALSE = 0.01


def missed(found: Sequence[Answer]) -> list[str]:
    """Return, in words, which of the stated rates were not reached."""
    problems = []
    for name, least in LEAST_RIGHT.items():
        mine = [answer for answer in found if answer.sweeps == name]
        clear = [answer for answer in _single(mine) if answer.apart >= APART]
        right = sum(same(answer.top, truth(_unit(answer))) for answer in clear)
        if right < least * len(clear):
            problems.append(f"{name}: the right fault leads in {_percent(right, len(clear))}, at least {100 * least:g} % stated")
        healthy = [answer for answer in mine if _unit(answer).group == "healthy"]
        called = sum(bool(answer.named) for answer in healthy)
        if called > MOST_FALSE * len(healthy):
            problems.append(f"{name}: healthy called faulty in {_percent(called, len(healthy))}, at most {100 * MOST_FALSE:g} %")
    return problems


def confusion(found: Sequence[Answer]) -> list[str]:
    """Return the confusion table: a row for each truth, the largest weights of its units."""
    rows = ["| truth | units | clear of rivals | largest weight |", "| --- | --- | --- | --- |"]
    for name in dict.fromkeys(truth(_unit(answer)) for answer in found):
        mine = [answer for answer in found if truth(_unit(answer)) == name]
        tops = Counter(name if same(answer.top, name) else answer.top for answer in mine)
        said = ", ".join(f"{top} {count}" for top, count in tops.most_common())
        clear = sum(answer.apart >= APART for answer in mine)
        rows.append(f"| {name} | {len(mine)} | {clear} | {said} |")
    return rows


def calibration(found: Sequence[Answer]) -> list[str]:
    """Return how often an answer of a given weight is right, single faults and healthy units."""
    rows = ["| weight of the answer | answers | right |", "| --- | --- | --- |"]
    singles = [answer for answer in found if _unit(answer).group in ("healthy", "fault")]
    for low, high in ((0.0, 0.5), (0.5, 0.6), (0.6, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 0.99), (0.99, 1.01)):
        mine = [answer for answer in singles if low <= answer.weight < high]
        right = sum(same(answer.top, truth(_unit(answer))) for answer in mine)
        rows.append(f"| {low:g} to {min(high, 1.0):g} | {len(mine)} | {_percent(right, len(mine))} |")
    return rows


def report(found: Sequence[Answer], when: str) -> str:
    """Return the document."""
    known = population()
    seconds = sorted(answer.seconds for answer in found)
    parts = [
        "# How often the diagnosis is right",
        f"Written by `make evidence` ({when}). Reference units: "
        f"{known.origin}, of {known.date}, seed {known.seed}. Bench: fixtures/units/measure.py as it stands, one run a unit.",
        f"{len(found) // len(SWEEPS)} of {len(known.units)} units.",
        f"One diagnosis took {seconds[len(seconds) // 2]:.2f} s of processor time (median), {seconds[-1]:.2f} s at most.",
    ]
    for name in SWEEPS:
        mine = [answer for answer in found if answer.sweeps == name]
        parts += [
            f"## {name[0].upper()}{name[1:]}",
            "\n".join(headline(mine)),
            "\n".join(confusion(mine)),
            "Stated weights, and how often they come true:",
            "\n".join(calibration(mine)),
        ]
    return "\n\n".join(parts) + "\n"


def write(root: Path, when: str) -> list[str]:
    """Diagnose every reference unit and write the document below ``root``; return what is not as it must be."""
    found = all_answers(range(len(population().units)))
    path = root / DOCUMENT
    path.parent.mkdir(exist_ok=True)
    path.write_text(report(found, when), encoding="utf-8")
    return missed(found)
