"""Benches with true errors, to see whether stated intervals hold the truth. Nothing of the program's error model is used here.

A unit of the circuit model is measured by an analyser that is not quite what its correction takes it for: the flow graph of
one direction in full (not linearised); each error a sum of three phasors of continuous random delays with normal amplitudes;
connectors and adapters as two-ports in cascade; loads and receiver read through the same analyser, before it drifted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from harness.analysis import Evaluation, Termination, Terminations, evaluate
from harness.analysis.figures import figure_values, in_band
from harness.records import KITS, LINE_IN, LINE_OUT, Residuals, SamplerType, Sweep
from harness.sampler import Core, find_core, nominal_circuit, parse_cores, parse_materials, three_port
from tests.analysis_bench import GRID, close_port, type_of

Complex = NDArray[np.complex128]
POINT95 = float(np.sqrt(-2 * np.log(0.05)))
"""The 95 % point of the Rayleigh distribution: what a stated size is, in standard deviations of a real part."""
HOOKUPS = {"coupled": (0, 2, 1, "A"), "line": (0, 1, 2, "A"), "coupled-far": (1, 2, 0, "A")}
"""Driven, received and loaded port, and the load."""


@dataclass(frozen=True)
class Setting:
    """What is simulated: the bench's stated residuals, its paths, the unit, whether loads are swept, repeats and noise."""

    residuals: Residuals = KITS["good"]
    two_path: bool = False
    termination: Literal["external", "internal"] = "external"
    coupling: int = 30
    swept: bool = True
    repeats: int = 1
    noise_db: float = -90.0
    sweeps: tuple[str, ...] = ("coupled", "line", "coupled-far", "sample")
    connector_true: float = 1.0
    """True connector errors over the stated ones."""


def turning(rng: np.random.Generator, size: float, hz: NDArray[np.float64] = GRID) -> Complex:
    """Return an error of this 95 % size: three phasors with random shares and delays of 0 to 10 ns, normal amplitudes."""
    shares = rng.dirichlet([1.0, 1.0, 1.0])
    total = np.zeros(hz.size, dtype=np.complex128)
    for part in shares:
        amplitude = complex(rng.normal(), rng.normal()) * np.sqrt(part)
        total += amplitude * np.exp(-2j * np.pi * hz * rng.uniform(0, 10e-9))
    return total * size / POINT95


def in_disc(rng: np.random.Generator, radius: float, hz: NDArray[np.float64] = GRID) -> Complex:
    """Return a reflection somewhere in a disc, turning."""
    at = radius * np.sqrt(rng.uniform()) * np.exp(2j * np.pi * rng.uniform())
    return np.asarray(at * np.exp(-2j * np.pi * hz * rng.uniform(0, 10e-9)))


def level(db: float) -> float:
    return float(10 ** (db / 20))


def share(db: float) -> float:
    return float(10 ** (db / 20) - 1)


@cache
def core() -> Core:
    tables = files("harness.data")
    texts = [tables.joinpath(name).read_text(encoding="utf-8") for name in ("cores.toml", "materials.toml")]
    return find_core("FT-50-43", parse_cores(texts[0]), parse_materials(texts[1]))


def unit_of(rng: np.random.Generator, setting: Setting, hz: NDArray[np.float64] = GRID) -> Complex:
    """Return a unit of about this coupling, built a little off, shape (F, 3, 3)."""
    turns = {20: 10, 30: 32, 40: 100}[setting.coupling]
    internal = setting.termination == "internal"
    circuit = nominal_circuit(turns=turns // 2 if internal else turns, core=core(), termination=setting.termination)
    impedance = 50 + rng.normal() * 1.5
    made = replace(
        circuit,
        winding_leakage=circuit.winding_leakage * np.exp(0.15 * rng.normal()),
        winding_capacitance=circuit.winding_capacitance * np.exp(0.15 * rng.normal()),
        line_before=replace(circuit.line_before, impedance=impedance),
        line_after=replace(circuit.line_after, impedance=impedance),
    )
    return np.asarray(three_port(made, hz), dtype=np.complex128)


def put_on(s: Complex, outer: Complex, through: Complex, inner: Complex) -> Complex:
    """Return S with a reciprocal two-port on each port: its S11, S21 and S22 have the shape (F, ports)."""
    count = s.shape[-1]
    inside = np.linalg.solve(np.eye(count) - s * inner[:, None, :], s)
    return np.asarray(outer[:, None, :] * np.eye(count) + through[:, :, None] * inside * through[:, None, :])


class Bench:
    """One bench with its true errors, and the unit on it."""

    def __init__(self, seed: int, setting: Setting, unit: Complex | None = None, hz: NDArray[np.float64] = GRID) -> None:
        self.rng = rng = np.random.default_rng(seed)
        self.setting, self.hz = setting, hz
        sizes = setting.residuals
        self.unit = unit_of(rng, setting, hz) if unit is None else unit
        # Both ports are calibrated with the same short, open, load and thru.
        standards = {
            "D": self.turning(level(sizes.directivity)),
            "M": self.turning(level(sizes.source_match)),
            "R": self.turning(share(sizes.reflection_tracking)),
            "T": self.turning(share(sizes.transmission_tracking)),
        }
        self.error = {f"{key}{port}": value for key, value in standards.items() for port in "12"}
        self.error |= {f"X{port}": self.turning(level(sizes.isolation)) for port in "12"}
        self.thru_match = self.turning(level(sizes.receiver_match))
        self.laid = {f"{when}{port}": self.laying() for when in ("thru", "open", "short") for port in "12"}
        drift = level(sizes.drift)
        self.now = {key: value + (0 if key[0] == "X" else self.turning(drift)) for key, value in self.error.items()}
        self.linearity = share(sizes.linearity) / POINT95 * rng.normal()
        self.receivers = {port: in_disc(rng, 0.1, hz) for port in "12"}
        self.seen_receivers = {
            port: self.box(self.error, "1" if port == "2" else "2", self.touched(gamma)) + self.thru_match
            for port, gamma in self.receivers.items()
        }
        self.receivers_now = {port: gamma + self.turning(drift) for port, gamma in self.receivers.items()}
        self.loads = {name: in_disc(rng, level(-30), hz) for name in "AB"}
        self.seen_loads = {name: self.box(self.error, "1", self.touched(gamma)) for name, gamma in self.loads.items()}
        self.adapted = self.with_adapters()

    def turning(self, size: float) -> Complex:
        return turning(self.rng, size, self.hz)

    def with_adapters(self) -> Complex:
        outer = np.zeros((self.hz.size, 3), dtype=np.complex128)
        for number, name in enumerate(("line in", "line out", "sample")):
            if name in self.setting.residuals.adapters:
                outer[:, number] = in_disc(self.rng, level(self.setting.residuals.adapters[name]), self.hz)
        return put_on(self.unit, outer, np.sqrt(1 - np.abs(outer) ** 2) + 0j, outer)

    def contact(self) -> tuple[Complex, Complex]:
        """Return reflection and through of a connection: reactive, so it turns a wave, as far as it reflects (r.m.s.)."""
        size = level(self.setting.residuals.connector) * self.setting.connector_true
        phase = np.full(self.hz.size, np.sqrt(2) * size / POINT95 * self.rng.normal())
        return self.turning(size), np.exp(1j * phase)

    def laying(self) -> Complex:
        """Return what a laying of a cable does to a wave; two of them differ by the stated size."""
        return self.turning(share(self.setting.residuals.cable) / np.sqrt(2))

    def touched(self, gamma: Complex) -> Complex:
        """Return a reflection as it looks through a fresh connection."""
        reflection, through = self.contact()
        return np.asarray(reflection + through**2 * gamma / (1 - reflection * gamma))

    def box(self, error: Mapping[str, Complex], port: str, gamma: Complex) -> Complex:
        return np.asarray(error["D" + port] + (1 + error["R" + port]) * gamma / (1 - error["M" + port] * gamma))

    def read(self, value: Complex, cables: Complex) -> Complex:
        below = np.maximum(0, -20 * np.log10(np.abs(value))) / 10
        noise = (self.rng.normal(size=self.hz.size) + 1j * self.rng.normal(size=self.hz.size)) / np.sqrt(2)
        return np.asarray(value * (1 + self.linearity * below) * (1 + cables) + level(self.setting.noise_db) * noise)

    def direction(self, pair: Complex, drive: str, cables: Mapping[str, Complex]) -> tuple[Complex, Complex]:
        """Return the corrected reflection and through reading of a two-port, driven at analyser port ``drive``."""
        a, b = (0, 1) if drive == "1" else (1, 0)
        other = "2" if drive == "1" else "1"
        left = self.receivers_now[other]
        if self.setting.two_path:
            left = left - self.seen_receivers[other]
        inward = pair[:, a, a] + pair[:, a, b] * pair[:, b, a] * left / (1 - pair[:, b, b] * left)
        through = pair[:, b, a] / (1 - pair[:, b, b] * left)
        terms = self.now
        reflection = self.box(terms, drive, inward)
        raw = self.receivers[other]
        seen = inward + through * pair[:, a, b] * raw if self.setting.two_path else inward
        passed = terms["X" + drive] + (1 + terms["T" + drive]) * through / (1 - terms["M" + drive] * seen)
        thru = (1 - self.thru_match * self.error["M" + drive]) * (1 - self.thru_match * raw) - self.error["M" + drive] * raw
        moved = cables["1"] + cables["2"] - self.laid["thru1"] - self.laid["thru2"]
        return self.read_reflection(reflection, drive, cables), self.read(passed * thru, moved)

    def read_reflection(self, gamma: Complex, port: str, cables: Mapping[str, Complex]) -> Complex:
        """Return a reflection with the cable laid otherwise than for open and short: they looked like 1 + 2o and −1 − 2s."""
        at_open, at_short = self.laid["open" + port], self.laid["short" + port]
        changed = gamma - (at_open + at_short) * gamma - (at_open - at_short) * gamma**2
        return self.read(changed, 2 * cables[port])

    def touched_unit(self) -> Complex:
        contacts = [self.contact() for _ in range(3)]
        outer, through = (np.stack([one[part] for one in contacts], axis=1) for part in (0, 1))
        return put_on(self.adapted, outer, through, outer)

    def cables(self) -> dict[str, Complex]:
        return {port: self.laying() for port in "12"}

    def sweep(self, name: str) -> Sweep:
        """Return one corrected sweep of a hook-up made anew."""
        unit, cables = self.touched_unit(), self.cables()
        if name == "sample":
            seen = close_port(close_port(unit, 1, self.loads["B"]), 0, self.loads["A"])[:, 0, 0]
            return Sweep(name, self.hz, {"s11": self.read_reflection(self.box(self.now, "1", seen), "1", cables)}, 1)
        driven, received, loaded, load = HOOKUPS[name]
        closed = close_port(unit, loaded, self.loads[load])
        order = [0, 1] if driven < received else [1, 0]
        pair = closed[:, order][:, :, order]
        s11, s21 = self.direction(pair, "1", cables)
        traces = {"s11": s11, "s21": s21}
        if self.setting.two_path:
            s22, s12 = self.direction(pair, "2", cables)
            traces |= {"s12": s12, "s22": s22}
        return Sweep(name, self.hz, traces, 2)

    def terminations(self) -> Terminations:
        points = self.hz.size
        if not self.setting.swept:
            return Terminations.of_default_class(points)
        loads = {name: Termination.swept(gamma) for name, gamma in self.seen_loads.items()}
        forward, back = (Termination.swept(self.seen_receivers[port]) for port in "21")
        return Terminations(loads, forward, back if self.setting.two_path else None)

    def sweeps(self) -> dict[str, list[Sweep]]:
        return {name: [self.sweep(name) for _ in range(self.setting.repeats)] for name in self.setting.sweeps}

    def evaluate(self, type_: SamplerType | None = None, draws: int = 2000, residuals: Residuals | None = None) -> Evaluation:
        """Return the program's evaluation with the stated residuals, or with others."""
        given = type_ or type_of()
        return evaluate(self.sweeps(), given, self.terminations(), residuals=residuals or self.setting.residuals, draws=draws)

    def truth(self, type_: SamplerType | None = None) -> dict[str, float]:
        """Return the figures of the true unit."""
        band = in_band(self.hz, self.unit, (type_ or type_of()).band_hz)[1]
        sides = (LINE_IN, LINE_OUT) if self.setting.two_path or "coupled-far" in self.setting.sweeps else (LINE_IN,)
        return {name: float(value) for name, value in figure_values(band, sides).items()}
