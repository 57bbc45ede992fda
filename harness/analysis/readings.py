"""Readings: what each corrected trace says about the unit, with what was on the other connectors.

With terminations Γ on the three ports (Γ of the driven port 0, of the receiving port the receiver's match, of the others
their loads) a reading is one element of (I − SΓ)⁻¹S, S being the unit's three-port. A full two-path correction leaves Γ = 0 at
both analyser ports. Adapters that stay on the unit belong to the unit here; they are removed from the three-port afterwards.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.errors import DataError
from harness.records import Sweep

Complex = NDArray[np.complex128]
Sweeps = Mapping[str, Sweep | Sequence[Sweep]]
"""Sweep name → the corrected sweep, or its repeats."""

DEFAULT_LOAD_RETURN_LOSS_DB = 30.0
DEFAULT_RECEIVER_MATCH_DB = 20.0


@dataclass(frozen=True)
class Termination:
    """What a connector of the unit sees. ``gamma``: its reflection, shape (F,), 0 where only a bound is known.

    ``bound``: the largest magnitude of the error of ``gamma``, linear. ``measured`` tells a swept termination from a bounded one.
    """

    gamma: Complex = field(repr=False)
    bound: float
    measured: bool

    @classmethod
    def swept(cls, gamma: Complex, error_db: float = -40.0) -> Termination:
        """Return a termination whose reflection was measured; its error stays below ``error_db`` of a total reflection."""
        return cls(np.asarray(gamma, dtype=np.complex128), float(10 ** (error_db / 20)), True)

    @classmethod
    def bounded(cls, points: int, return_loss_db: float) -> Termination:
        """Return a termination of which only a least return loss is known, for ``points`` frequencies."""
        return cls(np.zeros(points, dtype=np.complex128), float(10 ** (-return_loss_db / 20)), False)

    def says(self) -> str:
        """Return "as measured" or "taken as 30 dB or better"."""
        return "as measured" if self.measured else f"taken as {-20 * np.log10(self.bound):.0f} dB or better"


@dataclass(frozen=True)
class Terminations:
    """Everything the unit's connectors see: ``loads`` by name ("A", "B"), and the receiver's match.

    ``receiver`` is needed where a sweep holds S11 and S21 only (one-path correction); a full two-path correction removes it.
    ``receiver_back``: what analyser 1 shows while analyser 2 drives; only the uncertainty of two-path sweeps looks at it.
    """

    loads: Mapping[str, Termination]
    receiver: Termination | None = None
    receiver_back: Termination | None = None

    @classmethod
    def of_default_class(
        cls,
        points: int,
        load_return_loss_db: float = DEFAULT_LOAD_RETURN_LOSS_DB,
        receiver_match_db: float = DEFAULT_RECEIVER_MATCH_DB,
    ) -> Terminations:
        """Return bounded loads A and B and a bounded receiver: what is assumed of sweeps that come without a bench."""
        loads = {name: Termination.bounded(points, load_return_loss_db) for name in ("A", "B")}
        return cls(loads, Termination.bounded(points, receiver_match_db))


@dataclass(frozen=True)
class HookUpPorts:
    """Unit ports (0 line in, 1 line out, 2 sample) at analyser 1 and 2, and the load on each of the others."""

    driven: int
    received: int | None
    loads: Mapping[int, str]


UNIT_HOOKUPS: Mapping[str, HookUpPorts] = {
    "line": HookUpPorts(0, 1, {2: "A"}),
    "coupled": HookUpPorts(0, 2, {1: "A"}),
    "coupled-far": HookUpPorts(1, 2, {0: "A"}),
    "sample": HookUpPorts(2, None, {0: "A", 1: "B"}),
}
UNIT_SWEEPS = tuple(UNIT_HOOKUPS)


@dataclass(frozen=True)
class Reading:
    """One trace as one element of (I − SΓ)⁻¹S.

    ``out``, ``into``: row and column (0 line in, 1 line out, 2 sample). ``gamma``: shape (F, 3). ``bound``: shape (3,), the
    largest error of each column of ``gamma``. ``values``: every repeat, shape (n, F).
    """

    sweep: str
    trace: str
    out: int
    into: int
    gamma: Complex = field(repr=False)
    bound: NDArray[np.float64] = field(repr=False)
    values: Complex = field(repr=False)

    @property
    def value(self) -> Complex:
        """The mean of the repeats, shape (F,)."""
        return np.asarray(self.values.mean(axis=0), dtype=np.complex128)

    @property
    def spread(self) -> NDArray[np.float64] | None:
        """The standard deviation of one repeat, shape (F,): root of the mean square distance, n − 1; None for a single sweep."""
        if len(self.values) < 2:
            return None
        return np.asarray(np.std(self.values, axis=0, ddof=1), dtype=np.float64)

    @property
    def entry(self) -> tuple[int, int]:
        """The entry of the reciprocal three-port that the reading shows first: (larger, smaller) port number."""
        return (max(self.out, self.into), min(self.out, self.into))


def repeats_of(sweeps: Sweeps, name: str) -> tuple[Sweep, ...]:
    """Return the repeats of one sweep, a single one as a tuple of one; DataError where it is absent or an empty list."""
    found = sweeps.get(name, ())
    repeats = (found,) if isinstance(found, Sweep) else tuple(found)
    if not repeats:
        raise DataError(f"the sweep {name} is missing", hint=f"Measure the hook-up {name}; line and coupled are always needed.")
    return repeats


def is_two_path(sweep: Sweep) -> bool:
    """Tell whether a two-port sweep holds all four traces, that is, had a full two-path correction."""
    return {"s11", "s21", "s12", "s22"} <= set(sweep.traces)


def is_corrected_both_ways(sweeps: Sweeps, name: str) -> bool:
    """Tell whether the sweep ``name`` is there and all its repeats hold all four traces."""
    return name in sweeps and all(is_two_path(sweep) for sweep in repeats_of(sweeps, name))


def readings_of(sweeps: Sweeps, terminations: Terminations) -> tuple[Reading, ...]:
    """Return the readings of all unit sweeps (names outside UNIT_SWEEPS are passed over), in the order of UNIT_SWEEPS.

    S11 of a one-path ``line`` sweep is left out where the receiver was not measured: it shows the receiver, not the line. It
    stays available to the checks through :func:`line_match_reading`.
    Raises DataError for a missing trace, load or receiver, and for terminations that do not fit the grid.
    """
    found: list[Reading] = []
    for name in UNIT_SWEEPS:
        if name in sweeps:
            found += _of_sweep(name, repeats_of(sweeps, name), terminations)
    blind = terminations.receiver is None or not terminations.receiver.measured
    return tuple(reading for reading in found if not (blind and _shows_receiver(reading)))


def line_match_reading(sweeps: Sweeps, terminations: Terminations) -> Reading:
    """Return S11 of ``line``, whatever is known of the receiver."""
    return _of_sweep("line", repeats_of(sweeps, "line"), terminations)[0]


def _shows_receiver(reading: Reading) -> bool:
    """A one-path line reading of S11: the receiver's error stands at line out in full."""
    return reading.sweep == "line" and reading.trace == "s11" and reading.bound[1] > 0


def _of_sweep(name: str, repeats: tuple[Sweep, ...], terminations: Terminations) -> list[Reading]:
    ports = UNIT_HOOKUPS[name]
    full = all(is_two_path(sweep) for sweep in repeats)
    gamma, bound = _terminated(name, ports, full, terminations, repeats[0].frequency_hz.size)
    unit_port = {"1": ports.driven, "2": ports.received}
    traces = ("s11",) if ports.received is None else ("s11", "s21", "s12", "s22") if full else ("s11", "s21")
    found = []
    for trace in traces:
        out, into = unit_port[trace[1]], unit_port[trace[2]]
        if out is not None and into is not None:
            values = np.array([sweep.trace(trace) for sweep in repeats], dtype=np.complex128)
            found.append(Reading(name, trace, out, into, gamma, bound, values))
    return found


def _terminated(
    name: str, ports: HookUpPorts, full: bool, terminations: Terminations, points: int
) -> tuple[Complex, NDArray[np.float64]]:
    gamma = np.zeros((points, 3), dtype=np.complex128)
    bound = np.zeros(3)
    on_port: dict[int, tuple[str, Termination | None]] = {
        port: (f"load {load}", terminations.loads.get(load)) for port, load in ports.loads.items()
    }
    if ports.received is not None and not full:
        on_port[ports.received] = ("receiver", terminations.receiver)
    for port, (what, termination) in on_port.items():
        known = _checked(what, termination, name, points)
        gamma[:, port], bound[port] = known.gamma, known.bound
    return gamma, bound


def _checked(what: str, termination: Termination | None, name: str, points: int) -> Termination:
    if termination is None:
        raise DataError(
            f"nothing is known of the {what} that the sweep {name} was taken with",
            hint="Measure it in the calibration, or give its return loss in the bench file.",
        )
    if termination.gamma.shape != (points,):
        raise DataError(
            f"the {what} is known at {termination.gamma.size} frequencies, the sweep {name} has {points}",
            hint="Calibrate again on the grid of the sweeps.",
        )
    if not np.all(np.abs(termination.gamma) < 1):
        raise DataError(
            f"the {what} reflects everything or more (magnitude up to {np.max(np.abs(termination.gamma)):.3f}; below 1 allowed)",
            hint="Calibrate again, and look at the connection of this load.",
        )
    return termination
