"""Raw sweeps of a made-up analyser for the calibration tests, by network algebra that the program does not use.

Each direction of the analyser is three networks in a row: an error two-port before the unit (directivity, source match,
reflection tracking), the unit, and a receiver two-port behind it (receiver match, transmission tracking). scikit-rf cascades
them; the leak goes beside. This is the usual 12-term picture (Rehnmark, as scikit-rf cites it) written as cascaded networks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skrf.frequency import Frequency
from skrf.network import Network

from harness.records import Sweep
from harness.records.bench_file import LoadModel, OpenModel, ShortModel, StandardsEntry, ThruModel

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

REAL_STANDARDS = StandardsEntry.model_construct(
    open=OpenModel.model_construct(capacitance=60e-15, delay=31e-12),
    short=ShortModel.model_construct(inductance=20e-12, delay=30e-12),
    load=LoadModel.model_construct(resistance=50.6, inductance=40e-12),
    thru=ThruModel.model_construct(delay=120e-12, loss=0.02),
)


def network(hz: Floats, s: Complexes) -> Network:
    """Return a scikit-rf network of S, shape (F, n, n)."""
    return Network(frequency=Frequency.from_f(hz, unit="hz"), s=s, z0=50)


def two_port(hz: Floats, s11: Complexes, s21: Complexes, s12: Complexes, s22: Complexes) -> Network:
    """Return a two-port from its four entries, shape (F,) each, or numbers."""
    s = np.empty((hz.size, 2, 2), dtype=np.complex128)
    s[:, 0, 0], s[:, 1, 0], s[:, 0, 1], s[:, 1, 1] = s11, s21, s12, s22
    return network(hz, s)


def reflections(hz: Floats, gamma_1: Complexes, gamma_2: Complexes) -> Network:
    """Return two reflections side by side with nothing between them."""
    nothing = np.zeros(hz.size, dtype=np.complex128)
    return two_port(hz, gamma_1, nothing, nothing, gamma_2)


def standard(kind: str, models: StandardsEntry, hz: Floats) -> Complexes:
    """Return a standard's reflection by scikit-rf: the lumped end's impedance to S, seen through a matched line."""
    from skrf.network import z2s

    w = 2j * np.pi * hz
    if kind == "open":
        # A capacitance of nothing is an impedance without end; a large one stands for it.
        z, delay = 1 / (w * max(models.open.capacitance, 1e-26)), models.open.delay
    elif kind == "short":
        z, delay = w * models.short.inductance, models.short.delay
    else:
        z, delay = models.load.resistance + w * models.load.inductance, 0.0
    end = network(hz, z2s(z.reshape(-1, 1, 1), z0=50))
    line = two_port(hz, 0 * w, np.exp(-w * delay), np.exp(-w * delay), 0 * w)
    return np.asarray((line**end).s[:, 0, 0])


def thru(models: StandardsEntry, hz: Floats) -> Network:
    """Return the thru as a two-port."""
    through = 10 ** (-models.thru.loss / 20) * np.exp(-2j * np.pi * hz * models.thru.delay)
    return two_port(hz, 0 * through, through, through, 0 * through)


def _wander(rng: np.random.Generator, hz: Floats, size_db: float) -> Complexes:
    """Return a reflection of at most ``size_db``: a main one and two smaller at other distances, up to 15 ns there and back."""
    total = np.zeros(hz.size, dtype=np.complex128)
    for part in (0.7, 0.2, 0.1):
        total += part * np.exp(1j * (rng.uniform(0, 2 * np.pi) - 2 * np.pi * hz * rng.uniform(0, 15e-9)))
    return total * 10 ** (size_db / 20)


def _gain(rng: np.random.Generator, hz: Floats, delay: float, turn_degrees: float) -> Complexes:
    """Return a gain within ±1 dB behind a cable; its phase at 0 Hz is near zero, as a real response in time demands."""
    level = rng.uniform(-0.7, 0.7) + 0.3 * np.cos(2 * np.pi * hz * rng.uniform(1e-9, 20e-9) + rng.uniform(0, 2 * np.pi))
    turn = np.radians(rng.uniform(-turn_degrees, turn_degrees))
    return np.asarray(10 ** (level / 20) * np.exp(1j * (turn - 2 * np.pi * hz * delay)))


@dataclass(frozen=True)
class Box:
    """One direction: the error two-port before the unit, the receiver two-port behind it, the leak."""

    before: Network
    behind: Network
    leak: Complexes


class Instrument:
    """A made-up analyser: raw readings of anything between its ports, with noise of ``noise_db`` (none by default)."""

    def __init__(
        self,
        seed: int,
        hz: Floats,
        *,
        noise_db: float | None = None,
        receiver_db: float = -22.0,
        directivity_db: float = -25.0,
        match_db: float = -20.0,
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.hz = hz
        self.noise = 0.0 if noise_db is None else 10 ** (noise_db / 20)
        self.delays = self.rng.uniform(0.2e-9, 10e-9, size=2)
        sizes = (directivity_db, match_db, receiver_db)
        self.forward = self._box(self.delays[0], self.delays[1], sizes)
        self.reverse = self._box(self.delays[1], self.delays[0], sizes)

    def _box(self, near: float, far: float, sizes: tuple[float, float, float]) -> Box:
        rng, hz = self.rng, self.hz
        one = np.ones(hz.size, dtype=np.complex128)
        tracking = _gain(rng, hz, 2 * near, 20.0)
        before = two_port(hz, _wander(rng, hz, sizes[0]), one, tracking, _wander(rng, hz, sizes[1]))
        behind = two_port(hz, _wander(rng, hz, sizes[2]), _gain(rng, hz, near + far, 20.0), 0 * one, 0 * one)
        return Box(before, behind, _wander(rng, hz, -80.0))

    def _noisy(self, trace: Complexes) -> Complexes:
        noise = self.rng.normal(size=(2, self.hz.size)) / np.sqrt(2) * self.noise
        return np.asarray(trace + noise[0] + 1j * noise[1], dtype=np.complex128)

    def traces(self, unit: Network, names: tuple[str, ...]) -> dict[str, Complexes]:
        """Return the raw traces of a two-port between analyser 1 and 2."""
        everything: dict[str, Complexes] = {}
        if {"s11", "s21"} & set(names):
            there = (self.forward.before**unit**self.forward.behind).s
            everything |= {"s11": there[:, 0, 0], "s21": there[:, 1, 0] + self.forward.leak}
        if {"s22", "s12"} & set(names):
            back = (self.reverse.before ** unit.flipped() ** self.reverse.behind).s
            everything |= {"s22": back[:, 0, 0], "s12": back[:, 1, 0] + self.reverse.leak}
        return {name: self._noisy(everything[name]) for name in names}

    def two_ports(self, name: str, unit: Network, paths: str = "one-path") -> Sweep:
        """Return the raw two-port sweep of a unit."""
        names = ("s11", "s21") if paths == "one-path" else ("s11", "s21", "s12", "s22")
        return Sweep(name, self.hz, self.traces(unit, names), 2)

    def one_port(self, name: str, gamma: Complexes) -> Sweep:
        """Return the raw one-port sweep of a reflection, on analyser 2 where the name ends in "-2"."""
        key = "s22" if name.endswith("-2") else "s11"
        return Sweep(name, self.hz, self.traces(reflections(self.hz, gamma, gamma), (key,)), 1)

    def calibration(self, models: StandardsEntry, paths: str = "one-path", *, isolation: bool = True) -> dict[str, Sweep]:
        """Return the raw sweeps of a whole calibration, in the order of the bench."""
        sweeps: dict[str, Sweep] = {}
        for port in ("", "-2") if paths == "two-path" else ("",):
            for kind in ("short", "open", "load"):
                name = f"cal-{kind}{port}"
                sweeps[name] = self.one_port(name, standard(kind, models, self.hz))
        if isolation:
            load = standard("load", models, self.hz)
            sweeps["cal-isolation"] = self.two_ports("cal-isolation", reflections(self.hz, load, 0.02 + 0 * load), paths)
        sweeps["cal-thru"] = self.two_ports("cal-thru", thru(models, self.hz), paths)
        return sweeps


def random_unit(seed: int, hz: Floats) -> Network:
    """Return a smooth passive two-port that is neither symmetric nor reciprocal."""
    rng = np.random.default_rng(seed)
    s11, s21, s12, s22 = (_wander(rng, hz, size) for size in (-10.0, -3.0, -5.0, -8.0))
    return two_port(hz, s11, s21, s12, s22)
