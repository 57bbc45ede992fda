"""Scattering algebra, standards, loads and connectors of the simulated bench, against scikit-rf."""

from __future__ import annotations

import numpy as np
import pytest
from skrf.circuit import Circuit
from skrf.frequency import Frequency
from skrf.media import DefinedGammaZ0
from skrf.network import Network

from drivers.simulated.algebra import Part, line, one_port, seen_from, series_and_shunt
from drivers.simulated.error_terms import ErrorTerms
from drivers.simulated.parts import (
    adapter_line,
    draw_contact,
    draw_load,
    draws,
    loose_contact,
    standard_reflection,
    stray_adapter,
    tee_load,
)
from harness.records import Adapter
from tests.simulated_texts import bench_of

F = np.linspace(1e6, 100e6, 51)
LIGHT = 299792458.0


def random_s(rng: np.random.Generator, ports: int) -> np.ndarray:
    """Return random lossy S-matrices, shape (F, n, n), that differ at each frequency."""
    s = rng.normal(size=(F.size, ports, ports)) + 1j * rng.normal(size=(F.size, ports, ports))
    return 0.8 * s / np.linalg.norm(s, ord=2, axis=(1, 2))[:, None, None]


def media() -> DefinedGammaZ0:
    frequency = Frequency.from_f(F, unit="hz")
    return DefinedGammaZ0(frequency, z0=50, gamma=1j * 2 * np.pi * F / LIGHT)


def network(s: np.ndarray, name: str) -> Network:
    return Network(frequency=Frequency.from_f(F, unit="hz"), s=s, z0=50, name=name)


def test_algebra_against_the_circuit_of_scikit_rf() -> None:
    rng = np.random.default_rng(5)
    unit, cable, adapter = random_s(rng, 3), random_s(rng, 2), random_s(rng, 2)
    load = random_s(rng, 1)[:, 0, 0]
    parts = [
        Part(unit, ("in", "out", "sample")),
        Part(cable, ("cable 1", "cable 2")),
        Part(adapter, ("adapter 1", "adapter 2")),
        one_port(load, "load"),
    ]
    joins = [("cable 2", "in"), ("out", "adapter 1"), ("adapter 2", "load")]
    found = seen_from(parts, joins, ["cable 1", "sample"])

    frequency = Frequency.from_f(F, unit="hz")
    one, two = Circuit.Port(frequency, "one", z0=50), Circuit.Port(frequency, "two", z0=50)
    u, c, a, end = (
        network(unit, "u"),
        network(cable, "c"),
        network(adapter, "a"),
        network(load[:, None, None], "l"),
    )
    expected = Circuit([[(one, 0), (c, 0)], [(c, 1), (u, 0)], [(u, 1), (a, 0)], [(a, 1), (end, 0)], [(u, 2), (two, 0)]])
    np.testing.assert_allclose(found, expected.s_external, atol=1e-12)


def test_an_open_port_reflects_everything() -> None:
    rng = np.random.default_rng(6)
    two_port = random_s(rng, 2)
    found = seen_from([Part(two_port, ("near", "far"))], [], ["near"])
    expected = network(two_port, "t") ** media().open()
    np.testing.assert_allclose(found, expected.s, atol=1e-12)


def test_cascade_of_line_and_lumped_parts_against_scikit_rf() -> None:
    m = media()
    found = seen_from(
        [
            Part(line(F, 150e-12), ("a", "b")),
            Part(series_and_shunt(2.0 + 2j * np.pi * F * 3e-9, np.zeros(F.size, dtype=complex)), ("c", "d")),
        ],
        [("b", "c")],
        ["a", "d"],
    )
    expected = m.line(150e-12 * LIGHT, unit="m") ** m.resistor(2.0) ** m.inductor(3e-9)
    np.testing.assert_allclose(found, expected.s, atol=1e-12)


def test_line_of_another_impedance_against_scikit_rf() -> None:
    frequency = Frequency.from_f(F, unit="hz")
    other = DefinedGammaZ0(frequency, z0=38.0, z0_port=50.0, gamma=1j * 2 * np.pi * F / LIGHT)
    expected = other.line(120e-12 * LIGHT, unit="m")
    np.testing.assert_allclose(stray_adapter(F), expected.s, atol=1e-12)


@pytest.mark.parametrize("kind", ["short", "open", "load"])
def test_standards_follow_their_models(kind: str) -> None:
    m = media()
    models = bench_of().standards
    ends = {
        "short": m.line(4e-12 * LIGHT, unit="m") ** m.inductor(60e-12) ** m.short(),
        "open": m.line(5e-12 * LIGHT, unit="m") ** m.shunt_capacitor(70e-15) ** m.open(),
        "load": m.resistor(50.3) ** m.inductor(40e-12) ** m.short(),
    }
    np.testing.assert_allclose(standard_reflection(kind, models, F), ends[kind].s[:, 0, 0], atol=1e-12)


def test_a_tee_load_is_fifty_ohms_across_the_line() -> None:
    expected = media().shunt(media().resistor(50.0) ** media().short())
    np.testing.assert_allclose(tee_load(F), expected.s, atol=1e-12)


def test_loads_are_near_their_return_loss_smooth_and_different() -> None:
    seen = []
    for name in ("A", "B", "C", "D"):
        gamma = draw_load(3, name, 32.0, 100e6).reflection(F)
        db = -20 * np.log10(np.abs(gamma))
        assert np.all(np.abs(db - 32.0) < 2.0)
        assert np.max(np.abs(np.diff(gamma))) < 0.02 * 10 ** (-32 / 20)
        seen.append(gamma)
    assert all(np.max(np.abs(a - b)) > 1e-4 for i, a in enumerate(seen) for b in seen[:i])


def test_connectors_vary_as_much_as_said_and_are_passive() -> None:
    rng = draws(1, "test")
    made = [draw_contact(rng, -66.0, 100e6).s(F) for _ in range(400)]
    reflections = np.array([s[:, 0, 0] for s in made])
    size = np.sqrt(np.mean(np.abs(reflections) ** 2, axis=0))
    assert 20 * np.log10(size[-1]) == pytest.approx(-66.0, abs=1.0)
    assert size[0] < 0.2 * size[-1]
    phases = np.array([np.angle(s[-1, 1, 0]) for s in made])
    assert 20 * np.log10(np.std(phases)) == pytest.approx(-66.0, abs=1.0)
    for s in (*made, loose_contact(rng).s(F)):
        assert np.max(np.linalg.norm(s, ord=2, axis=(1, 2))) <= 1 + 1e-12


@pytest.mark.parametrize("delay", ["60 ps", None])
def test_an_adapter_stays_inside_its_return_loss(delay: str | None) -> None:
    text = {"cable": "BNC", "unit": "UHF", "return_loss": "40 dB"} | ({"delay": delay} if delay else {})
    adapter = Adapter.model_validate(text)
    sizes = []
    for number in range(20):
        s = adapter_line(adapter, draws(number, "adapter"), F, 100e6)
        sizes.append(np.max(np.abs(s[:, 0, 0])))
        assert -np.angle(s[-1, 1, 0]) == pytest.approx(2 * np.pi * 100e6 * (60e-12 if delay else 30e-12), rel=0.35)
    assert 0.25 * 0.01 < min(sizes) <= max(sizes) < 0.01


def test_error_terms_drift_with_the_root_of_time() -> None:
    def moved(seconds: float, name: str) -> float:
        total = []
        for seed in range(150):
            terms = ErrorTerms(seed, "", -70.0)
            before = getattr(terms.port(1, F), name)
            terms.advance(seconds)
            after = getattr(terms.port(1, F), name)
            relative = (after - before) / (before if name == "reflection_tracking" else 1.0)
            total.append(np.mean(np.abs(relative) ** 2))
        return float(20 * np.log10(np.sqrt(np.mean(total))))

    for name in ("directivity", "match", "reflection_tracking"):
        assert moved(3600.0, name) == pytest.approx(-70.0, abs=1.0)
    assert moved(36.0, "directivity") == pytest.approx(-90.0, abs=1.0)
