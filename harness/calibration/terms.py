"""Error terms of the analyser, solved by scikit-rf from the raw sweeps of the standards."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from harness.calibration.standards import Z0, Reflection, ideal_reflection, ideal_thru
from harness.errors import CalibrationError
from harness.quantities import show_frequency
from harness.records import Sweep
from harness.records.bench_file import StandardsEntry
from harness.records.sweep import describe_grid

Paths = Literal["one-path", "two-path"]
REFLECTIONS: tuple[Reflection, ...] = ("short", "open", "load")
_NAMES = {
    "directivity": "directivity",
    "source_match": "source match",
    "reflection_tracking": "reflection tracking",
    "transmission_tracking": "transmission tracking",
    "receiver_match": "load match",
    "isolation": "isolation",
}
"""Our word for each term → the word in scikit-rf's dictionary, without "forward" or "reverse"."""


@dataclass(frozen=True)
class PathTerms:
    """The six error terms of one direction, complex, shape (F,) each."""

    directivity: NDArray[np.complex128] = field(repr=False)
    source_match: NDArray[np.complex128] = field(repr=False)
    reflection_tracking: NDArray[np.complex128] = field(repr=False)
    transmission_tracking: NDArray[np.complex128] = field(repr=False)
    receiver_match: NDArray[np.complex128] = field(repr=False)
    isolation: NDArray[np.complex128] = field(repr=False)


@dataclass(frozen=True)
class ErrorTerms:
    """The analyser's error terms over one grid. ``reverse`` is None on a one-path analyser."""

    frequency_hz: NDArray[np.float64] = field(repr=False)
    forward: PathTerms
    reverse: PathTerms | None = None

    @property
    def paths(self) -> Paths:
        """What the terms can correct."""
        return "one-path" if self.reverse is None else "two-path"

    @property
    def receiver_match(self) -> NDArray[np.complex128]:
        """The reflection that analyser 2 shows while analyser 1 drives, shape (F,)."""
        return self.forward.receiver_match


def solve(raw: Mapping[str, Sweep], standards: StandardsEntry, paths: Paths) -> ErrorTerms:
    """Return the error terms from raw sweeps of the standards.

    One-path: "cal-short", "cal-open", "cal-load" (S11), "cal-thru" (S11, S21), "cal-isolation" (S21) where it was swept.
    Two-path: also "cal-short-2", "cal-open-2", "cal-load-2" (S22, or the S11 of a one-port file) and all four traces of
    the thru. Without an isolation sweep the isolation terms are zero. CalibrationError where a sweep is missing, the grids
    differ, or two standards cannot be told apart.
    """
    frequency_hz = _same_grid(raw, paths)
    solver = _one_path if paths == "one-path" else _two_path
    with warnings.catch_warnings(record=True) as said, np.errstate(all="ignore"):
        warnings.simplefilter("always")
        try:
            coefs = solver(raw, standards, frequency_hz)
        except np.linalg.LinAlgError:
            raise _same_standards("somewhere in the band") from None
    reverse = _path(coefs, "reverse") if paths == "two-path" else None
    terms = ErrorTerms(frequency_hz, _path(coefs, "forward"), reverse)
    _refuse_singular(terms, any("singular" in str(warning.message) for warning in said))
    return terms


def _needed(paths: Paths) -> tuple[str, ...]:
    one = tuple(f"cal-{kind}" for kind in REFLECTIONS)
    two = tuple(f"{name}-2" for name in one) if paths == "two-path" else ()
    return (*one, *two, "cal-thru")


def _same_grid(raw: Mapping[str, Sweep], paths: Paths) -> NDArray[np.float64]:
    needed = _needed(paths)
    missing = [name for name in needed if name not in raw]
    if missing:
        raise CalibrationError(
            f"the calibration has no sweep {', '.join(missing)}; a {paths} calibration needs {', '.join(needed)}",
            hint="Calibrate again.",
        )
    grid = raw[needed[0]].frequency_hz
    for name in (*needed[1:], "cal-isolation"):
        if name in raw and not raw[name].same_grid(grid):
            raise CalibrationError(
                f"the sweep {name} has {describe_grid(raw[name].frequency_hz)}; {needed[0]} has {describe_grid(grid)}",
                hint="All standards are swept on one grid. Calibrate again.",
            )
    return grid


def _network(frequency_hz: NDArray[np.float64], entries: Mapping[tuple[int, int], NDArray[np.complex128]]) -> Any:
    from skrf.frequency import Frequency
    from skrf.network import Network

    s = np.zeros((frequency_hz.size, 2, 2), dtype=np.complex128)
    for (row, column), trace in entries.items():
        s[:, row, column] = trace
    return Network(frequency=Frequency.from_f(frequency_hz, unit="hz"), s=s, z0=Z0)


def _ideals(standards: StandardsEntry, frequency_hz: NDArray[np.float64]) -> list[Any]:
    both = [ideal_reflection(kind, standards, frequency_hz) for kind in REFLECTIONS]
    through = ideal_thru(standards, frequency_hz)
    reflecting = [_network(frequency_hz, {(0, 0): gamma, (1, 1): gamma}) for gamma in both]
    return [*reflecting, _network(frequency_hz, {(0, 1): through, (1, 0): through})]


def _one_path(raw: Mapping[str, Sweep], standards: StandardsEntry, frequency_hz: NDArray[np.float64]) -> Mapping[str, Any]:
    """Solve the reflection terms with the library, and the transmission terms from the thru.

    With the thru's transmission t, its corrected S11 is t²·Γr, and M21 = Ex + Et·t/(1 − Es·t²·Γr). The library's
    EnhancedResponse gives the same terms (a test shows it) in fifteen times the time.
    """
    from skrf.calibration import OnePort
    from skrf.frequency import Frequency
    from skrf.network import Network

    axis = Frequency.from_f(frequency_hz, unit="hz")
    measured = [Network(frequency=axis, s=raw[f"cal-{kind}"].trace("s11"), z0=Z0) for kind in REFLECTIONS]
    ideals = [Network(frequency=axis, s=ideal_reflection(kind, standards, frequency_hz), z0=Z0) for kind in REFLECTIONS]
    coefs = OnePort(measured, ideals).coefs
    through, thru = ideal_thru(standards, frequency_hz), raw["cal-thru"]
    leak = raw["cal-isolation"].trace("s21") if "cal-isolation" in raw else np.zeros_like(through)
    shifted = thru.trace("s11") - coefs["directivity"]
    seen = shifted / (coefs["reflection tracking"] + coefs["source match"] * shifted)
    tracking = (thru.trace("s21") - leak) * (1 - coefs["source match"] * seen) / through
    found = {name: coefs[name] for name in ("directivity", "source match", "reflection tracking")}
    found |= {"transmission tracking": tracking, "load match": seen / through**2, "isolation": leak}
    return {f"forward {name}": value for name, value in found.items()}


def _two_path(raw: Mapping[str, Sweep], standards: StandardsEntry, frequency_hz: NDArray[np.float64]) -> Mapping[str, Any]:
    from skrf.calibration import SOLT

    measured = [
        _network(frequency_hz, {(0, 0): raw[f"cal-{kind}"].trace("s11"), (1, 1): on_port_2(raw[f"cal-{kind}-2"])})
        for kind in REFLECTIONS
    ]
    thru = raw["cal-thru"]
    every = {(row, column): thru.trace(f"s{row + 1}{column + 1}") for row in (0, 1) for column in (0, 1)}
    measured.append(_network(frequency_hz, every))
    isolation = None
    if "cal-isolation" in raw:
        leak = raw["cal-isolation"]
        isolation = _network(frequency_hz, {(1, 0): leak.trace("s21"), (0, 1): leak.trace("s12")})
    solved = SOLT(measured, _ideals(standards, frequency_hz), n_thrus=1, isolation=isolation)
    coefs: Mapping[str, Any] = solved.coefs
    return coefs


def on_port_2(sweep: Sweep) -> NDArray[np.complex128]:
    """Return the reflection at analyser 2: the sweep's S22, or the S11 of a one-port file that names no port."""
    return sweep.trace("s11" if sweep.ports == 1 and "s22" not in sweep.traces else "s22")


def _path(coefs: Mapping[str, Any], direction: str) -> PathTerms:
    named = {ours: np.array(coefs[f"{direction} {theirs}"], dtype=np.complex128) for ours, theirs in _NAMES.items()}
    return PathTerms(**named)


def _refuse_singular(terms: ErrorTerms, said_so: bool) -> None:
    for path in (terms.forward, terms.reverse):
        if path is None:
            continue
        finite = np.all([np.isfinite(getattr(path, name)) for name in _NAMES], axis=0)
        if not finite.all():
            raise _same_standards(f"at {show_frequency(float(terms.frequency_hz[int(np.argmin(finite))]))}")
    if said_so:
        raise _same_standards("somewhere in the band")


def _same_standards(where: str) -> CalibrationError:
    return CalibrationError(
        f"the error terms cannot be solved: two of the standards look the same {where}",
        hint="Sweep short, open and load again, each with its own standard.",
    )
