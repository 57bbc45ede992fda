"""Pairs of proofs on benches with true errors, drawn here: the same bench, standards and unit, months and a calibration apart.

The standards' own errors stay: they are drawn once, of the sizes of the kit class, as in ``population``. Every calibration has
fresh contacts on its standards and is solved exactly for them (a bilinear map through three points); every hook-up has fresh
contacts and cables; every proof drifts away from its calibration. Contacts have heavy tails (Student, five degrees of freedom)
with the mean square that belongs to the stated size, or normal ones. Nothing of the program's error model is used.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.analysis.drift import Taken
from harness.records import KITS, Sweep
from tests.uncertain_benches import POINT95, Bench, Complex, Setting, in_disc, level, share, turning, unit_of

CONTACT_DEGREES = 5
HEAVY = float(np.sqrt((CONTACT_DEGREES - 2) / CONTACT_DEGREES))
"""What a size is multiplied with so that a heavy-tailed error (Student) has the mean square of a normal one."""
REFERENCE = Setting(residuals=KITS["good"], noise_db=-90.0)
"""The reference bench: kit class good, one-path, a 30 dB unit of external termination."""
HZ = np.linspace(1e6, 60e6, 119)
BAND_HZ = (1.8e6, 54e6)
Change = Callable[[Complex, NDArray[np.float64]], Complex]


@dataclass(frozen=True)
class Standards:
    """What stays: the true standards, thru, receivers, loads, leakage and linearity of one bench."""

    open_: Complex
    short: Complex
    load: Complex
    thru: Complex
    receiver: Complex
    leakage: Complex
    linearity: float
    receivers: dict[str, Complex]
    loads: dict[str, Complex]


def draw_standards(rng: np.random.Generator, setting: Setting, hz: NDArray[np.float64]) -> Standards:
    """Return one bench's true standards: reflections 1 + o, −1 + s, l that leave what the kit class states (see population)."""
    sizes = setting.residuals
    a, c = turning(rng, level(sizes.directivity), hz), turning(rng, level(sizes.source_match), hz)
    b = turning(rng, share(sizes.reflection_tracking), hz)
    return Standards(
        open_=1 - (a + b + c),
        short=-1 - (a - b + c),
        load=-a,
        thru=1 + turning(rng, share(sizes.transmission_tracking), hz),
        receiver=turning(rng, level(sizes.receiver_match), hz),
        leakage=turning(rng, level(sizes.isolation), hz),
        linearity=share(sizes.linearity) / POINT95 * float(rng.normal()),
        receivers={port: in_disc(rng, 0.1, hz) for port in "12"},
        loads={name: in_disc(rng, level(-30), hz) for name in "AB"},
    )


class Sitting(Bench):
    """One calibration and one proof on a bench of standards that stay."""

    def __init__(
        self, rng: np.random.Generator, setting: Setting, standards: Standards, unit: Complex, hz: NDArray[np.float64],
        *, heavy_tails: bool = True,
    ) -> None:  # fmt: skip
        self.heavy_tails = heavy_tails
        self.thru_match = standards.receiver
        self.rng, self.setting, self.hz, self.unit = rng, setting, hz, unit
        self.laid = {f"{when}{port}": self.laying() for when in ("thru", "open", "short") for port in "12"}
        through = self.contact()[1] * self.contact()[1]
        self.error = {}
        for port in "12":
            self.error |= self._calibrated(standards, port, through)
        self.linearity = standards.linearity
        self.receivers, self.loads = standards.receivers, standards.loads
        self.seen_receivers = {
            port: self.box(self.error, "1" if port == "2" else "2", self.touched(gamma)) + standards.receiver
            for port, gamma in standards.receivers.items()
        }
        self.seen_loads = {name: self.box(self.error, "1", self.touched(gamma)) for name, gamma in standards.loads.items()}
        self.drift_away()
        self.adapted = self.with_adapters()

    def drift_away(self) -> None:
        """Let the error terms and receivers wander since the calibration, as far as the bench states."""
        drift = level(self.setting.residuals.drift)
        self.now = {key: value + (0 if key[0] == "X" else self.turning(drift)) for key, value in self.error.items()}
        self.receivers_now = {port: gamma + self.turning(drift) for port, gamma in self.receivers.items()}

    def contact(self) -> tuple[Complex, Complex]:
        """Return reflection and through of a connection: reactive, so it turns a wave, as far as it reflects (r.m.s.)."""
        size, heavy = level(self.setting.residuals.connector), np.ones(2)
        if self.heavy_tails:
            heavy = HEAVY * np.sqrt(CONTACT_DEGREES / self.rng.chisquare(CONTACT_DEGREES, size=2))
        turned = np.sqrt(2) * size * heavy[1] / POINT95 * self.rng.normal()
        return self.turning(size * heavy[0]), np.full(self.hz.size, np.exp(1j * turned))

    def _calibrated(self, standards: Standards, port: str, through: Complex) -> dict[str, Complex]:
        """Return the errors that a calibration with fresh contacts leaves, as directivity, source match and tracking."""
        seen = [self.touched(gamma) for gamma in (standards.open_, standards.short, standards.load)]
        taken_for = (1.0, -1.0, 0.0)
        # (A·Γ + B)/(1 − M·Γ) = wanted at each standard: linear in A, B and M
        rows = np.stack([np.stack([g, np.ones_like(g), w * g], axis=-1) for g, w in zip(seen, taken_for, strict=True)], axis=1)
        wanted = np.broadcast_to(np.array(taken_for, dtype=np.complex128)[:, np.newaxis], (self.hz.size, 3, 1))
        gain, directivity, match = np.linalg.solve(rows, wanted)[..., 0].T
        thru = standards.thru * through
        return {
            f"D{port}": directivity,
            f"M{port}": match,
            f"R{port}": gain + directivity * match - 1,
            f"T{port}": 1 / thru - 1,
            f"X{port}": standards.leakage,
        }

    def again(self, unit: Complex) -> Sitting:
        """Return another unit proved with this calibration, a little later."""
        other = copy(self)
        other.unit = unit
        other.drift_away()
        other.adapted = other.with_adapters()
        return other


@dataclass(frozen=True)
class PairOfProofs:
    """What two proofs of a unit rest on, and two of a check standard with the same two calibrations where one was measured."""

    reference: Taken
    now: Taken
    check: tuple[Taken, Taken] | None = None


def taken(sitting: Sitting) -> Taken:
    """Return one sitting as the comparison takes it."""
    sweeps: dict[str, Sweep] = {name: sitting.sweep(name) for name in sitting.setting.sweeps}
    return Taken(sweeps, sitting.terminations(), sitting.setting.residuals)


def draw_pair(
    seed: int, number: int, setting: Setting = REFERENCE, change: Change | None = None, *,
    heavy_tails: bool = True, check: bool = False, hz: NDArray[np.float64] = HZ,
) -> PairOfProofs:  # fmt: skip
    """Return one pair; ``change`` makes the later unit of the earlier. The same seed and number give the same pair."""
    rng = np.random.default_rng([seed, number])
    standards = draw_standards(rng, setting, hz)
    unit = unit_of(rng, setting, hz)
    later = unit if change is None else change(unit, hz)
    first, second = (Sitting(rng, setting, standards, each, hz, heavy_tails=heavy_tails) for each in (unit, later))
    kept = unit_of(rng, setting, hz)
    checks = (taken(first.again(kept)), taken(second.again(kept))) if check else None
    return PairOfProofs(taken(first), taken(second), checks)


def coupling_times(unit: Complex, weaker_db: NDArray[np.float64]) -> Complex:
    """Return a unit whose coupling is so many dB weaker, (F,)."""
    changed = unit.copy()
    factor = 10 ** (-weaker_db / 20)
    for row, column in ((2, 0), (0, 2), (2, 1), (1, 2)):
        changed[:, row, column] *= factor
    return changed


def with_level(unit: Complex, hz: NDArray[np.float64]) -> Complex:
    """0.15 dB weaker everywhere."""
    return coupling_times(unit, np.full(hz.size, 0.15))


def with_tilt(unit: Complex, hz: NDArray[np.float64]) -> Complex:
    """0.1 dB from the band's lower to its upper end."""
    low, high = BAND_HZ
    return coupling_times(unit, 0.1 * ((hz - low) / (high - low) - 0.5))


def with_notch(unit: Complex, hz: NDArray[np.float64]) -> Complex:
    """0.15 dB deep at 21 MHz, 3 MHz wide at half its depth."""
    return coupling_times(unit, 0.15 * np.exp(-np.log(2) * (2 * (hz - 21e6) / 3e6) ** 2))
