"""From corrected sweeps to a proof record: terminations from a bench, evaluation, the record, its exit status. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from harness.analysis import AdapterModel, Band, Evaluation, Sweeps, Termination, Terminations, evaluate
from harness.analysis.figures import inside
from harness.analysis.readings import DEFAULT_LOAD_RETURN_LOSS_DB, DEFAULT_RECEIVER_MATCH_DB
from harness.analysis.usable import LEAST_POINTS_IN_BAND
from harness.calibration import Calibration
from harness.errors import DataError
from harness.quantities import show_frequency
from harness.records import (
    LINE_IN,
    LINE_OUT,
    SAMPLE,
    Bench,
    Proof,
    Residuals,
    SamplerType,
    Sweep,
    UncertaintyEntry,
    default_residuals,
)
from harness.records.proof import Check, Circumstances


def check_grid(bench: Bench, type_: SamplerType) -> None:
    """Refuse a bench whose sweep does not cover the type's band (DataError), before anything connects."""
    low, high = type_.band_hz
    if bench.sweep.low > low or bench.sweep.high < high:
        raise DataError(
            f"the sweep of bench {bench.name} goes from {show_frequency(bench.sweep.low)} to {show_frequency(bench.sweep.high)}; "
            f"the band of {type_.name} is {show_frequency(low)} to {show_frequency(high)}",
            hint="Widen low and high under [sweep] in the bench file.",
        )
    within = int(np.count_nonzero(inside(bench.grid.frequencies(), type_.band_hz)))
    if within < LEAST_POINTS_IN_BAND:
        raise DataError(
            f"the sweep of bench {bench.name} has {within} points from {show_frequency(low)} to {show_frequency(high)}, "
            f"the band of {type_.name}; at least {LEAST_POINTS_IN_BAND} are needed",
            hint="Give more points, or a narrower range, under [sweep] in the bench file.",
        )


def known_terminations(bench: Bench, calibration: Calibration | None, points: int) -> Terminations:
    """Return what the unit's connectors see: loads as the calibration swept them, else their bound; the receiver's match."""
    swept = {} if calibration is None else calibration.loads
    error_db = -bench.correction.verify_within
    loads = {
        name: Termination.swept(swept[name], error_db) if name in swept else Termination.bounded(points, load.return_loss)
        for name, load in bench.loads.items()
    }
    loads.setdefault("B", Termination.bounded(points, DEFAULT_LOAD_RETURN_LOSS_DB))
    if calibration is None:
        return Terminations(loads, Termination.bounded(points, DEFAULT_RECEIVER_MATCH_DB))
    back = calibration.terms.reverse
    return Terminations(
        loads,
        Termination.swept(calibration.terms.receiver_match, error_db),
        None if back is None else Termination.swept(back.receiver_match, error_db),
    )


def bounded_terminations(sweeps: Mapping[str, Sweep], bench: Bench | None) -> Terminations:
    """Return what is assumed of sweeps from a folder: the bench file's bounds, or a default class where there is none."""
    points = next(iter(sweeps.values())).frequency_hz.size
    if bench is None:
        return Terminations.of_default_class(points)
    return known_terminations(bench, None, points)


def judge(
    sweeps: Sweeps,
    type_: SamplerType,
    terminations: Terminations,
    bands: Sequence[Band],
    adapters: Mapping[str, AdapterModel],
    residuals: Residuals | None = None,
) -> Evaluation:
    """Return the evaluation of one unit's corrected sweeps, ``residuals`` from :func:`residuals_of`; the default class without.

    DataError where the sweeps cannot be analysed.
    """
    return evaluate(sweeps, type_, terminations, bands, adapters, residuals=residuals)


def residuals_of(
    bench: Bench | None,
    type_: SamplerType,
    ambient_celsius: float | None = None,
    characterised: Residuals | None = None,
) -> Residuals:
    """Return what the bench leaves in its corrected readings, its adapters' bounds and the temperatures in it.

    From the bench file; from the default class where there is no bench or it states nothing, and ``source`` says so;
    ``characterised`` (from a dated characterisation) stands before both.
    """
    if characterised is not None:
        found = characterised
    elif bench is None:
        found = default_residuals()
    elif bench.uncertainty is None:
        kit = UncertaintyEntry().residuals()
        found = kit.model_copy(update={"source": f"the bench file has no [uncertainty], assumed: {kit.source}"})
    else:
        found = bench.uncertainty.residuals()
    changes: dict[str, object] = {"adapters": {} if bench is None else _adapter_bounds(bench, type_)}
    if ambient_celsius is not None:
        changes["ambient_celsius"] = ambient_celsius
    return found.model_copy(update=changes)


def _adapter_bounds(bench: Bench, type_: SamplerType) -> dict[str, float]:
    """Return unit connector → level in dB of what is left of the adapter on it."""
    lines, sample = type_.build.line_connectors, type_.build.sample_connector
    on_unit = {LINE_IN: lines, LINE_OUT: lines, SAMPLE: sample}
    adapters = {
        port: bench.adapter_for(connector) for port, connector in on_unit.items() if connector != bench.analyser.connector
    }
    return {port: -adapter.return_loss for port, adapter in adapters.items() if adapter is not None}


def assemble(
    unit: str,
    identity: str,
    batch: str | None,
    type_: SamplerType,
    bench: Bench | None,
    circumstances: Circumstances,
    judged: Evaluation,
    verification: tuple[Check, ...] = (),
    doubts: tuple[Check, ...] = (),
) -> Proof:
    """Return the proof record of an evaluation; file checksums come when it is written.

    ``doubts``: checks that failed, of sweeps that do not look like their hook-ups: no unit conforms on them.
    """
    doubted = judged.decision == "conforms" and not all(check.ok for check in doubts)
    return Proof(
        unit=unit,
        proof=identity,
        batch=batch,
        type=type_,
        bench=bench,
        circumstances=circumstances,
        decision="undecided" if doubted else judged.decision,
        probability=judged.probability,
        band_hz=type_.band_hz,
        figures=judged.figures,
        coupling_at=judged.coupling_at,
        coupling_table=judged.coupling_table,
        usable_band_hz=judged.usable_band_hz,
        checks=(*verification, *doubts, *judged.checks),
        how=judged.how,
        budget=judged.budget,
        uncertainty=judged.uncertainty,
    )


def file_comments(proof: Proof) -> tuple[str, ...]:
    """Return the comment lines of a proof's Touchstone files: unit, type, bench, calibration, time."""
    bench = proof.bench.name if proof.bench else "none"
    return (
        f"unit: {proof.unit}",
        f"type: {proof.type.name}",
        f"bench: {bench}",
        f"calibration: {proof.circumstances.calibration or 'none'}",
        f"time: {proof.circumstances.when}",
    )


def mean_of(repeats: Sequence[Sweep], comments: tuple[str, ...]) -> Sweep:
    """Return the mean of a hook-up's corrected repeats as one sweep with these comments."""
    first = repeats[0]
    traces = {key: np.mean([sweep.trace(key) for sweep in repeats], axis=0) for key in first.traces}
    said = (*comments, f"hook-up: {first.name}", f"repeats: {len(repeats)}")
    return Sweep(first.name, first.frequency_hz, traces, first.ports, said)


def numbered(sweeps: Mapping[str, Sequence[Sweep]]) -> dict[str, Sweep]:
    """Return repeats under names of their own: coupled, coupled-2, coupled-3."""
    return {
        name if number == 1 else f"{name}-{number}": sweep
        for name, repeats in sweeps.items()
        for number, sweep in enumerate(repeats, start=1)
    }


def exit_status(proof: Proof) -> int:
    """Return the exit status of one proof: 0 conforms, 1 does not conform, 4 undecided."""
    return {"conforms": 0, "does not conform": 1, "undecided": 4}[proof.decision]


def worst_status(proofs: Iterable[Proof]) -> int:
    """Return 1 if any proof does not conform, else 4 if any is undecided, else 0."""
    found = {exit_status(proof) for proof in proofs}
    return 1 if 1 in found else 4 if 4 in found else 0
