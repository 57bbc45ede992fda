"""The ripple of a short and of a load behind one cable: what it shows of residual directivity and source match.

The ripple method with precision airlines is that of EURAMET Calibration Guide 12: the residuals make the corrected reflection of
what ends a line go up and down over frequency. This is a variant for benches without airlines. With c the wave's way through the
cable, there and back, and small errors e of the standards (short, open, load) in the calibration, the correction leaves
directivity D = −e_load, source match S = −u − D with u = (e_short + e_open)/2, and tracking R = (e_short − e_open)/2. The same
short and load behind a cable whose impedance reflects ρ then read, to first order in the errors,

    short:  c·Γ_short + (D + ρ)·(1 − c²) + u·(c − c²)          load:  c·Γ_load + (D + ρ)·(1 − c)

**What this cannot see.** D only beside ρ: the cable's impedance is the reference, as an airline's is. R not at all: the error of
the short that ends the cable takes it off. Nothing where c is near 1 (low frequencies, and every half wavelength).

The errors turn slowly with frequency (phasors of 0 to 10 ns, as ``harness.records.residuals`` says), the cable's loss is smooth.
All are fitted together by regularised least squares in the delay domain; the unknown scales of D + ρ and u are weighed by their
marginal likelihood, so that frequencies that the ripple cannot judge are as doubtful as the scale is.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from harness.calibration.phase import fit_phase_line

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]

RAYLEIGH_95 = float(np.sqrt(-2 * np.log(0.05)))
"""The 95 % point of the magnitude of a circular complex normal number, in standard deviations of its real part: 2.4477."""
NORMAL_95 = 1.959964
LONGEST_DELAY = 10e-9
DELAYS, FEW_DELAYS = 12, 4
SCALES = np.geomspace(2e-4, 0.15, 11)
"""Standard deviations of a real part that are weighed, the same weight for each before the data."""
CABLE_PRIOR = 0.1
"""How far loss and angle at the top of the band may be from the first fit: Np and rad, one standard deviation."""
DRAWS = 400
ROUNDS = 2
FLOOR = 1e-6
NOTHING_KNOWN = 1e3


@dataclass(frozen=True)
class Slack:
    """What else moves a corrected reading, as linear 95 % sizes: connector, cable (through, one way), drift, offset's match."""

    connector: float
    cable: float
    drift: float
    offset_match: float


@dataclass(frozen=True)
class Behind:
    """Corrected reflections behind the offset, mean of its connections, shape (F,), and what the models say."""

    frequency_hz: Floats = field(repr=False)
    short: Complexes = field(repr=False)
    load: Complexes = field(repr=False)
    short_model: Complexes = field(repr=False)
    load_model: Complexes = field(repr=False)
    short_repeats: int = 1
    load_repeats: int = 1
    load_counts: bool = True
    """False: the load behind the offset tells nothing, and only the short is used."""


@dataclass(frozen=True)
class Ripple:
    """What the ripple shows, as draws of equal weight, complex, shape (draws, F).

    ``directivity`` has the cable's ρ taken off as far as its bound lets it be known. ``source_match``; ``mean``: u.
    ``through``: c, shape (F,). ``misfit``: see Characterised.
    """

    directivity: Complexes = field(repr=False)
    source_match: Complexes = field(repr=False)
    mean: Complexes = field(repr=False)
    through: Complexes = field(repr=False)
    misfit: float


def fit_ripple(behind: Behind, slack: Slack) -> Ripple:
    """Return what the ripple shows. The draws come from a fixed seed: the same sweeps give the same sizes."""
    through = first_through(behind)
    for _ in range(ROUNDS):
        fit = _Fit(behind, slack, through)
        through = through * np.exp(fit.cable_change)
    fit = _Fit(behind, slack, through)
    rng = np.random.default_rng(20)
    apparent, mean = fit.draws(rng)
    # A flat prior for D: the cable's own reflection is added to the doubt, and never taken for an excuse.
    bound = slack.offset_match / NORMAL_95
    flat, rising = rng.normal(size=(2, DRAWS, 1)) * bound / np.sqrt(2)
    cable = flat + 1j * rising * behind.frequency_hz / behind.frequency_hz[-1]
    directivity = apparent - cable
    return Ripple(directivity, -mean - directivity, mean, through, fit.misfit)


def first_through(behind: Behind) -> Complexes:
    """Return a cable's smooth c from the short alone: its angle a line with a skin effect, its loss in the same form."""
    ratio = behind.short / behind.short_model
    root = np.sqrt(behind.frequency_hz / behind.frequency_hz[-1])
    delay = fit_phase_line(behind.frequency_hz, ratio).delay
    turn = np.exp(-4j * np.pi * behind.frequency_hz * delay)
    left = np.log(np.maximum(np.abs(ratio), 1e-6)) + 1j * np.angle(ratio / turn)
    columns = np.stack([root, root**2], axis=1)
    loss, angle = (np.linalg.lstsq(columns, part, rcond=None)[0] for part in (left.real, left.imag))
    return np.asarray(turn * np.exp(columns @ (loss + 1j * angle)))


def noise_of(trace: Complexes) -> float:
    """Return the noise of one point, root of the mean of abs², from fourth differences; what is smooth cancels in them."""
    return float(np.sqrt(np.mean(np.abs(np.diff(trace, 4)) ** 2) / 70.0))


def phasors(frequency_hz: Floats, count: int) -> Complexes:
    """Return slowly turning functions of frequency, shape (F, count); with weights of variance 1 their sum has variance 1."""
    delays = (np.arange(count) + 0.5) / count * LONGEST_DELAY
    return np.asarray(np.exp(-2j * np.pi * frequency_hz[:, None] * delays) / np.sqrt(count))


@dataclass(frozen=True)
class _Columns:
    """Effects of unknown real numbers on the stacked real readings, (4F, K), and their standard deviations (K,)."""

    effects: Floats
    sizes: Floats


def _stacked(short: Complexes, load: Complexes) -> Floats:
    both = np.concatenate([short, load])
    return np.concatenate([both.real, both.imag])


class _Fit:
    """One linear fit around a cable's c."""

    def __init__(self, behind: Behind, slack: Slack, through: Complexes) -> None:
        self._behind, self._slack, self._c = behind, slack, through
        self._basis = phasors(behind.frequency_hz, DELAYS)
        self._top = behind.frequency_hz / behind.frequency_hz[-1]
        short = behind.short - through * behind.short_model
        load = behind.load - through * behind.load_model
        self._white = self._whitening(short, load)
        self._y = _stacked(short, load) * self._white
        none = np.zeros_like(through)
        wanted = [
            self._complex(1 - through**2, 1 - through, self._basis, 1.0),
            self._complex(through - through**2, none, self._basis, 1.0),
        ]
        parts = [*wanted, self._cable(), *self._hands()]
        self._a = np.concatenate([part.effects for part in parts], axis=1) * self._white[:, None]
        self._sizes = np.concatenate([part.sizes for part in parts])
        self._gram, self._b = self._a.T @ self._a, self._a.T @ self._y
        self._scales = [(one, other) for one in SCALES for other in SCALES]
        self._weights = self._weigh()

    def _whitening(self, short: Complexes, load: Complexes) -> Floats:
        """Return one over each reading's standard deviation: noise, and the products of errors that the formulas leave out."""
        squares = float(np.mean(np.abs(short) ** 2) + np.mean(np.abs(load) ** 2)) / 2
        noises = (noise_of(self._behind.short / self._c), noise_of(load))
        sizes = [np.sqrt(noise**2 / 2 + (squares / 2) ** 2 + FLOOR**2) for noise in noises]
        if not self._behind.load_counts:
            sizes[1] = NOTHING_KNOWN
        return np.tile(np.repeat(1 / np.array(sizes), short.size), 2)

    def _complex(self, short: Complexes, load: Complexes, basis: Complexes, size: float) -> _Columns:
        """Return the columns of complex unknowns that turn over frequency as ``basis`` (F, Q) does."""
        real = [_stacked(short * turn, load * turn) for turn in basis.T]
        imag = [_stacked(1j * short * turn, 1j * load * turn) for turn in basis.T]
        return _Columns(np.stack([*real, *imag], axis=1), np.full(2 * basis.shape[1], size))

    def _cable_functions(self) -> Complexes:
        root, top = np.sqrt(self._top), self._top
        return np.stack([np.ones_like(top), root, top, 1j * root, 1j * top], axis=1) + 0j

    def _cable(self) -> _Columns:
        """Return what the cable may be besides c: loss and angle, and connectors at its far end that are not its impedance."""
        none = np.zeros_like(self._c)
        through = self._c * self._behind.short_model
        columns = [_stacked(through * turn, none) for turn in self._cable_functions().T]
        far = self._slack.offset_match / 2 / NORMAL_95
        columns += [_stacked(2 * self._c * turn, self._c * turn) for turn in (1.0, 1j * self._top)]
        # A contact's resistance changes the level a little; the angle at 0 Hz is the short's, and is not free.
        sizes = [self._slack.connector / NORMAL_95, *[CABLE_PRIOR] * 4, far, far]
        return _Columns(np.stack(columns, axis=1), np.array(sizes))

    def _hands(self) -> list[_Columns]:
        """Return what connections made anew and drift since the calibration add to each of the two sweeps by itself."""
        behind, slack, c, none = self._behind, self._slack, self._c, np.zeros_like(self._c)
        rising, slow = self._top[:, None] + 0j, phasors(behind.frequency_hz, FEW_DELAYS)
        made: list[_Columns] = []
        for count, ways in (
            (behind.short_repeats, ((1 + c**2, none), (c, none))),
            (behind.load_repeats, ((none, np.ones_like(c)), (none, c))),
        ):
            connector = slack.connector / RAYLEIGH_95 / np.sqrt(count)
            moved = np.hypot(slack.drift, 2 * slack.cable / np.sqrt(count)) / RAYLEIGH_95
            for (short, load), slowly in zip(ways, (slack.drift / RAYLEIGH_95, moved), strict=True):
                made.append(self._complex(short, load, rising, 2 * connector))
                made.append(self._complex(short, load, slow, slowly))
        return made

    def _precision(self, scales: tuple[float, float]) -> tuple[Floats, Floats]:
        """Return the posterior precision, and one over the variances before the data."""
        sizes = self._sizes.copy()
        half = 2 * DELAYS
        sizes[:half], sizes[half : 2 * half] = scales
        before = 1 / np.maximum(sizes, 1e-9) ** 2
        return np.asarray(self._gram + np.diag(before)), before

    def _weigh(self) -> Floats:
        every = [self._precision(scales) for scales in self._scales]
        factors = np.linalg.cholesky(np.stack([precision for precision, _ in every]))
        halves = np.linalg.solve(factors, np.broadcast_to(self._b[:, None], (len(every), self._b.size, 1)))[..., 0]
        before = np.log(np.stack([one for _, one in every])).sum(axis=1)
        logs = (halves**2).sum(axis=1) / 2 - np.log(np.diagonal(factors, axis1=1, axis2=2)).sum(axis=1) + before / 2
        weights = np.exp(logs - logs.max())
        return np.asarray(weights / weights.sum())

    @cached_property
    def _best(self) -> tuple[Floats, Floats]:
        precision, before = self._precision(self._scales[int(np.argmax(self._weights))])
        return np.asarray(np.linalg.solve(precision, self._b), dtype=np.float64), before

    @property
    def cable_change(self) -> Complexes:
        """What the best fit changes of the cable's log c, (F,)."""
        start = 4 * DELAYS
        found: Complexes = self._cable_functions() @ self._best[0][start : start + 5]
        return found

    @property
    def misfit(self) -> float:
        """Root mean square of what the best fit leaves and asks of the unknowns, over what is expected."""
        found, before = self._best
        left = self._y - self._a @ found
        used = left.size if self._behind.load_counts else left.size / 2
        return float(np.sqrt((left @ left + found @ (before * found)) / used))

    def draws(self, rng: np.random.Generator) -> tuple[Complexes, Complexes]:
        """Return draws of D + ρ and u from the posterior, scales drawn by their weight, shape (DRAWS, F) each."""
        found: list[Floats] = []
        for number, count in enumerate(rng.multinomial(DRAWS, self._weights)):
            if count:
                precision, _ = self._precision(self._scales[number])
                factor = np.linalg.cholesky(precision)
                middle = np.linalg.solve(precision, self._b)
                away = np.linalg.solve(factor.T, rng.normal(size=(middle.size, count)))
                found.append(np.asarray(middle[:, None] + away, dtype=np.float64))
        every = np.concatenate(found, axis=1)
        return self._curve(every[: 2 * DELAYS]), self._curve(every[2 * DELAYS : 4 * DELAYS])

    def _curve(self, weights: Floats) -> Complexes:
        turned = self._basis @ (weights[:DELAYS] + 1j * weights[DELAYS:])
        return np.asarray(turned.T, dtype=np.complex128)


def size_of(draws: Complexes) -> float:
    """Return the 95 % size of an error from draws of it, shape (draws, F): linear.

    The larger of the 95 % point of its magnitude over draws and frequencies, and that of a circular normal error of the same
    mean square, since that is how a size is used.
    """
    squares = np.abs(draws) ** 2
    return float(max(np.sqrt(np.quantile(squares, 0.95)), RAYLEIGH_95 * np.sqrt(squares.mean() / 2)))


def sizes_of_each(draws: Complexes) -> Floats:
    """Return, for each draw, the size of a circular normal error of the same mean square over frequency, shape (draws,)."""
    return np.asarray(RAYLEIGH_95 * np.sqrt(np.mean(np.abs(draws) ** 2, axis=1) / 2))
