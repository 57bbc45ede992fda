"""What a scene shows, against scikit-rf's connections; and that every mistake of a simulated hand is among the scenes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from skrf.frequency import Frequency
from skrf.network import Network, connect

from drivers.simulated.mistakes import Made, make
from harness.analysis.guard.reading import Around, attach, line, read, series_and_shunt
from harness.analysis.guard.scenes import Scene, intended, mistakes
from harness.analysis.readings import UNIT_HOOKUPS
from harness.records.hookup import UNIT_PORTS
from tests.guard_runs import HOOKUPS, possible

Complex = NDArray[np.complex128]
GRID = np.linspace(1e6, 100e6, 7)
AXIS = Frequency.from_f(GRID, unit="hz")
RNG = np.random.default_rng(5)


def passive(ports: int) -> Complex:
    """Return a random reciprocal S of magnitudes well below one."""
    s = RNG.normal(size=(GRID.size, ports, ports)) + 1j * RNG.normal(size=(GRID.size, ports, ports))
    return np.asarray(0.1 * (s + np.swapaxes(s, 1, 2)), dtype=np.complex128)


def network(s: Complex) -> Network:
    return Network(frequency=AXIS, s=s if s.ndim == 3 else s[:, None, None])


UNIT = passive(3)
LOADS = {"A": 0.05 * np.exp(1j * GRID / 2e7), "B": 0.03j * np.ones(GRID.size)}
RECEIVER = 0.1 * np.exp(-1j * GRID / 3e7)
AROUND = Around(GRID, LOADS, RECEIVER, np.exp(-2j * np.pi * GRID * 1e-10))
NOTHING = np.zeros(0)
OPEN = np.ones(GRID.size, dtype=np.complex128)


def terminated(ends: dict[int, Complex]) -> Complex:
    """Return the unit with these of its ports terminated, by scikit-rf, highest port first."""
    found = network(UNIT)
    for port in sorted(ends, reverse=True):
        found = connect(found, port, network(ends[port]), 0)
    return np.asarray(found.s)


@pytest.mark.parametrize("name", ["coupled", "line", "coupled-far"])
def test_the_intended_hook_up_is_read_as_scikit_rf_connects_it(name: str) -> None:
    ports = UNIT_HOOKUPS[name]
    assert ports.received is not None
    (free,) = ports.loads
    whole = terminated({free: LOADS["A"], ports.received: RECEIVER})[:, 0, 0]
    two = terminated({free: LOADS["A"]})
    order = sorted((ports.driven, ports.received))
    d, r = order.index(ports.driven), order.index(ports.received)
    seen = read(intended(name), UNIT, AROUND, ("s11", "s21"), NOTHING)
    assert seen[0] == pytest.approx(whole, abs=1e-12)
    assert seen[1] == pytest.approx(two[:, r, d] / (1 - two[:, r, r] * RECEIVER), abs=1e-12)
    full = read(intended(name), UNIT, AROUND, ("s11", "s21", "s12", "s22"), NOTHING)
    assert full == pytest.approx(np.stack([two[:, d, d], two[:, r, d], two[:, d, r], two[:, r, r]]), abs=1e-12)


def test_the_sample_port_is_read_as_scikit_rf_connects_it() -> None:
    seen = read(intended("sample"), UNIT, AROUND, ("s11",), NOTHING)
    assert seen[0] == pytest.approx(terminated({0: LOADS["A"], 1: LOADS["B"]})[:, 0, 0], abs=1e-12)


def test_a_connector_with_nothing_on_it_is_open() -> None:
    scene = next(scene for scene in mistakes("coupled") if scene.mistake == "load forgotten")
    seen = read(scene, UNIT, AROUND, ("s11",), NOTHING)
    assert scene.on == ("1", None, "2")
    assert seen[0] == pytest.approx(terminated({1: OPEN, 2: RECEIVER})[:, 0, 0], abs=1e-12)


def test_a_cable_that_hangs_free_receives_nothing_and_sees_an_open() -> None:
    scene = next(scene for scene in mistakes("line") if scene.mistake == "cable off")
    seen = read(scene, UNIT, AROUND, ("s11", "s21", "s12", "s22"), NOTHING)
    assert seen[0] == pytest.approx(terminated({1: OPEN, 2: LOADS["A"]})[:, 0, 0], abs=1e-12)
    assert not seen[1].any()
    assert seen[3] == pytest.approx(OPEN)


@pytest.mark.parametrize("port", [0, 1, 2])
def test_what_sits_on_a_connector_is_cascaded_as_scikit_rf_does(port: int) -> None:
    x = passive(2)
    wanted = connect(network(UNIT), port, network(x), 1).s  # a two-port's other end takes the place of the port it is put on
    assert attach(UNIT, port, x) == pytest.approx(np.asarray(wanted), abs=1e-12)


def test_line_series_and_shunt_are_scikit_rf_s() -> None:
    from skrf.media import DefinedGammaZ0

    media = DefinedGammaZ0(AXIS, gamma=2j * np.pi * GRID / 3e8, z0=50.0)
    shunt, series = media.shunt(media.resistor(50.0) ** media.short()), media.inductor(8e-9)
    made = series_and_shunt(2j * np.pi * GRID * 8e-9, np.full(GRID.size, 0.02, dtype=np.complex128))
    assert made == pytest.approx(np.asarray((shunt**series).s), abs=1e-9)
    other = DefinedGammaZ0(AXIS, gamma=2j * np.pi * GRID / 3e8, z0=38.0, z0_port=50.0)
    wanted = other.line(0.036, "m").s
    assert line(GRID, np.array(1.2e-10), np.array(38 / 50)) == pytest.approx(np.asarray(wanted), abs=1e-9)


def test_without_the_unit_the_cables_see_each_other_a_load_or_nothing() -> None:
    by_name = {scene.joined: scene for scene in mistakes("coupled") if scene.joined != "unit"}
    traces = ("s11", "s21", "s12", "s22")
    assert np.abs(read(by_name["thru"], UNIT, AROUND, traces, NOTHING)) == pytest.approx(
        np.array([0, 1, 1, 0])[:, None] * np.ones(GRID.size)
    )
    assert read(by_name["nothing"], UNIT, AROUND, traces, NOTHING) == pytest.approx(
        np.array([1, 0, 0, 1])[:, None] * np.ones(GRID.size)
    )
    assert read(by_name["load"], UNIT, AROUND, traces, NOTHING)[0] == pytest.approx(LOADS["A"])


THINGS = {"analyser 1": "1", "analyser 2": "2", "load A": "A", "load B": "B"}
EXTRAS = {"adapter": "cable", "loose": "loose", "tee load": "tee"}


def scene_of(made: Made, right: Scene) -> tuple[object, ...]:
    """Return what a hand made as the (on, joined, extra, where) of a scene."""
    if not made.joins:
        return ((None, None, None), "nothing", None, 0)
    if any(join.through for join in made.joins):
        return ((None, None, None), "thru", None, 0)
    on: list[str | None] = [None, None, None]
    for join in made.joins:
        one, other = (join.one, join.other) if join.other in UNIT_PORTS else (join.other, join.one)
        if other in UNIT_PORTS and one in THINGS:
            on[UNIT_PORTS.index(other)] = THINGS[one]
    where, extra = 0, None
    for end, what in made.extras:
        extra = EXTRAS[what]
        where = UNIT_PORTS.index(end) if end in UNIT_PORTS else on.index(THINGS[end])
    return (tuple(on), "unit", extra, where)


@pytest.mark.parametrize("hookup", HOOKUPS, ids=lambda hookup: hookup.name)
def test_every_mistake_that_the_hand_can_make_is_among_the_scenes(hookup) -> None:  # type: ignore[no-untyped-def]
    """But those that end where the unit has no connector, and two loads exchanged, which nothing shows."""
    right = intended(hookup.name)
    scenes = {(scene.on, scene.joined, scene.extra, scene.extra_on) for scene in mistakes(hookup.name)}
    for mistake in possible(hookup):
        if mistake == "standard measured twice":
            continue
        made = make(hookup, mistake, Made(()))
        if "analyser 2" in str(made.joins) and hookup.name == "sample":
            continue
        found = scene_of(made, right)
        swapped = tuple({"A": "B", "B": "A"}.get(str(thing), thing) for thing in found[0])  # type: ignore[attr-defined]
        either = {found, (swapped, *found[1:])}
        assert either & scenes or right.on in (found[0], swapped), mistake


@pytest.mark.parametrize("name", list(UNIT_HOOKUPS))
def test_no_mistake_is_the_intended_hook_up_and_none_stands_twice(name: str) -> None:
    found = mistakes(name)
    keys = [(scene.on, scene.joined, scene.extra, scene.extra_on) for scene in found]
    assert len(set(keys)) == len(keys)
    assert all(scene.mistake and scene.says for scene in found)
    assert intended(name).on not in [scene.on for scene in found if scene.extra is None and scene.joined == "unit"]
