"""Proofs of sweeps that exist as Touchstone files: the same analysis, record and log entry as at the bench."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from harness import assess, files
from harness import calibration as cal
from harness.analysis import Terminations
from harness.analysis.guard import checks
from harness.errors import DataError
from harness.products import Product
from harness.proving import Filed, Records, Wish, check_wish, circumstances_of, write
from harness.records import Bench, CalibrationRecord, Sweep
from harness.records.sweep import describe_grid
from harness.steps import Measure
from sequences.plans import calibration_plan


def prove_folder(
    wish: Wish,
    product: Product,
    bench: Bench | None,
    folder: Path,
    records: Records,
    tell: Callable[[str], None] = lambda text: None,
) -> Filed:
    """Analyse the sweeps of a folder as a proof: the same figures, decision, proof folder and log entry.

    With a bench, the calibration under ``raw/`` of a proof's own folder tells loads and receiver; without either, bounds do.
    Nobody is there to ask: a sweep that does not look like its hook-up is a check that failed, and no unit conforms on it.
    ``tell`` hears how far it is.
    """
    check_wish(wish)
    remarks: list[str] = []
    sweeps = files.read_sweep_folder(folder, remarks.append)
    terminations = terminations_of_folder(folder, sweeps, bench)
    residuals = assess.residuals_of(bench, product.type_, wish.ambient_celsius)
    judged = assess.judge(sweeps, product.type_, terminations, product.bands, product.adapters, residuals)
    note = " ".join(part for part in (wish.note, *remarks) if part)
    circumstances = circumstances_of(wish, records, note=note, analyser="", calibration=None, sequence="from folder")
    doubts = checks(product.guard(bench), sweeps, terminations)
    proof = assess.assemble(wish.unit, files.new_id(), wish.batch, product.type_, bench, circumstances, judged, doubts=doubts)
    tell(product.told(proof))
    proof = product.complete(proof, sweeps, terminations)
    return write(proof, sweeps | {"unit": judged.three_port}, {}, {}, records)


def terminations_of_folder(folder: Path, sweeps: Mapping[str, Sweep], bench: Bench | None) -> Terminations:
    """Return what the connectors saw: from the calibration under ``raw/``, else bounds. DataError: it is of another grid."""
    calibration = None if bench is None else _calibration_beside(folder, bench)
    first = next(iter(sweeps.values()))
    if bench is None or calibration is None:
        return assess.bounded_terminations(sweeps, bench)
    if not first.same_grid(calibration.frequency_hz):
        raise DataError(
            f"the calibration in {folder / 'raw'} has {describe_grid(calibration.frequency_hz)}; "
            f"{first.name} has {describe_grid(first.frequency_hz)}",
            hint="Take the folder raw away if it does not belong to these sweeps; the bench file's bounds are used then.",
        )
    return assess.known_terminations(bench, calibration, first.frequency_hz.size)


def _calibration_beside(folder: Path, bench: Bench) -> cal.Calibration | None:
    """Return the calibration whose raw sweeps are kept under ``raw/`` of a proof's folder, or None where one is not there."""
    steps = [step for step in calibration_plan(bench).steps if isinstance(step, Measure) and step.kind != "verification"]
    paths = {step.sweep: (folder / "raw" / files.file_name(step.sweep, step.ports), step.ports) for step in steps}
    if not paths or not all(path.is_file() for path, _ in paths.values()):
        return None
    raw = {name: files.read_sweep_file(path, name, ports) for name, (path, ports) in paths.items()}
    record = CalibrationRecord(
        id="folder",
        bench=bench.name,
        analyser="",
        made="",
        paths=bench.analyser.paths,
        standards=bench.standards,
        loads=tuple(name for name, load in bench.loads.items() if load.measured),
    )
    return cal.build(record, raw)
