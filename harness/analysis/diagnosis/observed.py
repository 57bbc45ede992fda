"""What was read, decimated for the fit, and how far it may be off: the joint covariance of all readings.

The errors of a bench hang together over frequency and from sweep to sweep. A directivity error, say, is one vector that turns
with frequency and stands in every reflection: forty points hold hardly more of it than two. So the readings are whitened with
their whole covariance and not point by point; only trace noise is independent.

On top of the bench's errors stands what the circuit model cannot follow in a real unit (distributed winding, connectors, screen).
It grows with frequency and is alike at neighbouring frequencies. Its sizes were found on healthy networks that the model did not
make (see ``MISFIT``).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.analysis.adapters import AdapterModel, DelayAndLoss
from harness.analysis.estimator import solve
from harness.analysis.model import Model, vector_of
from harness.analysis.noise import noise_of
from harness.analysis.readings import UNIT_HOOKUPS, Complex, Reading
from harness.errors import DataError
from harness.records import Residuals
from harness.records.hookup import UNIT_PORTS

Floats = NDArray[np.float64]

POINTS = 32
"""Frequencies kept for a fit, about evenly spread over the logarithm of frequency."""
LONGEST_DELAY = 10e-9
"""An error vector turns as a reflection at up to this time there and back: 1 m of cable. Chosen, no source."""
LEAST_NOISE = 10 ** (-85 / 20)
"""Noise taken where the data show less: rounding and all that is smooth over one step of frequency only by assumption."""


@dataclass(frozen=True)
class ReadingErrors:
    """Sizes of what the correction leaves, linear, 95 % of a turning vector (see harness.records.Residuals for the same in dB).

    ``directivity``, ``source_match``, ``receiver_match``, ``connector``: reflections. ``reflection_tracking``,
    ``transmission_tracking``: parts of the reading. ``isolation``: of a through connection. ``noise``: standard deviation of
    one complex point by reading ("coupled s21"); readings that are not named have theirs estimated from the data.
    """

    directivity: float = 10 ** (-45 / 20)
    source_match: float = 10 ** (-45 / 20)
    receiver_match: float = 10 ** (-45 / 20)
    reflection_tracking: float = 0.005
    transmission_tracking: float = 0.005
    connector: float = 10 ** (-60 / 20)
    isolation: float = 10 ** (-95 / 20)
    noise: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, residuals: Residuals) -> ReadingErrors:
        """Return the sizes that a bench states. Coupling is taken to be LINEAR_OVER below a through connection."""
        own = [10 ** (residuals.connector / 20), 10 ** (residuals.drift / 20), 10 ** (residuals.cable / 20) - 1]
        through = math.hypot(residuals.transmission_tracking, residuals.linearity * LINEAR_OVER / 10)
        return cls(
            directivity=10 ** (residuals.directivity / 20),
            source_match=10 ** (residuals.source_match / 20),
            receiver_match=10 ** (residuals.receiver_match / 20),
            reflection_tracking=10 ** (residuals.reflection_tracking / 20) - 1,
            transmission_tracking=10 ** (through / 20) - 1,
            connector=math.hypot(*own),
            isolation=10 ** (residuals.isolation / 20),
        )


LINEAR_OVER = 30.0
"""dB over which a receiver's linearity counts for the coupling."""
RAYLEIGH = math.sqrt(-math.log(0.05))
"""A circular complex normal number exceeds this times its root mean square with a probability of 5 %."""


@dataclass(frozen=True)
class Misfit:
    """What the model cannot follow: ``share``·(f/100 MHz)^power + ``floor``, a part of the reading (of 1 for reflections)."""

    share: float
    power: float
    floor: float


MISFIT: Mapping[str, Misfit] = {
    "line reflection": Misfit(0.002, 1.3, 0.0004),
    "line": Misfit(0.0008, 1.0, 0.0004),
    "coupling": Misfit(0.02, 1.4, 0.0012),
    "sample reflection": Misfit(0.017, 1.0, 0.002),
}
"""By kind of reading."""
VAGUE_MISFIT: Mapping[str, Misfit] = {
    **MISFIT,
    "coupling": Misfit(0.02, 1.4, 0.0025),
    "sample reflection": Misfit(0.017, 1.0, 0.005),
}
"""The same where the dispersion of the core's material is not known well."""
MISFIT_LENGTH = 1.0
"""In units of ln f: how far the misfit stays alike."""


@dataclass(frozen=True)
class Observed:
    """The readings at the fit's frequencies. ``values``: (F, m). ``size``: standard deviation of each, marginal, (F, m).

    ``whiten``: (n, n) with n = F·m; times (values − model).T.ravel() it gives independent numbers of unit mean square.
    ``loose``: the same where all but the noise is LOOSE times larger; ``loosening``: ln of the ratio of the two determinants of
    ``whiten``. ``adapters``: what sits on the unit's connectors, (F, 3, 2, 2), None for nothing.
    """

    frequency_hz: Floats = field(repr=False)
    names: tuple[str, ...]
    values: Complex = field(repr=False)
    model: Model = field(repr=False)
    size: Floats = field(repr=False)
    whiten: Complex = field(repr=False)
    loose: Complex = field(repr=False)
    loosening: float
    adapters: Complex | None = field(repr=False, default=None)

    @property
    def sweeps(self) -> tuple[str, ...]:
        """The sweeps that the readings come from."""
        return tuple(dict.fromkeys(name.split()[0] for name in self.names))

    def predict(self, s: Complex) -> Complex:
        """Return what would be read of a bare unit's three-port, shape (F, m). ``s``: (F, 3, 3)."""
        s = s if self.adapters is None else _dressed(s, self.adapters)
        gammas = self.model.gammas
        left = np.eye(3) - s * gammas[..., np.newaxis, :]
        seen = np.linalg.solve(left, np.broadcast_to(s, left.shape))
        return np.asarray(seen[self.model.hookup, :, self.model.out, self.model.into].T, dtype=np.complex128)

    def sensitivity(self, s: Complex) -> tuple[Complex, Complex]:
        """Return rows u and columns v, each (m, F, 3): a small change dS of a bare unit's three-port changes a reading by u·dS·v.

        From R = (I − SΓ)⁻¹S: dR = (I − SΓ)⁻¹·dS·(I + ΓR); from the cascade with adapters, in ``_dressed``, the same way.
        """
        dressed = s if self.adapters is None else _dressed(s, self.adapters)
        gammas = self.model.gammas
        left = np.linalg.inv(np.eye(3) - dressed * gammas[..., np.newaxis, :])
        seen = left @ dressed
        rows = np.asarray(left[self.model.hookup, :, self.model.out, :], dtype=np.complex128)
        columns = (
            np.eye(3)[self.model.into][:, np.newaxis, :]
            + gammas[self.model.hookup] * (seen[self.model.hookup, :, :, self.model.into])
        )
        columns = np.asarray(columns, dtype=np.complex128)
        if self.adapters is None:
            return rows, columns
        inner = self.adapters[:, :, 1, 1]
        outward = self.adapters[:, :, 0, 1, np.newaxis] * np.linalg.inv(np.eye(3) - s * inner[:, np.newaxis, :])
        inward = np.linalg.inv(np.eye(3) - inner[:, :, np.newaxis] * s) * self.adapters[:, np.newaxis, :, 1, 0]
        return np.einsum("mfi,fij->mfj", rows, outward), np.einsum("fij,mfj->mfi", inward, columns)

    def distance(self, predicted: Complex) -> Floats:
        """Return values less prediction, whitened, real parts then imaginary ones: 2n numbers of unit variance."""
        return self._white(self.whiten, predicted)

    def looser(self, predicted: Complex) -> float:
        """Return by how much ln of the likelihood grows where all errors but noise are LOOSE times larger."""
        tight, loose = self._white(self.whiten, predicted), self._white(self.loose, predicted)
        return float(tight @ tight - loose @ loose) / 2 - self.loosening

    def _white(self, whiten: Complex, predicted: Complex) -> Floats:
        white = whiten @ (self.values - predicted).T.ravel() * math.sqrt(2)
        return np.concatenate([white.real, white.imag])


LOOSE = 4.0


def _dressed(s: Complex, adapters: Complex) -> Complex:
    """Return the unit with its adapters: A11 + A12·S·(I − A22·S)⁻¹·A21, diagonal matrices A.."""
    inner = np.linalg.solve(np.eye(3) - adapters[:, :, 1, 1, np.newaxis] * s, np.eye(3) * adapters[:, np.newaxis, :, 1, 0])
    return np.asarray(np.eye(3) * adapters[:, np.newaxis, :, 0, 0] + adapters[:, :, 0, 1, np.newaxis] * (s @ inner))


def kept(frequency_hz: Floats, points: int = POINTS) -> NDArray[np.intp]:
    """Return the indices of the frequencies kept: the nearest to a logarithmic grid, each once."""
    if frequency_hz.size <= points:
        return np.arange(frequency_hz.size)
    wanted = np.geomspace(frequency_hz[0], frequency_hz[-1], points)
    return np.unique(np.abs(np.log(frequency_hz[:, np.newaxis] / wanted)).argmin(axis=0))


def observe(
    frequency_hz: Floats,
    readings: Sequence[Reading],
    errors: ReadingErrors,
    adapters: Mapping[str, AdapterModel] | None = None,
    *,
    vague: bool = False,
) -> Observed:
    """Return the readings as a fit needs them. DataError where there are none, or for an adapter on no connector of a unit.

    ``vague``: the core's dispersion is not known well, so that the model may be farther off.
    """
    if not readings:
        raise DataError("there is no reading to diagnose from", hint="Measure line and coupled.")
    index = kept(frequency_hz)
    frequency = frequency_hz[index]
    short = [_at(reading, index) for reading in readings]
    names = tuple(f"{reading.sweep} {reading.trace}" for reading in readings)
    values = np.stack([reading.value for reading in short], axis=1)
    if not np.isfinite(values).all():
        raise DataError("a sweep holds values that are not numbers", hint="Measure it again.")
    noise = np.array([_noise(name, reading, errors) for name, reading in zip(names, readings, strict=True)])
    covariance = _Covariance(frequency, short, values, errors, VAGUE_MISFIT if vague else MISFIT).matrix()
    noisy = np.diag(np.repeat(noise**2, frequency.size))
    size = np.sqrt(np.diag(covariance + noisy).real).reshape(len(short), -1).T
    whiten, loose = _whitening(covariance + noisy), _whitening(covariance * LOOSE**2 + noisy)
    loosening = float(2 * np.sum(np.log(np.diag(whiten).real / np.diag(loose).real)))
    on_unit = _adapters(adapters or {}, frequency_hz)
    return Observed(
        frequency, names, values, Model.of(short), size, whiten, loose, loosening, None if on_unit is None else on_unit[index]
    )


def _whitening(covariance: Complex) -> Complex:
    """Return the inverse of a covariance's triangular root."""
    try:
        return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), dtype=np.complex128)
    except np.linalg.LinAlgError:
        hint = "Look at their values: are they S-parameters?"
        raise DataError("the sweeps cannot be weighed against each other", hint=hint) from None


def _adapters(adapters: Mapping[str, AdapterModel], frequency_hz: Floats) -> Complex | None:
    """Return the adapters of the three connectors, (F, 3, 2, 2); None where there are none."""
    strange = sorted(set(adapters) - set(UNIT_PORTS))
    if strange:
        raise DataError(f"an adapter on {strange[0]!r}: a unit has {', '.join(UNIT_PORTS)}", hint="Name one of these connectors.")
    if not adapters:
        return None
    models = [adapters.get(port, DelayAndLoss(0.0)) for port in UNIT_PORTS]
    return np.stack([each.matrix(frequency_hz) if isinstance(each, DelayAndLoss) else each for each in models], axis=1)


def _at(reading: Reading, index: NDArray[np.intp]) -> Reading:
    return Reading(
        reading.sweep, reading.trace, reading.out, reading.into, reading.gamma[index], reading.bound, reading.values[:, index]
    )


def _noise(name: str, reading: Reading, errors: ReadingErrors) -> float:
    found = errors.noise.get(name)
    if found is None:
        found = noise_of(reading.value)
    return max(found, LEAST_NOISE)


def kind_of(reading: Reading) -> str:
    """Return the kind of a reading: a key of MISFIT."""
    if reading.out == reading.into:
        return "sample reflection" if reading.out == 2 else "line reflection"
    return "coupling" if 2 in (reading.out, reading.into) else "line"


@dataclass(frozen=True)
class _Covariance:
    """Builds the covariance of all readings, reading by reading, (n, n)."""

    frequency: Floats
    readings: Sequence[Reading]
    values: Complex
    errors: ReadingErrors
    misfit: Mapping[str, Misfit]

    def matrix(self) -> Complex:
        """Return the sum of all parts."""
        count, points = len(self.readings), self.frequency.size
        turning = self._turning()
        total = np.zeros((count * points, count * points), dtype=np.complex128)
        for effect in self._common():
            flat = effect.T.ravel()
            total += np.tile(turning, (count, count)) * (flat[:, np.newaxis] * flat.conj())
        blocks = [slice(number * points, (number + 1) * points) for number in range(count)]
        for number, reading in enumerate(self.readings):
            own = self._own(number, reading)
            total[blocks[number], blocks[number]] += turning * (own[:, np.newaxis] * own.conj())
        return total + self._misfits(blocks)

    def _misfits(self, blocks: Sequence[slice]) -> Complex:
        """Return what the model's misfit adds: the same error wherever the same entry of the three-port is read."""
        alike = self._alike()
        total = np.zeros((blocks[-1].stop, blocks[-1].stop), dtype=np.complex128)
        sizes = [self._misfit_size(number, reading) for number, reading in enumerate(self.readings)]
        for one, first in enumerate(self.readings):
            for other, second in enumerate(self.readings):
                if first.entry == second.entry:
                    total[blocks[one], blocks[other]] = alike * (sizes[one][:, np.newaxis] * sizes[other].conj())
        return total

    def _turning(self) -> Complex:
        """Return the correlation of a vector that turns at a delay spread evenly from 0 to LONGEST_DELAY, (F, F)."""
        apart = (self.frequency[:, np.newaxis] - self.frequency) * LONGEST_DELAY
        return np.asarray(np.exp(-1j * np.pi * apart) * np.sinc(apart), dtype=np.complex128)

    def _alike(self) -> Floats:
        apart = np.abs(np.log(self.frequency[:, np.newaxis] / self.frequency)) / MISFIT_LENGTH
        return np.asarray(np.exp(-apart), dtype=np.float64)  # rough on purpose: a smooth one would take small wiggles for proof

    def _misfit_size(self, number: int, reading: Reading) -> Complex:
        kind = kind_of(reading)
        part = self.misfit[kind]
        grown = np.hypot(part.share * (self.frequency / 100e6) ** part.power, part.floor)
        return np.asarray(grown if reading.out == reading.into else grown * self.values[:, number], dtype=np.complex128)

    def _own(self, number: int, reading: Reading) -> Complex:
        """Return what each reading has for itself: its connections, and leakage."""
        size = self.errors.connector
        if reading.out == reading.into:
            return np.full(self.frequency.size, size / RAYLEIGH, dtype=np.complex128)
        return np.asarray((self.errors.isolation + size * np.abs(self.values[:, number])) / RAYLEIGH, dtype=np.complex128)

    def _common(self) -> list[Complex]:
        """Return what one standard deviation of each shared error does to the readings, (F, m) each."""
        found: list[Complex] = []
        inward = self._inward()
        for port in (1, 2):
            for reflects in (True, False):
                found += self._tracking(port, reflects, inward)
            mine = np.array([_drive(reading) == port for reading in self.readings])
            found.append(self.values * inward * (mine * self.errors.source_match / RAYLEIGH))
        found += self._terminations()
        return [effect for effect in found if np.any(effect)]

    def _tracking(self, port: int, reflects: bool, inward: Complex) -> list[Complex]:
        mine = np.array([(reading.out == reading.into) == reflects and _drive(reading) == port for reading in self.readings])
        if not reflects:
            return [self.values * (mine * self.errors.transmission_tracking / RAYLEIGH)]
        ones = np.ones_like(self.values)
        return [
            ones * (mine * self.errors.directivity / RAYLEIGH),
            self.values * (mine * self.errors.reflection_tracking / RAYLEIGH),
        ]

    def _inward(self) -> Complex:
        """Return the reflection that each reading's driving port sees: S11 of the same sweep where it was read, (F, m)."""
        found = np.zeros_like(self.values)
        for number, reading in enumerate(self.readings):
            for other, candidate in enumerate(self.readings):
                if candidate.sweep == reading.sweep and candidate.out == candidate.into == reading.into:
                    found[:, number] = self.values[:, other]
        return found

    def _terminations(self) -> list[Complex]:
        """Return the effect of loads and receiver that are not quite what they are taken for, (F, m) each."""
        try:
            x = vector_of(solve(self.frequency, self.readings).s)
        except DataError:
            return []
        slopes = np.nan_to_num(Model.of(self.readings).termination_slopes(x))
        slopes = slopes / np.maximum(np.abs(slopes), 1.0)  # no termination changes a passive unit's reading by more than itself
        names = sorted({name for reading in self.readings for name in UNIT_HOOKUPS[reading.sweep].loads.values()} | {"receiver"})
        return [self._termination(name, slopes) for name in names]

    def _termination(self, name: str, slopes: Complex) -> Complex:
        effect = np.zeros_like(self.values)
        for number, reading in enumerate(self.readings):
            ports = UNIT_HOOKUPS[reading.sweep]
            for port, load in ports.loads.items():
                if load == name:
                    effect[:, number] += slopes[:, number, port] * reading.bound[port] / math.sqrt(2)
            if name == "receiver":
                effect[:, number] += self._received(number, reading, slopes[:, number])
        return effect

    def _received(self, number: int, reading: Reading, slopes: Complex) -> Complex:
        port = UNIT_HOOKUPS[reading.sweep].received
        if port is None or port == reading.into:
            port = UNIT_HOOKUPS[reading.sweep].driven
        if port == reading.into:
            return np.zeros(self.frequency.size, dtype=np.complex128)
        bound = max(float(reading.bound[port]), self.errors.receiver_match)
        return np.asarray(slopes[:, port] * bound / math.sqrt(2), dtype=np.complex128)


def _drive(reading: Reading) -> int:
    """Return the analyser port that drives in a reading."""
    return 1 if reading.into == UNIT_HOOKUPS[reading.sweep].driven else 2
