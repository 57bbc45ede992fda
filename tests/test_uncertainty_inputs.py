"""What every error does to the unit's S, against GTC: complex uncertain numbers through the flow graph, port by port."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import GTC
import numpy as np
import pytest

from harness.analysis import AdapterModel, Termination, readings_of
from harness.analysis.adapters import DelayAndLoss, removal_slopes, remove_adapters
from harness.analysis.estimator import Estimate, estimate
from harness.analysis.linear import Chain, Effect, gain_of, independent
from harness.analysis.model import ENTRIES, matrix_of, vector_of
from harness.analysis.phasors import RAYLEIGH_95, mean_square
from harness.analysis.readings import UNIT_HOOKUPS, Reading
from harness.analysis.scene import Scene
from harness.records import KITS
from tests.analysis_bench import GRID, ideal_unit, known, phasor, random_unit, sweeps_of

LOAD_A, LOAD_B, RECEIVER = phasor(30, 1e-9, 0.4), phasor(32, 2e-9, 2.0), phasor(20, 6e-10, -1.0)
BACK = phasor(22, 8e-10, 2.5)
"""What analyser 1 shows while analyser 2 drives."""
UNIT = 0.995 * ideal_unit(32) * np.exp(-2j * np.pi * GRID * 0.2e-9)[:, None, None]
SIZES = KITS["good"]
AT = 77
"""The point of the grid where GTC is asked."""


def chain_of(two_path: bool) -> tuple[Chain, tuple[Reading, ...], Estimate]:
    receiver = None if two_path else RECEIVER
    terminations = known(LOAD_A, LOAD_B, receiver)
    readings = readings_of(sweeps_of(UNIT, LOAD_A, LOAD_B, receiver), terminations)
    # Before its correction a two-path analyser has receivers too: the thru was read into them.
    terminations = replace(terminations, receiver=Termination.swept(RECEIVER), receiver_back=Termination.swept(BACK))
    found = estimate(GRID, readings)
    scene = Scene.of(readings, terminations, vector_of(found.s))
    return Chain(scene, found, found.s, terminations, {}, SIZES), readings, found


class Errors:
    """Uncertain complex numbers by name, made when first asked for."""

    def __init__(self) -> None:
        self.made: dict[str, Any] = {}

    def __call__(self, name: str, size: float) -> Any:
        if name not in self.made:
            u = size / RAYLEIGH_95
            self.made[name] = GTC.ucomplex(0j, (u, u), label=name)
        return self.made[name]

    def real(self, name: str, size: float) -> Any:
        """Return a real one: as the real part of a complex one of this size."""
        if name not in self.made:
            self.made[name] = GTC.ureal(0.0, size / RAYLEIGH_95, label=name)
        return self.made[name]

    def passed(self, name: str) -> Any:
        """Return what a connection made anew does to a wave: its phase, r.m.s. as the size says; a tenth of it loss."""
        size = level(SIZES.connector) * np.sqrt(2)
        return 1 + 1j * self.real(f"{name} phase", size) + self.real(f"{name} loss", size / 10)


def level(db: float) -> float:
    return float(10 ** (db / 20))


def seen_through(error: Errors, port: str, gamma: Any, *, drifted: bool) -> Any:
    """Return a reflection as the corrected analyser reads it: D + (1 + R)·Γ/(1 − M·Γ)."""
    d, r = error("D", level(SIZES.directivity)), error("R", level(SIZES.reflection_tracking) - 1)
    m = error("M", level(SIZES.source_match))
    if drifted:
        d, r, m = (term + error(f"drift {name}{port}", level(SIZES.drift)) for term, name in ((d, "D"), (r, "R"), (m, "M")))
    return d + (1 + r) * gamma / (1 - m * gamma)


def truth_of(error: Errors, port: str, seen: complex, name: str) -> Any:
    """Return the true reflection behind a swept one, to first order: what it seems less what the analyser did to it."""
    touch = error(f"touch {name} calibration", level(SIZES.connector))
    return seen - (seen_through(error, port, seen, drifted=False) - seen) + touch


def closed(s: Any, port: int, gamma: Any) -> Any:
    """Return S as a dictionary with ``port`` closed by a reflection (textbook formula)."""
    keep = sorted({i for i, _ in s} - {port})
    return {(i, j): s[i, j] + s[i, port] * gamma * s[port, j] / (1 - s[port, port] * gamma) for i in keep for j in keep}


def reading_of(reading: Reading, error: Errors, s: Any, two_path: bool) -> Any:
    """Return one reading as GTC has it, uncertain in everything."""
    ports = UNIT_HOOKUPS[reading.sweep]
    forward = reading.into == ports.driven
    drive, way = ("1", "forward") if forward else ("2", "reverse")
    receiving = ports.received if forward else ports.driven
    here = level(SIZES.connector)
    for port, name in ports.loads.items():
        swept = complex({"A": LOAD_A, "B": LOAD_B}[name][AT])
        s = closed(s, port, truth_of(error, "1", swept, name) + error(f"touch {reading.sweep} {port} r", here))
    through = 1.0
    if receiving is not None:
        raw = complex((RECEIVER if forward else BACK)[AT])
        own = error("L", level(SIZES.receiver_match)) + error(f"drift L {way}", level(SIZES.drift))
        far = error(f"touch {reading.sweep} {receiving} r", here)
        left = truth_of(error, drive, raw, way if two_path else "receiver") + own + far - (raw if two_path else 0)
        if reading.out != reading.into:
            through = s[receiving, reading.into] / (1 - s[receiving, receiving] * left)
            through = through * error.passed(f"touch {reading.sweep} {receiving}")
        back = s[reading.into, receiving] / (1 - s[receiving, receiving] * left)
        s = closed(s, receiving, left)
    near = error(f"touch {reading.sweep} {reading.into} r", here)
    passed = error.passed(f"touch {reading.sweep} {reading.into}")
    inward = near + passed**2 * s[reading.into, reading.into] / (1 - near * s[reading.into, reading.into])
    flex = {port: laid(error, f"{reading.sweep} {port}") - laid(error, f"thru {port}") for port in "12"}
    if reading.out == reading.into:
        value = at_the_standards(error, drive, seen_through(error, drive, inward, drifted=True))
        value = value * (1 + 2 * laid(error, f"{reading.sweep} {drive}"))
    else:
        through = through * passed / (1 - near * s[reading.into, reading.into])
        tracking = error("T", level(SIZES.transmission_tracking) - 1) + error(f"drift T {way}", level(SIZES.drift))
        match, moved = error("M", level(SIZES.source_match)), error(f"drift M{drive}", level(SIZES.drift))
        # A full correction takes off what the receiver sends back through the unit; the source match has seen it all the same.
        seen = inward + through * back * raw if two_path else inward
        value = error(f"X {way}", level(SIZES.isolation)) + (1 + tracking) * through / (1 - (match + moved) * seen)
        value = value / thru_passes(match, -error("L", level(SIZES.receiver_match)), raw) * (1 + flex["1"] + flex["2"])
    size = -20 * np.log10(abs(complex(value.x)))
    return value * (1 + error.real("linearity", level(SIZES.linearity) - 1) * max(0.0, size) / 10)


def thru_passes(match: Any, reflection: Any, receiver: complex) -> Any:
    """Return what the calibration's thru passes, and is taken for 1: a reflection at each end, between two mismatched ends.

    The textbook formula S21/((1 − S11·Γs)(1 − S22·Γl) − S21·S12·Γs·Γl). A reflection at the thru passes for the receiver's:
    it was found too large by it, so the true one is smaller.
    """
    return 1 / ((1 - reflection * match) * (1 - reflection * receiver) - match * receiver)


def laid(error: Errors, when: str) -> Any:
    """Return what a laying of a cable does to a wave; two layings differ by the stated size."""
    return error(f"cable {when}", (level(SIZES.cable) - 1) / np.sqrt(2))


def at_the_standards(error: Errors, port: str, gamma: Any) -> Any:
    """Return a reflection as corrected by an open and a short that were swept with the cable laid otherwise: 1 + 2o, −1 − 2s.

    The correction, to first order, takes off what makes them 1 and −1 again: tracking o + s, source match o − s.
    """
    at_open, at_short = laid(error, f"open {port}"), laid(error, f"short {port}")
    return gamma - (at_open + at_short) * gamma - (at_open - at_short) * gamma**2


@pytest.mark.parametrize("two_path", [False, True], ids=["one-path", "two-path"])
def test_gtc_gives_the_same_uncertainty_of_every_entry(two_path: bool) -> None:
    """Standard uncertainties of the magnitudes of S11, S22, S33, S21, S31, S32 within 2 %, over the whole chain of errors."""
    chain, readings, found = chain_of(two_path)
    effects = independent(chain.effects())
    error = Errors()
    s = {(i, j): complex(found.s[AT, i, j]) for i in range(3) for j in range(3)}
    read = [reading_of(reading, error, s, two_path) for reading in readings]
    gain = gain_of(found).x[AT]
    for number, entry in enumerate(ENTRIES):
        x = sum(complex(gain[number, j]) * read[j] for j in range(len(readings)))
        expected = GTC.magnitude(x + (s[entry] - complex(x.x))).u
        value = s[entry]
        along = [np.conj(value) / abs(value) * effect.x[AT, number] for effect in effects]
        ours = np.sqrt(sum(variance_of(a, effect) for a, effect in zip(along, effects, strict=True)))
        assert ours == pytest.approx(expected, rel=0.02), entry


def variance_of(along: complex, effect: Effect) -> float:
    """Return the variance of the real part of an input times its effect: half of a circular one's mean square goes into it."""
    spread = effect.size.linear**2 * mean_square(effect.size.kind)
    return float(along.real**2 * spread if effect.size.kind == "real" else abs(along) ** 2 * spread / 2)


def test_the_gain_is_the_derivative_of_the_solution() -> None:
    """Each reading moved a little, the estimator solved again: complex finite differences."""
    chain, readings, found = chain_of(two_path=False)
    gain = gain_of(found)
    for number, reading in enumerate(readings):
        step = 1e-7
        moved = [
            Reading(one.sweep, one.trace, one.out, one.into, one.gamma, one.bound, one.values + (step if one is reading else 0))
            for one in readings
        ]
        slope = (vector_of(estimate(GRID, moved, found.sigma).s) - vector_of(found.s)) / step
        assert np.max(np.abs(slope - gain.x[:, :, number])) < 1e-4 * np.max(np.abs(gain.x))
    assert chain.scene.value.shape == (GRID.size, len(readings))


def test_removal_slopes_are_those_of_finite_differences() -> None:
    bare = random_unit(3)
    adapters: dict[str, AdapterModel] = {
        "line in": DelayAndLoss(60e-12, 0.1),
        "sample": np.asarray(_two_port(), dtype=np.complex128),
    }
    outside = _with_adapters(bare, adapters)
    slopes = removal_slopes(bare, adapters, GRID)
    for entry in range(6):
        shift = np.zeros(6, dtype=complex)
        shift[entry] = 1e-6
        moved = vector_of(remove_adapters(outside + matrix_of(shift), adapters, GRID))
        assert np.max(np.abs((moved - vector_of(bare)) / 1e-6 - slopes[:, :, entry])) < 1e-4


def _two_port() -> np.ndarray:
    s = np.zeros((GRID.size, 2, 2), dtype=complex)
    s[:, 0, 0], s[:, 1, 1], s[:, 0, 1], s[:, 1, 0] = 0.05, 0.04j, 0.98, 0.98
    return s


def _with_adapters(bare: np.ndarray, adapters: dict[str, AdapterModel]) -> np.ndarray:
    """Return the unit with adapters, so that taking them off gives it back: by a few Newton steps of the removal itself."""
    whole = bare.copy()
    for _ in range(30):
        whole = whole + (bare - remove_adapters(whole, adapters, GRID))
    assert np.max(np.abs(remove_adapters(whole, adapters, GRID) - bare)) < 1e-9
    return whole


@pytest.mark.parametrize("entry", range(6))
def test_what_is_left_of_an_adapter_is_a_small_reflection_on_its_port(entry: int) -> None:
    """A two-port of reflection ρ on both sides in cascade, by scikit-rf, against its linear effect."""
    from skrf.network import Network, connect

    chain, _, found = chain_of(two_path=True)
    rho = 1e-5
    changed = Chain(chain.scene, found, found.s, chain.terminations, {}, SIZES.model_copy(update={"adapters": {"sample": -40.0}}))
    effect = next(one for one in changed.effects() if one.group == "adapter at sample")
    small = np.zeros((GRID.size, 2, 2), dtype=complex)
    small[:, 0, 0] = small[:, 1, 1] = rho
    small[:, 0, 1] = small[:, 1, 0] = np.sqrt(1 - rho**2)
    unit = Network(f=GRID, f_unit="Hz", s=found.s, z0=50)
    seen = np.asarray(connect(unit, 2, Network(f=GRID, f_unit="Hz", s=small, z0=50), 1).s)
    difference = (vector_of(seen) - vector_of(found.s))[:, entry] / rho
    assert np.max(np.abs(difference - effect.x[:, entry])) < 1e-4
    assert effect.size.linear == pytest.approx(0.01)
    assert effect.size.kind == "disc"


CASES: list[tuple[str, Callable[[float], float]]] = [
    ("normal", lambda size: 2 * (size / 2.4477) ** 2),
    ("disc", lambda size: size**2 / 2),
]


@pytest.mark.parametrize(("kind", "expected"), CASES)
def test_mean_squares_of_the_kinds(kind: str, expected: Callable[[float], float]) -> None:
    """Rayleigh: mean square 2σ², 95 % point sqrt(−2·ln 0.05)·σ = 2.4477σ. Even in a disc: half of the radius squared."""
    assert 0.3**2 * mean_square(kind) == pytest.approx(expected(0.3), rel=1e-4)
