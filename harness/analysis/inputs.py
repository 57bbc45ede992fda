"""The inputs of the uncertainty: which errors there are, how large, and what each does to every reading, in linear approximation.

The corrected readings are those of an analyser with small errors of its own (the usual flow graph of one direction): a
reflection Γ is read as D + (1 + R)·Γ/(1 − M·Γ), a through wave T as X + (1 + L)·T/(1 − M·Γin). A load or receiver that was
swept was read in the same way, by the same D, R and M: its error reaches the unit's readings with the sign changed. So was the
thru: with a reflection e of its own at both ends it passes 1/((1 − M·e)·(1 − e·Γ) − M·Γ) into a receiver of reflection Γ, and is
taken for 1 (GUM 5.2: one cause in two places counts once, with its sign). An *input* is one such error; what it does to all
readings hangs together. Inputs are independent, but for those of one :func:`cause`: both ports have the same standards and thru.
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
CALIBRATION = "calibration"
REAL_PARTS = ("phase", "loss")
"""How the key of an input ends that is a real number, the same at all frequencies, as the linearity is."""
CONNECTOR_LOSS = 0.1
"""What a connector made anew does to a wave's magnitude, over what it does to its phase: it is reactive. Chosen, no source."""


SAME_HARDWARE = (DIRECTIVITY, SOURCE_MATCH, REFLECTION, TRANSMISSION, RECEIVER)
"""Errors of the standards and of the thru; by port, or direction, they are one error with several effects."""


def cause(key: Key) -> Key:
    """Return what an input comes from: inputs of the same cause are one number, those of different causes are independent."""
    return key[:1] if key[0] in SAME_HARDWARE else key


def is_real(key: Key) -> bool:
    """Tell whether an input is one real number at all frequencies, and not a complex one that turns."""
    return key[0] == LINEARITY or key[-1] in REAL_PARTS


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
    value = ledger.scene.value[:, number]
    if role.reflection:
        for group, effect in _box(value):
            ledger.add((group, port), number, effect)
    else:
        receiver = ledger.scene.receivers[role.drive]
        ledger.add((TRANSMISSION, way), number, value)
        # The thru, too, was read with this source match, looking at the receiver; and its own reflection passed for tracking.
        ledger.add((SOURCE_MATCH, port), number, value * (_raw_inward(ledger, number, role) - receiver))
        ledger.add((RECEIVER, way), number, value * receiver)
        ledger.add((ISOLATION, way), number, 1.0)
        ledger.add((TEMPERATURE,), number, value)
    below_db = np.maximum(0.0, -20 * np.log10(np.maximum(np.abs(value), 1e-10)))
    ledger.add((LINEARITY,), number, value * below_db / 10)


def _raw_inward(ledger: Ledger, number: int, role: Role) -> Complex:
    """Return the reflection that the driving port sees before correction: a full one takes the receiver off, (F,)."""
    inward = ledger.scene.inward[:, number]
    if not role.full or role.reflection:
        return inward
    return np.asarray(inward + ledger.scene.value[:, number] ** 2 * ledger.scene.receivers[role.drive])


def _box(gamma: Complex) -> Iterable[tuple[str, Complex]]:
    """Yield what directivity, tracking and source match do to the reading of a reflection."""
    yield DIRECTIVITY, np.ones_like(gamma)
    yield REFLECTION, gamma
    yield SOURCE_MATCH, gamma**2


def _drift(ledger: Ledger, number: int, role: Role) -> None:
    """Add what the error terms' wandering since the calibration does: as the residuals, but not to what was swept in it."""
    port, way = _ways(role)
    value = ledger.scene.value[:, number]
    if role.reflection:
        for group, effect in _box(value):
            ledger.add((DRIFT, group, port), number, effect)
    else:
        ledger.add((DRIFT, TRANSMISSION, way), number, value)
        ledger.add((DRIFT, SOURCE_MATCH, port), number, value * _raw_inward(ledger, number, role))
    if role.receiving is not None:
        ledger.add_end((DRIFT, RECEIVER, way), number, role.receiving, 1.0)


def _hands(ledger: Ledger, number: int, role: Role) -> None:
    """Add what a connection made anew does: a reflection, and a factor on what passes; independent at every hook-up."""
    value, inward = ledger.scene.value[:, number], ledger.scene.inward[:, number]
    fewer = 1 / np.sqrt(role.repeats)
    driven = (CONNECTOR, role.sweep, str(role.driven))
    ledger.add((*driven, "reflection"), number, fewer * ((1 + value**2) if role.reflection else value * inward))
    _passed(ledger, driven, number, fewer * (2 if role.reflection else 1) * value)
    _laid(ledger, number, role)
    if role.receiving is not None:
        far = (CONNECTOR, role.sweep, str(role.receiving))
        ledger.add_end((*far, "reflection"), number, role.receiving, fewer)
        if not role.reflection:
            _passed(ledger, far, number, fewer * value)
    for port in role.loads:
        ledger.add_end((CONNECTOR, role.sweep, str(port), "reflection"), number, port, fewer)


def _passed(ledger: Ledger, connector: Key, number: int, passed: Complex) -> None:
    """Add what a connector does to a wave that passes: to its phase, and a little to its magnitude.

    One real number each, with the mean square of the complex one that the size is stated of: so the root of two.
    """
    ledger.add((*connector, "phase"), number, 1j * np.sqrt(2.0) * passed)
    ledger.add((*connector, "loss"), number, CONNECTOR_LOSS * np.sqrt(2.0) * passed)


def _laid(ledger: Ledger, number: int, role: Role) -> None:
    """Add what a cable laid anew does: the change since the calibration has the stated size, half of its square each laying's.

    In a wave that passes, both cables count, since the thru. In a reflection it is one cable, passed twice, since short and open:
    the mean of what it did to both looks like tracking, half the difference like source match.
    """
    value = ledger.scene.value[:, number]
    each = np.sqrt(0.5)
    cables = (role.drive,) if role.reflection else (1, 2)
    for cable in map(str, cables):
        passed = (2 if role.reflection else 1) * each * value
        ledger.add((CABLE, role.sweep, cable), number, passed / np.sqrt(role.repeats))
        if role.reflection:
            ledger.add((CABLE, CALIBRATION, cable, REFLECTION), number, value)
            ledger.add((CABLE, CALIBRATION, cable, SOURCE_MATCH), number, value**2)
        else:
            ledger.add((CABLE, CALIBRATION, cable, TRANSMISSION), number, passed)


def _receiver(ledger: Ledger, number: int, role: Role) -> None:
    if role.receiving is None:
        return
    port, way = _ways(role)
    if role.full:
        # The thru showed the receiver match through the driving port: what the standards left there is taken off here.
        _swept(ledger, number, role.receiving, ledger.scene.receivers[role.drive], (port, way))
        ledger.add_end((RECEIVER, way), number, role.receiving, 1.0)
    elif "receiver" in ledger.scene.swept:
        _swept(ledger, number, role.receiving, ledger.scene.swept["receiver"], ("1", "receiver"))
        ledger.add_end((RECEIVER, way), number, role.receiving, 1.0)
    else:
        ledger.add_end((RECEIVER_BOUND,), number, role.receiving, 1.0)


def _termination(ledger: Ledger, number: int, port: int, name: str) -> None:
    if name in ledger.scene.swept:
        _swept(ledger, number, port, ledger.scene.swept[name], ("1", name))
    else:
        ledger.add_end((f"load {name}",), number, port, 1.0)


def _swept(ledger: Ledger, number: int, port: int, gamma: Complex, swept: tuple[str, str]) -> None:
    """Add what the sweep of a load, or of a receiver through the thru, has taken for its reflection, (F,).

    ``swept``: the analyser port that swept it, and its name.
    """
    for group, effect in _box(gamma):
        ledger.add_end((group, swept[0]), number, port, -effect)
    ledger.add_end((CONNECTOR, CALIBRATION, swept[1], "reflection"), number, port, 1.0)
