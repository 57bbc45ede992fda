"""The inputs of the uncertainty: which errors there are, how large, and what each does to every reading, in linear approximation.

The corrected readings are those of an analyser with small errors of its own (the usual flow graph of one direction): a
reflection Γ is read as D + (1 + R)·Γ/(1 − M·Γ), a through wave T as X + (1 + L)·T/(1 − M·Γin). A load or receiver that was
swept was read in the same way, by the same D, R and M: its error reaches the unit's readings with the sign changed. An *input*
is one such error that is independent of all others; what it does to all readings hangs together.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from harness.analysis.readings import Complex
from harness.analysis.scene import Role, Scene

DIRECTIVITY = "residual directivity"
SOURCE_MATCH = "residual source match"
REFLECTION = "reflection tracking"
TRANSMISSION = "transmission tracking"
RECEIVER = "receiver match"
RECEIVER_BOUND = "receiver match, not measured"
ISOLATION = "isolation"
LINEARITY = "linearity"
CONNECTOR = "connector repeatability"
CABLE = "cable flex"
DRIFT = "drift since calibration"
TEMPERATURE = "temperature"
NOISE = "trace noise"
HOOKUP_GROUPS = (CONNECTOR, CABLE)
"""What is drawn anew with every hook-up."""

Key = tuple[str, ...]
"""Group (the line of the budget) and what tells inputs of one group apart."""


@dataclass
class Ledger:
    """What each input does to each reading, for an error of 1: ``effects``, key → (F, m).

    With ``keep_ends`` what goes by way of a termination is kept apart, as the change of the reflections on the unit's ports in
    each reading: ``ends``, key → (F, m, 3); else it is in ``effects`` as well.
    """

    scene: Scene
    keep_ends: bool = False
    effects: dict[Key, Complex] = field(default_factory=dict)
    ends: dict[Key, Complex] = field(default_factory=dict)

    def add(self, key: Key, reading: int, effect: Complex | float) -> None:
        """Add a direct effect of an input on a reading."""
        if key not in self.effects:
            self.effects[key] = np.zeros_like(self.scene.value)
        self.effects[key][:, reading] += effect

    def add_end(self, key: Key, reading: int, port: int, change: Complex | float) -> None:
        """Add what an input does to the reflection on a port of the unit while a reading is taken."""
        if not self.keep_ends:
            self.add(key, reading, self.scene.slopes[:, reading, port] * change)
            return
        if key not in self.ends:
            self.ends[key] = np.zeros_like(self.scene.slopes)
        self.ends[key][:, reading, port] += change


def ledger_of(scene: Scene, *, keep_ends: bool = False) -> Ledger:
    """Return what every input does to every reading."""
    ledger = Ledger(scene, keep_ends)
    for number, role in enumerate(scene.roles):
        _analyser(ledger, number, role)
        _drift(ledger, number, role)
        _hands(ledger, number, role)
        _receiver(ledger, number, role)
        for port, name in role.loads.items():
            _termination(ledger, number, port, name)
    return ledger


def _ways(role: Role) -> tuple[str, str]:
    """Return the driving analyser port, and the direction."""
    return str(role.drive), "forward" if role.drive == 1 else "reverse"


def _analyser(ledger: Ledger, number: int, role: Role) -> None:
    port, way = _ways(role)
    value, inward = ledger.scene.value[:, number], ledger.scene.inward[:, number]
    if role.reflection:
        _reflected(ledger, number, value, port)
    else:
        ledger.add((TRANSMISSION, way), number, value)
        ledger.add((SOURCE_MATCH, port), number, value * inward)
        ledger.add((ISOLATION, way), number, 1.0)
        ledger.add((TEMPERATURE,), number, value)
    below_db = np.maximum(0.0, -20 * np.log10(np.maximum(np.abs(value), 1e-10)))
    ledger.add((LINEARITY,), number, value * below_db / 10)


def _reflected(ledger: Ledger, number: int, gamma: Complex, port: str) -> None:
    for group, effect in _box(gamma):
        ledger.add((group, port), number, effect)


def _box(gamma: Complex) -> Iterable[tuple[str, Complex]]:
    """Yield what directivity, tracking and source match do to the reading of a reflection."""
    yield DIRECTIVITY, np.ones_like(gamma)
    yield REFLECTION, gamma
    yield SOURCE_MATCH, gamma**2


def _drift(ledger: Ledger, number: int, role: Role) -> None:
    """Add what the error terms' wandering since the calibration does: as the residuals, but not to what was swept in it."""
    port, way = _ways(role)
    value, inward = ledger.scene.value[:, number], ledger.scene.inward[:, number]
    if role.reflection:
        for group, effect in _box(value):
            ledger.add((DRIFT, group, port), number, effect)
    else:
        ledger.add((DRIFT, TRANSMISSION, way), number, value)
        ledger.add((DRIFT, SOURCE_MATCH, port), number, value * inward)
    if role.receiving is not None:
        ledger.add_end((DRIFT, RECEIVER, way), number, role.receiving, 1.0)


def _hands(ledger: Ledger, number: int, role: Role) -> None:
    """Add what a connection made anew, or a cable laid anew, does: a reflection and a factor, independent at every hook-up."""
    value, inward = ledger.scene.value[:, number], ledger.scene.inward[:, number]
    fewer = 1 / np.sqrt(role.repeats)
    other = str(3 - role.drive)
    driven = (CONNECTOR, role.sweep, str(role.driven))
    ledger.add((*driven, "reflection"), number, fewer * ((1 + value**2) if role.reflection else value * inward))
    ledger.add((*driven, "through"), number, fewer * (2 if role.reflection else 1) * value)
    ledger.add((CABLE, role.sweep, str(role.drive)), number, fewer * (2 if role.reflection else 1) * value)
    if role.receiving is not None:
        far = (CONNECTOR, role.sweep, str(role.receiving))
        ledger.add_end((*far, "reflection"), number, role.receiving, fewer)
        if not role.reflection:
            ledger.add((*far, "through"), number, fewer * value)
            ledger.add((CABLE, role.sweep, other), number, fewer * value)
    for port in role.loads:
        ledger.add_end((CONNECTOR, role.sweep, str(port), "reflection"), number, port, fewer)


def _receiver(ledger: Ledger, number: int, role: Role) -> None:
    if role.receiving is None:
        return
    port, way = _ways(role)
    if role.full:
        # The thru showed the receiver match through the driving port: what directivity left there, it has taken off here.
        ledger.add_end((DIRECTIVITY, port), number, role.receiving, -1.0)
        ledger.add_end((RECEIVER, way), number, role.receiving, 1.0)
        ledger.add_end((CONNECTOR, "calibration", way, "reflection"), number, role.receiving, 1.0)
    elif "receiver" in ledger.scene.swept:
        _swept(ledger, number, role.receiving, "receiver")
        ledger.add_end((RECEIVER, way), number, role.receiving, 1.0)
    else:
        ledger.add_end((RECEIVER_BOUND,), number, role.receiving, 1.0)


def _termination(ledger: Ledger, number: int, port: int, name: str) -> None:
    if name in ledger.scene.swept:
        _swept(ledger, number, port, name)
    else:
        ledger.add_end((f"load {name}",), number, port, 1.0)


def _swept(ledger: Ledger, number: int, port: int, name: str) -> None:
    """Add what the sweep of a load, or of the receiver through the thru, has taken for its reflection: always on analyser 1."""
    for group, effect in _box(ledger.scene.swept[name]):
        ledger.add_end((group, "1"), number, port, -effect)
    ledger.add_end((CONNECTOR, "calibration", name, "reflection"), number, port, 1.0)
