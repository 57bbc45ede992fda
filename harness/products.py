"""What is being proved: a type with the tables, bands and adapters around it, the guard of its hook-ups, and its diagnosis."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from harness import assess, explaining, files
from harness import calibration as cal
from harness.analysis import AdapterModel, Band, DelayAndLoss, Terminations, parse_bands
from harness.analysis.guard import Guard, Look, Tables
from harness.errors import FileError
from harness.records import LINE_IN, LINE_OUT, SAMPLE, Bench, Proof, SamplerType, Sweep
from harness.records.sweep import same_grid
from harness.runner import Guard as RunGuard
from harness.sampler import parse_cables, parse_cores, parse_materials
from sequences.hookups import connector_of

Complete = Callable[[Proof, Mapping[str, Sweep], Terminations], Proof]


@dataclass(frozen=True)
class Product:
    """What is being proved, and what the analysis needs to know around it.

    ``complete`` adds to the record of a proof: the diagnosis, and what a recheck finds. It takes a second or two where it
    ``looks`` for faults.
    """

    type_: SamplerType
    tables: Tables
    bands: tuple[Band, ...] = ()
    adapters: Mapping[str, AdapterModel] = field(default_factory=dict)
    complete: Complete = lambda proof, *_: proof
    looks: bool = False

    def told(self, proof: Proof) -> str:
        """Return what is said of a proof before it is completed: its decision, and what comes now."""
        return f"{proof.unit}: {proof.decision}{'; looking for what fits the sweeps …' if self.looks else ''}"

    def guard(self, bench: Bench | None) -> Guard:
        """Return what looks at the hook-ups of a unit of this type."""
        delay = 0.0 if bench is None else bench.standards.thru.delay
        return Guard.of(self.type_, self.tables, self.adapters, assess.residuals_of(bench, self.type_), delay)

    def guard_of_run(self, bench: Bench) -> RunGuard:
        """Return the guard as a run at the bench calls it after each sweep of the unit."""
        guard = self.guard(bench)

        def look(name: str, sweeps: Mapping[str, Sequence[Sweep]], calibration: cal.Calibration | None) -> Look:
            points = sweeps[name][-1].frequency_hz.size
            return guard.look(name, sweeps, assess.known_terminations(bench, calibration, points))

        return look


def read_product(
    type_: str | None, bench: Bench | None, bench_name: str | None, own: SamplerType | None = None, *, diagnosis: bool = True
) -> Product:
    """Return the product of a type (``own`` where none is named) on a bench. FileError, UsageError.

    ``bench_name``: the bench as it was given; its file's folder is where the files of adapters are looked for. Without
    ``diagnosis`` no faults are looked for, and the record says so.
    """
    wanted = own if own is not None and type_ is None else files.read_type(type_ or "")
    tables = _tables(type_)
    bands = parse_bands(files.read_data_text("bands.toml"), "bands.toml")
    adapters = _adapters(wanted, bench, files.folder_beside(bench_name))

    def complete(proof: Proof, sweeps: Mapping[str, Sweep], terminations: Terminations) -> Proof:
        if not diagnosis:
            return explaining.unexplained(proof, "not looked for, as asked (--no-diagnosis)")
        return explaining.explained(proof, sweeps, terminations, tables, adapters)

    return Product(wanted, tables, tuple(bands), adapters, complete, diagnosis)


def _tables(type_: str | None) -> Tables:
    """Return the program's tables, and over them the parts of one's own beside the type file."""
    texts = {name: files.read_data_text(name) for name in ("cores.toml", "materials.toml", "cables.toml")}
    shipped = Tables(
        parse_cores(texts["cores.toml"]), parse_materials(texts["materials.toml"]), parse_cables(texts["cables.toml"])
    )
    own = None if type_ is None else files.read_own_parts(type_)
    if own is None:
        return shipped
    from harness.sampler.design import parse_parts

    parts = parse_parts(*own)
    return Tables({**shipped.cores, **parts.cores}, {**shipped.materials, **parts.materials}, {**shipped.cables, **parts.cables})


def _adapters(type_: SamplerType, bench: Bench | None, folder: Path) -> Mapping[str, AdapterModel]:
    found: dict[str, AdapterModel] = {}
    for port in (LINE_IN, LINE_OUT, SAMPLE) if bench else ():
        connector = connector_of(port, type_)
        adapter = bench.adapter_for(connector) if bench and connector != bench.analyser.connector else None
        if adapter is None:
            continue
        if adapter.file is not None and bench is not None:
            found[port] = _adapter_from_file(folder / adapter.file, bench)
        elif adapter.delay is not None:
            found[port] = DelayAndLoss(adapter.delay, adapter.loss)
    return found


def _adapter_from_file(path: Path, bench: Bench) -> AdapterModel:
    sweep = adapter_sweep(path)
    if not same_grid(sweep.frequency_hz, bench.grid.frequencies(), 1e-6):
        raise FileError(
            f"{path}: the adapter's grid is not that of bench {bench.name}",
            hint="Sweep the adapter on the grid of the bench file.",
            file=str(path),
        )
    return sweep.matrix()


def adapter_sweep(path: Path) -> Sweep:
    """Return the sweep of an adapter's file. FileError."""
    return files.read_sweep_file(path, path.stem, 2)
