"""Small records for the tests of files and log: a proof, a calibration and sweeps made by hand, and disks that fail."""

from __future__ import annotations

import errno
from pathlib import Path

import numpy as np

from harness.files import Disk, read_bench, read_type
from harness.records import CalibrationRecord, Decision, FaultEntry, Figure, Proof, Sweep
from harness.records.bench_file import StandardsEntry
from harness.records.proof import Circumstances

FREQUENCY_HZ = np.array([1e6, 7.1e6, 100e6 / 3])
WHEN = "2024-05-04T10:11:12+02:00"
FOLDER = "20240504T081112Z"
"""WHEN in UTC, as ISO 8601 basic format writes it."""


def sweep(name: str, *traces: str, ports: int = 2, shift: float = 0.0) -> Sweep:
    """Return a sweep with numbers that need every digit."""
    first = np.array([1 / 3, -0.2j, 1e-5 + 0.7j], dtype=np.complex128)
    values = {key: np.asarray(first * ((number + 1 + shift) / 7), np.complex128) for number, key in enumerate(traces)}
    return Sweep(name, FREQUENCY_HZ, values, ports, ("time: 2024-05-04T08:11:12+00:00", "analyser: ACME"))


def corrected() -> dict[str, Sweep]:
    """Return the sweeps of one proof, the assembled three-port among them."""
    three_port = tuple(f"s{i}{j}" for i in (1, 2, 3) for j in (1, 2, 3))
    return {
        "line": sweep("line", "s11", "s21"),
        "coupled": sweep("coupled", "s11", "s21", shift=0.5),
        "sample": sweep("sample", "s11", ports=1),
        "unit": sweep("unit", *three_port, ports=3),
    }


def raw() -> dict[str, Sweep]:
    """Return the raw sweeps of one proof, a repeat and a standard among them."""
    return {
        "line": sweep("line", "s11", "s21", shift=0.1),
        "line-2": sweep("line", "s11", "s21", shift=0.2),
        "cal-open": sweep("cal-open", "s11", ports=1),
    }


def proof(
    unit: str = "CL-0007",
    identity: str = "ab12cd34ef56",
    *,
    when: str = WHEN,
    batch: str | None = "autumn",
    decision: Decision = "conforms",
    coupling_db: float = 30.12,
) -> Proof:
    """Return a proof with two figures and one fault."""
    figure = Figure(value=coupling_db, low=29.98, high=30.26, tolerance=(29, 31), decision="conforms", probability=0.9999)
    fault = FaultEntry(fault="turns", weight=0.97, says="31 turns.", try_="Count them.", turns=31)
    return Proof(
        unit=unit,
        proof=identity,
        batch=batch,
        type=read_type("hf30"),
        bench=read_bench("simulated-serial"),
        circumstances=Circumstances(when=when, program="tapproof 0.1.0", sequence="line-sampler"),
        decision=decision,
        probability=0.9991,
        band_hz=(1.8e6, 54e6),
        figures={"coupling_db": figure, "swr": Figure(value=1.04, high=1.06, tolerance=(None, 1.12))},
        faults=(fault,),
        drift={"drifted": False, "level_db": 0.01},
    )


def calibration(identity: str = "0123456789ab", *, made: str = WHEN, bench: str = "simulated-serial") -> CalibrationRecord:
    """Return the record of a one-path calibration."""
    return CalibrationRecord(
        id=identity, bench=bench, analyser="ACME", made=made, paths="one-path", standards=StandardsEntry(), loads=("A",)
    )


def calibration_raw(shift: float = 0.0) -> dict[str, Sweep]:
    """Return a calibration's raw sweeps."""
    return {
        "cal-open": sweep("cal-open", "s11", ports=1, shift=shift),
        "cal-thru": sweep("cal-thru", "s11", "s21", shift=shift),
        "load-A": sweep("load-A", "s11", ports=1, shift=shift),
    }


class FullDisk(Disk):
    """A disk that takes ``operations`` more operations, writes a half of the next one's data, and is full for ever."""

    def __init__(self, operations: int) -> None:
        self.left = operations

    def _spend(self) -> bool:
        self.left -= 1
        return self.left >= 0

    def write(self, path: Path, data: bytes) -> None:
        if not self._spend():
            super().write(path, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, "No space left on device", str(path))
        super().write(path, data)

    def append(self, path: Path, data: bytes) -> None:
        if not self._spend():
            super().append(path, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, "No space left on device", str(path))
        super().append(path, data)

    def move(self, source: Path, target: Path) -> None:
        if not self._spend():
            raise OSError(errno.ENOSPC, "No space left on device", str(source))
        super().move(source, target)


def tree(root: Path) -> list[str]:
    """Return the names of all files and folders under ``root``, sorted."""
    return sorted(path.relative_to(root).as_posix() for path in root.rglob("*"))
