"""The estimate as a linear function of its errors, and every input as rows of what it does to the three-port.

Around the estimate x = G·y, with y the readings and the pseudo-readings of the priors: an input ε with the effects c on the
readings moves the unknowns by G·c·ε and leaves (I − J·G)·c·ε of the readings unexplained. All of it is complex and analytic, so
one complex number per input and frequency says everything.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from harness.analysis.adapters import AdapterModel, removal_slopes
from harness.analysis.estimator import S22_WIDTH, Estimate
from harness.analysis.inputs import CALIBRATION, CONNECTOR, HOOKUP_GROUPS, RECEIVER_BOUND, SAME_HARDWARE, Key, is_real, ledger_of
from harness.analysis.levels import loss_db
from harness.analysis.model import ENTRIES
from harness.analysis.readings import Complex, Terminations
from harness.analysis.scene import Scene
from harness.analysis.sizes import Size, bound, size_of
from harness.quantities import show_db
from harness.records import Residuals
from harness.records.hookup import UNIT_PORTS

_UNSEEN = {(1, 1): "S22, not measured", (2, 2): "S33, not measured", (2, 1): "S32, not measured"}


@dataclass(frozen=True)
class Gain:
    """``x``: (F, 6, m + p), the unknowns by readings and priors. ``left``: (F, m, m + p), the readings' rest by the same."""

    x: Complex = field(repr=False)
    left: Complex = field(repr=False)


@dataclass(frozen=True)
class Effect:
    """One input: its budget line, size, what it does to the six unknowns of the bare unit, (F, 6), and what it leaves, (F, m).

    Both for an error of 1.
    """

    group: str
    size: Size
    x: Complex = field(repr=False)
    left: Complex = field(repr=False)


def gain_of(found: Estimate) -> Gain:
    """Return the derivative of the estimate by its readings and priors: the pseudo-inverse of the weighted system."""
    points, count = found.sigma.shape
    rows = np.broadcast_to(found.priors.rows, (points, *found.priors.rows.shape))
    system = np.concatenate([found.jacobian, rows], axis=1)
    weights = 1 / np.concatenate([found.sigma, found.priors.width], axis=1)
    gain = np.linalg.pinv(system * weights[..., np.newaxis]) * weights[:, np.newaxis, :]
    left = np.eye(count, system.shape[1]) - found.jacobian @ gain
    return Gain(np.asarray(gain, dtype=np.complex128), np.asarray(left, dtype=np.complex128))


@dataclass(frozen=True)
class Chain:
    """Everything between the inputs and the bare unit. ``bare``: S without adapters, (F, 3, 3). ``scale``: on hook-up errors."""

    scene: Scene
    found: Estimate
    bare: Complex = field(repr=False)
    terminations: Terminations
    adapters: Mapping[str, AdapterModel]
    residuals: Residuals
    scale: float = 1.0

    def effects(self) -> Iterator[Effect]:
        """Yield every input that has a size."""
        gain = gain_of(self.found)
        slopes = removal_slopes(self.bare, self.adapters, self.found.frequency_hz)
        for key, size, direct in self.on_readings():
            on_x = np.einsum("fkm,fm->fk", gain.x, direct)
            yield Effect(key[0], size, np.einsum("fij,fj->fi", slopes, on_x), np.einsum("fnm,fm->fn", gain.left, direct))
        yield from self._left_of_adapters()

    def on_readings(self) -> Iterator[tuple[Key, Size, Complex]]:
        """Yield each input that acts on readings or priors: key, size, effect (F, m + p)."""
        points, count = self.found.sigma.shape
        spare = np.zeros((points, len(self.found.priors.entries)), dtype=np.complex128)
        for key, effect in ledger_of(self.scene).effects.items():
            size = self.size_of(key)
            if size.linear > 0:
                yield key, size, np.concatenate([effect, spare], axis=1)
        for number, entry in enumerate(self.found.priors.entries):
            width = self.found.priors.width[:, number]
            one = np.zeros((points, count + spare.shape[1]), dtype=np.complex128)
            one[:, count + number] = 1.0 if entry == (2, 2) else width * np.sqrt(2.0)
            yield (_UNSEEN[entry],), _unseen(entry), one
        yield from self._into_unknown_receiver(spare)

    def size_of(self, key: Key) -> Size:
        """Return the size of an input of the readings; hook-up errors scaled by what repeats have shown."""
        size = size_of(key[0], self.residuals, self.terminations)
        if is_real(key):
            size = replace(size, kind="real")
        # Repeats that agree well speak of the unit's connectors: not of cables, nor of what was connected for the calibration.
        seen = key[0] == CONNECTOR and key[1] != CALIBRATION
        scale = self.scale if seen else max(1.0, self.scale)
        if key[0] not in HOOKUP_GROUPS or scale == 1.0:
            return size
        return replace(size, linear=size.linear * scale, says=f"{size.says}, times {scale:.2f} after the repeats")

    def _into_unknown_receiver(self, spare: Complex) -> Iterator[tuple[Key, Size, Complex]]:
        """Yield the product of an unknown S33 and an unknown receiver: of second order, and larger than all of first order."""
        known = self.terminations.receiver
        if (2, 2) in self.found.seen or known is None or known.measured:
            return
        coupled = [role.receiving == 2 and not role.reflection and not role.full for role in self.scene.roles]
        effect = np.where(coupled, self.scene.value, 0)
        says = f"up to a total reflection, into {show_db(float(loss_db(known.bound)), 1)} of return loss"
        yield (f"S33 and {RECEIVER_BOUND}",), bound(known.bound, says), np.concatenate([effect, spare], axis=1)

    def _left_of_adapters(self) -> Iterator[Effect]:
        """Yield what is left of each adapter: a small reflection of its own toward the cable and toward the unit."""
        rows, columns = np.array(ENTRIES).T
        nothing = np.zeros_like(self.scene.value)
        for name, db in self.residuals.adapters.items():
            port = UNIT_PORTS.index(name)
            outside = ((rows == port) & (columns == port)).astype(float)
            effect = outside + self.bare[:, rows, port] * self.bare[:, port, columns]
            size = bound(10 ** (db / 20), f"anywhere within a return loss of {show_db(-db, 1)}")
            yield Effect(f"adapter at {name}", size, effect, nothing)


def _unseen(entry: tuple[int, int]) -> Size:
    if entry == (2, 2):
        return Size(1.0, "ring", "up to a total reflection, taken as one")
    says = f"within {show_db(float(loss_db(S22_WIDTH)), 0)} of S11" if entry == (1, 1) else "an even part up to half of S31"
    return Size(1.0, "disc", says)


def independent(effects: Iterable[Effect]) -> list[Effect]:
    """Return the effects with those of one cause, the standards or the thru on both ports, added up: all are independent then."""
    found: list[Effect] = []
    place: dict[str, int] = {}
    for effect in effects:
        at = place.setdefault(effect.group, len(found)) if effect.group in SAME_HARDWARE else len(found)
        if at == len(found):
            found.append(effect)
        else:
            found[at] = replace(found[at], x=found[at].x + effect.x, left=found[at].left + effect.left)
    return found


def groups_of(effects: Sequence[Effect]) -> dict[str, Size]:
    """Return the budget's lines in the order in which they first come, each with its size."""
    found: dict[str, Size] = {}
    for effect in effects:
        found.setdefault(effect.group, effect.size)
    return found
