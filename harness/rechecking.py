"""The recheck use case: which proof is the reference, and what a new proof says against it. Beside ``proving``, which runs it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from harness import assess, files
from harness.analysis import AdapterModel, DelayAndLoss, Terminations
from harness.analysis.drift import (
    Difference,
    Judged,
    Kinship,
    Pair,
    Point,
    Seen,
    Taken,
    curves_of,
    difference,
    explain,
    judge,
    see,
    trend_of,
    what_changed,
)
from harness.errors import DataError, TapproofError, UsageError
from harness.folder_proofs import terminations_of_folder
from harness.log import LogEntry
from harness.products import Product
from harness.proving import Records, Wish
from harness.records import LINE_IN, LINE_OUT, SAMPLE, Bench, Proof, Residuals, SamplerType, Sweep
from harness.records.drift import Drift, DriftExplanation
from harness.records.sweep import describe_grid, same_grid
from harness.sampler import SamplerCircuit
from sequences.hookups import connector_of
from sequences.plans import SEQUENCES

MOST_IN_TREND = 12
USUAL_SEQUENCE = "line-sampler"


@dataclass(frozen=True)
class Start:
    """What a recheck starts from: the unit's reference proof with its folder, or what was done to the unit since.

    ``model``: the proof whose type, batch and sequence are the unit's own.
    """

    model: Proof
    reference: Proof | None
    folder: Path | None
    reworked: str | None = None

    def wish(self, asked: Wish) -> Wish:
        """Return the wish with the unit's own batch and sequence where none was asked for."""
        own = self.model.circumstances.sequence
        sequence = asked.sequence or (own if own in SEQUENCES else USUAL_SEQUENCE)
        return replace(asked, sequence=sequence, batch=asked.batch or self.model.batch)


def start(unit: str, records: Records, reworked: str | None = None) -> Start:
    """Return what a recheck of a unit starts from; ``reworked``: what was done to it, for a new reference.

    UsageError: the log does not know the unit, it has no conforming proof and none was chosen, or no word says what was done.
    """
    entries = [entry for entry in records.log.history(unit) if entry.withdrawn is None]
    if not entries:
        raise UsageError(f"the log in {records.root} knows no proof of {unit!r} that counts", hint="Prove it first.")
    if reworked is not None:
        said = " ".join(reworked.split())
        if not said or len(said) > 500:
            raise UsageError("--reworked takes 1 to 500 characters", hint='Say what was done: --reworked "new core".')
        return Start(entries[0].record(), None, None, said)
    proofs = [(entry, entry.record()) for entry in reversed(entries)]
    entry, proof = _reference(unit, proofs, records.log.reference(unit))
    folder = records.root / entry.folder
    if not folder.is_dir():
        raise DataError(
            f"the files of reference proof {proof.proof} are not in {folder}",
            hint="They may be kept by another bench of this log: bring them in with 'tapproof log import'.",
        )
    return Start(proof, proof, folder)


def _reference(unit: str, proofs: Sequence[tuple[LogEntry, Proof]], chosen: str | None) -> tuple[LogEntry, Proof]:
    """Return the chosen reference, else the first conforming proof; neither from before the unit was last reworked."""
    begins = max((at for at, (_, proof) in enumerate(proofs) if (proof.drift or {}).get("reworked")), default=0)
    since = proofs[begins:]
    for found in since:
        if found[1].proof == chosen:
            return found
    for found in since:
        if found[1].decision == "conforms":
            return found
    raise UsageError(
        f"{unit} has no conforming proof to compare with",
        hint=f"Choose one with 'tapproof show {unit} --reference PROOF', or start anew with --reworked \"what was done\".",
    )


def completing(from_: Start, product: Product, records: Records) -> Product:
    """Return the product whose proofs carry the comparison with the reference in ``drift``.

    The reference is read and looked at now, before anything is measured. FileError, DataError: it cannot be compared with.
    """
    before = None
    if from_.reference is not None and from_.folder is not None:
        _common_band(from_.reference.band_hz, product.type_.band_hz)
        before = see(_filed(from_.reference, from_.folder, product.adapters))

    def complete(proof: Proof, sweeps: Mapping[str, Sweep], terminations: Terminations) -> Proof:
        proof = product.complete(proof, sweeps, terminations)
        taken = _taken(proof, sweeps, terminations, product.adapters)
        drift = compare(from_, before, proof, taken, product.adapters, records)
        return proof.model_copy(update={"drift": drift.model_dump(mode="json")})

    return replace(product, complete=complete)


def compare(
    from_: Start, before: Seen | None, proof: Proof, now: Taken, adapters: Mapping[str, AdapterModel], records: Records
) -> Drift:
    """Return the comparison of a proof with the reference; DataError where they have too little in common."""
    reference = from_.reference
    if reference is None or before is None:
        changed = "a new reference: nothing to compare it with"
        return Drift(reference=None, reworked=from_.reworked, changed=changed, conforms=proof.decision)
    after = see(now)
    check, said = _check_standard(reference, proof, adapters, records)
    found = difference(Pair(before, after), kinship(reference, proof), _common_band(reference.band_hz, proof.band_hz), check)
    judged = judge(found)
    changed, where = what_changed(judged, found.hz)
    return Drift(
        reference=reference.proof,
        reference_when=reference.circumstances.when,
        drifted=judged.drifted,
        tests=judged.tests,
        changed=changed,
        features=judged.features,
        where_hz=where,
        explanation=_explained(before, found, proof.type) if judged.drifted else (),
        conforms=proof.decision,
        stated=(*differences(reference, proof, before, after), *said),
        check_standard=None if check is None or proof.bench is None else proof.bench.bench.check_standard,
        trend=trend_of(_points(reference, before, proof, judged, adapters, records)),
        curves=curves_of(judged, found.hz),
    )


def recheck_status(proof: Proof) -> int:
    """Return the exit status of a recheck: 1 where the unit drifted, else that of its proof."""
    return 1 if (proof.drift or {}).get("drifted") else assess.exit_status(proof)


def kinship(reference: Proof, proof: Proof) -> Kinship:
    """Return what two proofs have in common. Standards count as the same where the benches say so and the program corrects."""
    one, other = reference.bench, proof.bench
    calibrations = (reference.circumstances.calibration, proof.circumstances.calibration)
    same = (
        one is not None
        and other is not None
        and _of_standards(one) == _of_standards(other)
        and one.correction.by == "host"
        and _sizes(reference) == _sizes(proof)
    )
    analyser = bool(proof.circumstances.analyser) and reference.circumstances.analyser == proof.circumstances.analyser
    return Kinship(same, analyser, same and calibrations[0] is not None and calibrations[0] == calibrations[1])


def _of_standards(bench: Bench) -> tuple[object, ...]:
    return bench.name, bench.standards, bench.loads, bench.adapters, bench.analyser.paths, bench.correction.by


def _sizes(proof: Proof) -> Residuals:
    known = _residuals(proof)
    return known.model_copy(update={"source": "", "ambient_celsius": None, "calibrated_celsius": None, "adapters": {}})


def _residuals(proof: Proof) -> Residuals:
    if proof.uncertainty is not None:
        return proof.uncertainty.residuals
    return assess.residuals_of(proof.bench, proof.type, proof.circumstances.ambient_celsius)


def differences(reference: Proof, proof: Proof, before: Seen, after: Seen) -> tuple[str, ...]:
    """Return a sentence for everything else that was different between the two proofs, and how it was handled."""
    one, other = reference.circumstances, proof.circumstances
    kin = kinship(reference, proof)
    benches = [each.bench.name if each.bench else "none" for each in (reference, proof)]
    said = []
    if reference.type != proof.type:
        said.append(
            f"The type is {proof.type.name}; the reference was proved to {reference.type.name} or an earlier state of it. "
            "Compared in the band of both; conforming is judged by the type of now."
        )
    if benches[0] != benches[1]:
        said.append(f"The bench is {benches[1]}, then it was {benches[0]}: nothing cancels, both uncertainties count in full.")
    elif not kin.standards:
        said.append(
            "Standards, loads, adapters or stated residuals are not known to be the same: both uncertainties count in full."
        )
    if one.analyser != other.analyser:
        said.append(
            f"The analyser is {other.analyser or 'not known'}, then it was {one.analyser or 'not known'}: its linearity and "
            "isolation count anew."
        )
    if not same_grid(before.frequency_hz, after.frequency_hz):
        grids = [describe_grid(seen.frequency_hz) for seen in (after, before)]
        said.append(
            f"The grid is {grids[0]}, then it was {grids[1]}: interpolated, and the uncertainty widened by what that may be off."
        )
    if one.sequence != other.sequence:
        said.append(f"The sequence is {other.sequence}, then it was {one.sequence}: compared in what both have read.")
    if one.program != other.program:
        said.append(
            f"The program is {other.program}, then it was {one.program}: the old sweeps were analysed again by the new one."
        )
    if kin.standards and not kin.calibration:
        said.append("Another calibration with the same standards: their own errors cancel, those of their contacts count twice.")
    return tuple(said)


def _common_band(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    low, high = max(one[0], other[0]), min(one[1], other[1])
    if low >= high:
        raise DataError("the types of the two proofs have no band in common", hint="Recheck with the type of the reference.")
    return low, high


def _taken(proof: Proof, sweeps: Mapping[str, Sweep], terminations: Terminations, adapters: Mapping[str, AdapterModel]) -> Taken:
    repeats = 1 if proof.bench is None or proof.circumstances.sequence not in SEQUENCES else proof.bench.repeats.hookup
    here = proof.bench is None or proof.bench.correction.by == "host"
    return Taken(sweeps, terminations, _residuals(proof), adapters, repeats, here)


def _filed(proof: Proof, folder: Path, adapters: Mapping[str, AdapterModel]) -> Taken:
    """Return what a filed proof rests on. ``adapters``: those of now; an adapter's sweep is not kept with a proof."""
    sweeps = files.read_stored_sweeps(folder, proof.files)
    terminations = terminations_of_folder(folder, sweeps, proof.bench)
    points = sweeps["coupled"].frequency_hz.size
    return _taken(proof, sweeps, terminations, _adapters_then(proof.type, proof.bench, points, adapters))


def _adapters_then(
    type_: SamplerType, bench: Bench | None, points: int, now: Mapping[str, AdapterModel]
) -> Mapping[str, AdapterModel]:
    found: dict[str, AdapterModel] = {}
    for port in (LINE_IN, LINE_OUT, SAMPLE):
        connector = connector_of(port, type_)
        adapter = bench.adapter_for(connector) if bench and connector != bench.analyser.connector else None
        if adapter is None:
            continue
        if adapter.file is None and adapter.delay is not None:
            found[port] = DelayAndLoss(adapter.delay, adapter.loss)
        elif adapter.file is not None:
            swept = now.get(port)
            if not isinstance(swept, np.ndarray) or len(swept) != points:
                raise DataError(
                    f"the adapter on {port} in the reference proof was known from the file {adapter.file}, on another grid",
                    hint="Recheck with the same bench file, on the grid of the reference proof.",
                )
            found[port] = swept
    return found


def _check_standard(
    reference: Proof, proof: Proof, adapters: Mapping[str, AdapterModel], records: Records
) -> tuple[Pair | None, tuple[str, ...]]:
    """Return the bench's check standard as both calibrations saw it, or why it is not there."""
    name = None if proof.bench is None else proof.bench.bench.check_standard
    if name is None or name == proof.unit:
        return None, ()
    wanted = (reference.circumstances.calibration, proof.circumstances.calibration)
    entries = [entry for entry in records.log.history(name) if entry.withdrawn is None]
    proofs = [(entry, entry.record()) for entry in entries]
    sides = []
    for calibration in wanted:
        found = next((each for each in proofs if calibration and each[1].circumstances.calibration == calibration), None)
        if found is None:
            return None, (f"The check standard {name} was not proved with both calibrations: it is left out.",)
        sides.append(see(_filed(found[1], records.root / found[0].folder, adapters)))
    if not all(same_grid(sides[0].frequency_hz, side.frequency_hz) for side in sides):
        return None, (f"The check standard {name} was proved on two grids: it is left out.",)
    says = f"The check standard {name} was proved with both calibrations: what it shows of them is taken off."
    return Pair(sides[0], sides[1]), (says,)


def _explained(before: Seen, found: Difference, type_: SamplerType) -> tuple[DriftExplanation, ...]:
    try:
        healthy = healthy_circuit(type_)
    except UsageError:
        return ()  # a type that the circuit model does not know
    return explain(before, found, healthy)


def healthy_circuit(type_: SamplerType) -> SamplerCircuit:
    """Return the circuit that a type asks for, from the program's tables. UsageError: parts that they do not hold."""
    from harness.analysis.diagnosis import intended_of
    from harness.sampler import parse_cables, parse_cores, parse_materials

    tables = [files.read_data_text(name) for name in ("cores.toml", "materials.toml", "cables.toml")]
    return intended_of(type_, parse_cores(tables[0]), parse_materials(tables[1]), parse_cables(tables[2])).circuit


def _points(
    reference: Proof, before: Seen, proof: Proof, judged: Judged, adapters: Mapping[str, AdapterModel], records: Records
) -> list[Point]:
    """Return the level of every proof since the reference, this one last; none where there is only this one.

    The variance of a difference is that of the proof and that of the reference: the least of them is halved for the reference.
    """
    begin = datetime.fromisoformat(reference.circumstances.when)
    levels = []
    between = [entry for entry in records.log.history(proof.unit) if entry.withdrawn is None][: MOST_IN_TREND - 1]
    for entry in reversed(between):
        when = datetime.fromisoformat(entry.when)
        if entry.proof in (reference.proof, proof.proof) or when <= begin:
            continue
        try:
            old = entry.record()
            seen = see(_filed(old, records.root / entry.folder, adapters))
            band = _common_band(reference.band_hz, old.band_hz)
            found = judge(difference(Pair(before, seen), kinship(reference, old), band))
        except TapproofError:
            continue  # files kept elsewhere, or nothing in common: the trend is of the others
        levels.append((when, found.features[0].value, found.level_sigma))
    levels.append((datetime.fromisoformat(proof.circumstances.when), judged.features[0].value, judged.level_sigma))
    of_reference = min(sigma for _, _, sigma in levels) ** 2 / 2
    points = [Point(0.0, 0.0, float(np.sqrt(of_reference)))]
    for when, level, sigma in levels:
        points.append(Point((when - begin).total_seconds() / 86400, level, float(np.sqrt(sigma**2 - of_reference))))
    return points
