"""Guarded runs on simulated benches: a hand that makes each mistake at each hook-up, and what a mistake changes in deviations.

Benches and units are those of ``tests.intervals.population``: true errors of the sizes that the bench states, units with build
spreads of 0.5 to 4. **The change of a mistake** is, over all traces and frequencies, the largest distance between what the wrong
and the right hook-up show of this unit (without noise), in standard deviations of what a right hook-up may show at that
frequency: from unit to unit of the type on this bench (units redrawn, with all build spreads of the population), and from what
the bench leaves in a reading. A type does not say which way round its winding is: where no sweep before has shown it, the right
hook-up with the other sense counts as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

from drivers.simulated import SimulatedBench
from drivers.simulated.mistakes import MISTAKES, Made, make
from drivers.simulated.units import build_unit
from harness import assess
from harness import calibration as cal
from harness.analysis import Terminations
from harness.analysis.guard import Guard, Look, Tables
from harness.errors import UsageError
from harness.records import CalibrationRecord, HookUp, Sweep
from harness.sampler import parse_cables, parse_cores, parse_materials
from harness.steps import Connect, Measure, Step
from sequences import calibration, hookups, line_sampler
from tests.intervals.population import BUILD_SPREAD, UNIT, Case

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
CLEAR = 8.0
"""Deviations from which a mistake has to be caught."""
UNITS = 24
HOOKUPS = (hookups.COUPLED, hookups.LINE, hookups.COUPLED_FAR, hookups.SAMPLE_PORT)
RAYLEIGH = np.sqrt(-np.log(0.05))
DETAILS = ("analyser 1", "analyser 2")


@cache
def tables() -> Tables:
    """Return the shipped tables."""
    texts = [
        files("harness.data").joinpath(f"{name}.toml").read_text(encoding="utf-8") for name in ("cores", "materials", "cables")
    ]
    return Tables(parse_cores(texts[0]), parse_materials(texts[1]), parse_cables(texts[2]))


def possible(hookup: HookUp) -> tuple[str, ...]:
    """Return every mistake, with its details, that the simulated hand can make at a hook-up."""
    found = []
    for name in MISTAKES:
        for detail in DETAILS if name in ("adapter left in", "loose connector") else ("",):
            mistake = f"{name}: {detail}" if detail else name
            try:
                make(hookup, mistake, Made(()))
            except UsageError:
                continue
            found.append(mistake)
    return tuple(found)


@dataclass
class GuardedBench:
    """A calibrated bench with a unit on it, and the guard beside it. ``sweeps``: the accepted ones, corrected."""

    case: Case
    at: SimulatedBench
    calibration: cal.Calibration
    terminations: Terminations
    guard: Guard
    sweeps: dict[str, list[Sweep]] = field(default_factory=dict)
    spreads: dict[str, dict[str, Floats]] = field(default_factory=dict)

    def take(self, hookup: HookUp, mistake: str | None = None) -> Sweep:
        """Make a hook-up and return its corrected sweep."""
        self.at.connect(hookup, mistake)
        two = calibration.two_port_traces(self.case.bench)
        ports = 1 if hookup.name == "sample" else 2
        traces = {str(key): value for key, value in self.at.raw(two if ports == 2 else ("s11",), self.at.bench.grid).items()}
        raw = Sweep(hookup.name, self.at.bench.grid.frequencies(), traces, ports)
        return cal.correct(raw, self.calibration.terms)

    def look(self, sweep: Sweep) -> Look:
        """Return the guard's look at a new sweep."""
        taken = {**self.sweeps, sweep.name: [*self.sweeps.get(sweep.name, []), sweep]}
        return self.guard.look(sweep.name, taken, self.terminations)

    def accept(self, sweep: Sweep) -> None:
        """Keep a sweep."""
        self.sweeps.setdefault(sweep.name, []).append(sweep)

    def deviation(self, hookup: HookUp) -> float:
        """Return the change of what is connected now against the right hook-up, in standard deviations; see the module."""
        wrong, right = self._shown(self.at.truth(self._f)), self._shown(self.at.truth(self._f, hookup))
        spread = self.spreads.get(hookup.name) or self.spreads.setdefault(hookup.name, self._spread(hookup, right))
        mirrored = {key: -value if key in ("s21", "s12") else value for key, value in right.items()}
        free = hookup.name.startswith("coupled") and not any(name.startswith("coupled") for name in self.sweeps)
        return min(self._largest(wrong, one, spread) for one in ((right, mirrored) if free else (right,)))

    @property
    def _f(self) -> Floats:
        return self.at.bench.grid.frequencies()

    def _traces(self, hookup: HookUp) -> tuple[str, ...]:
        return ("s11",) if hookup.name == "sample" else tuple(calibration.two_port_traces(self.case.bench))

    def _largest(self, wrong: Mapping[str, Complex], right: Mapping[str, Complex], spread: Mapping[str, Floats]) -> float:
        return max(float(np.max(np.abs(wrong[key] - right[key]) / spread[key])) for key in spread)

    def _shown(self, s: Complex) -> dict[str, Complex]:
        if self.case.stratum.paths == "two-path":
            return {"s11": s[:, 0, 0], "s21": s[:, 1, 0], "s12": s[:, 0, 1], "s22": s[:, 1, 1]}
        receiver = self.calibration.terms.receiver_match
        bottom = 1 - s[:, 1, 1] * receiver
        return {"s11": s[:, 0, 0] + s[:, 0, 1] * s[:, 1, 0] * receiver / bottom, "s21": s[:, 1, 0] / bottom}

    def _spread(self, hookup: HookUp, right: Mapping[str, Complex]) -> dict[str, Floats]:
        mine, entry = self.at.circuit, self.at.entry
        shown = []
        for number, build in enumerate(np.linspace(*BUILD_SPREAD, UNITS)):
            self.at.circuit = build_unit(self.case.type_, entry.model_copy(update={"build_spread": build}), f"other-{number}")
            shown.append(self._shown(self.at.truth(self._f, hookup)))
        self.at.circuit = mine
        left = self.case.residuals
        size = {
            name: 10 ** (getattr(left, name) / 20) / RAYLEIGH for name in ("directivity", "source_match", "connector", "drift")
        }
        size |= {
            name: (10 ** (getattr(left, name) / 20) - 1) / RAYLEIGH
            for name in ("reflection_tracking", "transmission_tracking", "cable")
        }
        isolation = 10 ** (left.isolation / 20) / RAYLEIGH
        ends = 10 ** (-self.case.bench.correction.verify_within / 20) / np.sqrt(2)
        noise = 10 ** (entry.noise / 20)
        spread = {}
        for key in self._traces(hookup):
            units = np.std(np.array([one[key] for one in shown]), axis=0)
            level = np.abs(right[key])
            if key in ("s11", "s22"):
                bench = [size["directivity"], size["source_match"] * level**2, size["reflection_tracking"] * level]
                bench += [size["connector"], size["drift"], ends]
            else:
                relative = (size["transmission_tracking"], size["connector"], 2 * size["cable"], size["drift"], ends)
                bench = [part * level for part in relative] + [isolation]
            spread[key] = np.sqrt(units**2 + noise**2 + sum(np.square(part) for part in bench))
        return spread


def guarded(case: Case) -> GuardedBench:
    """Return the bench of a case, calibrated, aged, with its unit inserted and nothing swept."""
    at = SimulatedBench(case.bench, case.type_, hidden=case.hidden)
    raw = {
        name: sweep for name, sweep in _swept(at, calibration.steps(None, case.bench)).items() if not name.startswith("verify")
    }
    record = CalibrationRecord(
        id="guarded", bench=case.bench.name, analyser=at.identity, made="", paths=case.bench.analyser.paths,
        standards=case.bench.standards, loads=tuple(case.bench.loads),
    )  # fmt: skip
    calibrated = cal.build(record, raw)
    at.advance(case.age_hours * 3600.0)
    at.insert_unit(UNIT)
    points = case.bench.sweep.points
    guard = Guard.of(case.type_, tables(), case.adapters, case.residuals)
    for step in line_sampler.steps(case.type_, case.bench):  # the verification that stands before a proof
        if isinstance(step, Connect) and step.hookup.name == "verify-load":
            at.connect(step.hookup)
    return GuardedBench(case, at, calibrated, assess.known_terminations(case.bench, calibrated, points), guard)


def _swept(at: SimulatedBench, steps: tuple[Step, ...]) -> dict[str, Sweep]:
    found = {}
    for step in steps:
        if isinstance(step, Connect):
            at.connect(step.hookup)
        elif isinstance(step, Measure):
            traces = {str(key): value for key, value in at.raw(step.traces, at.bench.grid).items()}
            found[step.sweep] = Sweep(step.sweep, at.bench.grid.frequencies(), traces, step.ports)
    return found


@dataclass(frozen=True)
class Tried:
    """One mistake at one hook-up: what it changed, in deviations, and whether the guard doubted; its own name for it."""

    hookup: str
    mistake: str
    deviation: float
    caught: bool
    looks_like: str


def wrong_run(case: Case) -> Iterator[Tried]:
    """Yield every mistake at every hook-up of a run; after each the hook-up is made again, rightly, and kept."""
    bench = guarded(case)
    for hookup in HOOKUPS:
        for mistake in sorted(possible(hookup), key=lambda name: name != "standard measured twice"):  # it needs the joins before
            sweep = bench.take(hookup, mistake)
            look = bench.look(sweep)
            yield Tried(hookup.name, mistake, bench.deviation(hookup), not look.ok, look.looks_like)
        bench.accept(bench.take(hookup))


def right_run(case: Case) -> list[str]:
    """Return what the guard says wrongly in a run without a mistake."""
    bench = guarded(case)
    alarms = []
    for hookup in HOOKUPS:
        sweep = bench.take(hookup)
        look = bench.look(sweep)
        if not look.ok:
            alarms.append(f"{case.stratum} {case.number} {hookup.name}: {look.says}")
        bench.accept(sweep)
    return alarms
