"""Simulated benches whose hidden standards are known here and nowhere in the analysis, led through a characterisation by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.simulated import SimulatedBench
from harness import calibration as cal
from harness.records import Bench, CalibrationRecord, Characterised, HookUp, Residuals, Sweep, parse_bench
from harness.steps import Connect, Measure, Step
from sequences import calibration as standards
from sequences import characterise
from tests.simulated_texts import bench_of

Complexes = NDArray[np.complex128]


def bench_file(seed: int, **changes: object) -> Bench:
    """Return a bench file: its standards are within ``standards`` dB of their models in 95 of 100 benches."""
    simulated = {"standards": "-40 dB", "thru": "-44 dB", "repeatability": "-60 dB", "noise": "-80 dB", **changes}
    bench = bench_of()
    return bench.model_copy(update={"simulated": parse_bench(_text(seed, simulated), "bench.toml").simulated})


def _text(seed: int, simulated: Mapping[str, object]) -> str:
    lines = "\n".join(f'{key} = "{value}"' for key, value in simulated.items())
    return (
        '[bench]\nname = "made"\n[analyser]\naddress = "simulated://tcp"\ndialect = "scpi-simulated"\n'
        f'[sweep]\nlow = "1 MHz"\nhigh = "100 MHz"\npoints = 201\n[simulated]\nseed = {seed}\n{lines}\n'
    )


@dataclass
class Hand:
    """A simulated bench, calibrated, and its calibration."""

    bench: Bench
    at: SimulatedBench
    calibration: cal.Calibration

    @classmethod
    def calibrated(cls, bench: Bench) -> Hand:
        at = SimulatedBench(bench)
        raw = {name: sweeps[-1] for name, sweeps in _walk(at, standards.steps(None, bench), {}).items()}
        record = CalibrationRecord(
            id="0123abcd",
            bench=bench.name,
            analyser=at.identity,
            made="2026-02-03T04:05:06+00:00",
            paths="one-path",
            standards=bench.standards,
        )
        return cls(bench, at, cal.build(record, raw))

    def sweeps(self, instead: Mapping[str, HookUp] | None = None) -> dict[str, list[Sweep]]:
        """Return the raw sweeps of the sequence; ``instead``: hook-up name → what the hand connects in its place."""
        return _walk(self.at, characterise.steps(self.bench), instead or {})

    def characterised(self, stated: Residuals, match_db: float = -40.0) -> Characterised:
        at = cal.Circumstances("abcd0123", "2026-02-03T05:00:00+00:00", match_db)
        return cal.characterise(self.sweeps(), self.calibration, stated, at)

    def truth(self) -> dict[str, Complexes]:
        """Return the residuals that the correction leaves: the map from true to corrected reflections, taken apart.

        Corrected = D + (1 + R)·Γ/(1 − S·Γ) has three unknowns: three true reflections, sent through the true error
        terms, give it.
        """
        hz = self.calibration.frequency_hz
        true, terms = self.at.terms.port(1, hz), self.calibration.terms.forward
        rows, right = [], []
        for gamma in (0.0, 0.9, -0.9):
            raw = true.directivity + true.reflection_tracking * gamma / (1 - true.match * gamma)
            shifted = raw - terms.directivity
            shown = shifted / (terms.reflection_tracking + terms.source_match * shifted)
            rows.append(np.stack([np.full(hz.size, gamma + 0j), np.ones(hz.size) + 0j, -gamma * shown], axis=1))
            right.append(shown)
        a, b, g = np.linalg.solve(np.stack(rows, axis=1), np.stack(right, axis=1)[..., None])[..., 0].T
        return {"directivity": b, "source_match": -g, "reflection_tracking": a - b * g - 1}


def _walk(at: SimulatedBench, steps: tuple[Step, ...], instead: Mapping[str, HookUp]) -> dict[str, list[Sweep]]:
    found: dict[str, list[Sweep]] = {}
    for step in steps:
        if isinstance(step, Connect):
            other = instead.get(step.hookup.name)
            at.connect(step.hookup if other is None else HookUp(step.hookup.name, other.joins))
        elif isinstance(step, Measure):
            traces = {str(key): value for key, value in at.raw(step.traces, at.bench.grid).items()}
            found.setdefault(step.sweep, []).append(Sweep(step.sweep, at.bench.grid.frequencies(), traces, step.ports))
        if isinstance(step, Measure) and step.sweep == "verify-thru":
            break
    return found
