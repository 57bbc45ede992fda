"""Adapters on and off again: scikit-rf puts them on, the program takes them off."""

import numpy as np
import pytest

from harness.analysis import AdapterModel, DelayAndLoss, evaluate, remove_adapters
from harness.errors import DataError
from tests.analysis_bench import GRID, POINTS, ideal_unit, known, phasor, random_unit, sweeps_of, type_of

PORTS = ("line in", "line out", "sample")


def random_adapter(seed: int) -> np.ndarray:
    """Return a passive, not symmetric two-port that lets most through."""
    rng = np.random.default_rng(seed)
    s = 0.1 * (rng.normal(size=(POINTS, 2, 2)) + 1j * rng.normal(size=(POINTS, 2, 2)))
    s[:, 0, 1] = 0.9 * np.exp(-2j * np.pi * GRID * 1e-10)
    s[:, 1, 0] = 0.8 * np.exp(-2j * np.pi * GRID * 1e-10)
    return np.asarray(s)


def put_on(unit: np.ndarray, adapters: list[np.ndarray]) -> np.ndarray:
    """Return the unit with an adapter on each port, by scikit-rf's connection of two-ports."""
    from skrf.network import Network, connect

    whole = Network(f=GRID, f_unit="Hz", s=unit, z0=50)
    for port, adapter in enumerate(adapters):
        joined = connect(whole, port, Network(f=GRID, f_unit="Hz", s=adapter, z0=50), 1)
        # The library keeps the place of a port behind a two-port; were it otherwise, the tests below would tell nothing.
        assert np.allclose(joined.s[:, port, port], seen_through(adapter, whole.s[:, port, port]))
        whole = joined
    return np.asarray(whole.s)


def seen_through(adapter: np.ndarray, gamma: np.ndarray) -> np.ndarray:
    """Return the reflection at port 1 of a two-port that ends in ``gamma``, the textbook's formula."""
    return np.asarray(adapter[:, 0, 0] + adapter[:, 0, 1] * adapter[:, 1, 0] * gamma / (1 - adapter[:, 1, 1] * gamma))


def test_three_adapters_come_off_again() -> None:
    unit = random_unit(21)
    adapters = [random_adapter(seed) for seed in (1, 2, 3)]
    whole = put_on(unit, adapters)
    assert np.max(np.abs(whole - unit)) > 0.1
    found = remove_adapters(whole, dict(zip(PORTS, adapters, strict=True)), GRID)
    assert np.max(np.abs(found - unit)) < 1e-12


def test_one_adapter_leaves_the_other_ports_alone() -> None:
    unit = random_unit(22)
    through = np.zeros((POINTS, 2, 2), dtype=complex)
    through[:, 0, 1] = through[:, 1, 0] = 1
    whole = put_on(unit, [through, through, random_adapter(4)])
    assert np.max(np.abs(remove_adapters(whole, {"sample": random_adapter(4)}, GRID) - unit)) < 1e-12


def test_delay_and_loss_are_a_matched_line() -> None:
    """Against scikit-rf's ideal line of the same delay; 0.3 dB of loss is a factor 10^(−0.015)."""
    from skrf.frequency import Frequency
    from skrf.media import DefinedGammaZ0

    line = DefinedGammaZ0(Frequency.from_f(GRID, unit="Hz"), gamma=2j * np.pi * GRID / 3e8, z0=50).line(0.3, unit="m")
    assert np.allclose(DelayAndLoss(1e-9).matrix(GRID), line.s, rtol=0, atol=1e-12)
    assert np.allclose(np.abs(DelayAndLoss(1e-9, 0.3).matrix(GRID)[:, 1, 0]), 10**-0.015)


def test_no_adapters_change_nothing() -> None:
    unit = random_unit(23)
    assert remove_adapters(unit, {}, GRID) is unit


def test_loads_at_the_adapters_cable_side_are_taken_where_they_are() -> None:
    """The whole way: unit with adapters measured one-path, loads and receiver at the cable side, the bare unit comes out."""
    unit = ideal_unit(32)
    lines: dict[str, AdapterModel] = {port: DelayAndLoss(60e-12, 0.02) for port in PORTS}
    whole = put_on(unit, [DelayAndLoss(60e-12, 0.02).matrix(GRID)] * 3)
    load_a, load_b, receiver = phasor(30, 1e-9, 0.0), phasor(32, 1e-9, 1.0), phasor(20, 1e-9, 2.0)
    sweeps = sweeps_of(whole, load_a, load_b, receiver)
    found = evaluate(sweeps, type_of(), known(load_a, load_b, receiver), (), lines)
    assert np.max(np.abs(found.three_port.matrix() - unit)) < 1e-11
    assert "adapters removed by calculation at line in, line out and sample" in found.how["unit"]
    left_on = evaluate(sweeps, type_of(), known(load_a, load_b, receiver))
    assert left_on.figures["insertion_loss_db"].value - found.figures["insertion_loss_db"].value == pytest.approx(0.04, abs=1e-6)


@pytest.mark.parametrize(
    ("adapters", "says"),
    [
        ({"antenna": DelayAndLoss(1e-10)}, "an adapter on 'antenna'"),
        ({"sample": np.zeros((5, 2, 2), dtype=complex)}, "two ports at 201 frequencies"),
        ({"sample": np.zeros((POINTS, 2, 2), dtype=complex)}, "lets less than −60 dB through"),
    ],
)
def test_adapters_that_cannot_be_removed_are_refused(adapters: dict[str, AdapterModel], says: str) -> None:
    with pytest.raises(DataError, match=says) as caught:
        remove_adapters(random_unit(1), adapters, GRID)
    assert caught.value.hint
