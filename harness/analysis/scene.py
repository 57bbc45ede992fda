"""What an error needs to know to find its way: for every reading, who drives, who receives, what is on the other connectors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.model import Model
from harness.analysis.readings import UNIT_HOOKUPS, Complex, Reading, Termination, Terminations


@dataclass(frozen=True)
class Role:
    """One reading: analyser port that drives (1 or 2), unit ports it drives and that the other analyser port is on (None: a
    one-port sweep), loads by unit port, whether it is a reflection, and whether both directions were corrected together."""

    sweep: str
    drive: int
    driven: int
    receiving: int | None
    loads: Mapping[int, str]
    reflection: bool
    full: bool
    repeats: int


@dataclass(frozen=True)
class Scene:
    """All readings of a unit at some frequencies.

    ``value``: what the model says is read, (F, m). ``inward``: the reflection that the driving port sees, (F, m). ``slopes``:
    derivatives of the readings by the reflections on the unit's ports, (F, m, 3). ``swept``: name of a swept termination
    ("A", "receiver") → its reflection, (F,). ``receivers``: analyser port that drives (1 or 2) → the other's reflection before
    any correction, (F,); its bound, at any phase, where no more is known.
    """

    roles: tuple[Role, ...]
    value: Complex = field(repr=False)
    inward: Complex = field(repr=False)
    slopes: Complex = field(repr=False)
    swept: Mapping[str, Complex] = field(repr=False)
    receivers: Mapping[int, Complex] = field(repr=False)

    @classmethod
    def of(cls, readings: Sequence[Reading], terminations: Terminations, x: Complex) -> Scene:
        """Return the scene of readings around the unknowns x, shape (F, 6)."""
        model = Model.of(readings)
        swept = {name: load.gamma for name, load in terminations.loads.items() if load.measured}
        if terminations.receiver is not None and terminations.receiver.measured:
            swept["receiver"] = terminations.receiver.gamma
        ends = {1: terminations.receiver, 2: terminations.receiver_back or terminations.receiver}
        receivers = {drive: _seen(end, len(x)) for drive, end in ends.items()}
        return cls(roles_of(readings), model.predict(x)[0], model.inward(x), model.termination_slopes(x), swept, receivers)

    def at(self, index: NDArray[np.intp]) -> Scene:
        """Return the scene at some of its frequencies."""
        swept = {name: gamma[index] for name, gamma in self.swept.items()}
        receivers = {drive: gamma[index] for drive, gamma in self.receivers.items()}
        return Scene(self.roles, self.value[index], self.inward[index], self.slopes[index], swept, receivers)


def _seen(receiver: Termination | None, points: int) -> Complex:
    """Return the reflection of a receiver, its bound where it was not measured, none where nothing is known; (F,)."""
    if receiver is None:
        return np.zeros(points, dtype=np.complex128)
    return receiver.gamma if receiver.measured else np.full(points, receiver.bound, dtype=np.complex128)


def roles_of(readings: Sequence[Reading]) -> tuple[Role, ...]:
    """Return the role of each reading."""
    both_ways = {reading.sweep for reading in readings if reading.trace in ("s12", "s22")}
    found = []
    for reading in readings:
        ports = UNIT_HOOKUPS[reading.sweep]
        forward = reading.into == ports.driven
        other = ports.received if forward else ports.driven
        found.append(
            Role(
                sweep=reading.sweep,
                drive=1 if forward else 2,
                driven=reading.into,
                receiving=other,
                loads=ports.loads,
                reflection=reading.out == reading.into,
                full=reading.sweep in both_ways,
                repeats=len(reading.values),
            )
        )
    return tuple(found)
