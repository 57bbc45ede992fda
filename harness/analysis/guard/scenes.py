"""Scenes: what may really be screwed to what, the intended hook-up among it, and the words for each.

Things are named by one letter or digit: "1" and "2" the analyser's cables, "A" and "B" the loads. A scene says which thing sits
on line in, line out and sample; what sits nowhere hangs open, and a connector with nothing on it is open.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import permutations
from typing import Literal

from harness.analysis.readings import UNIT_HOOKUPS
from harness.records.hookup import UNIT_PORTS

On = tuple[str | None, str | None, str | None]
Joined = Literal["unit", "thru", "load", "nothing"]
Extra = Literal["cable", "loose", "tee"]

_THING = {"1": "the cable of analyser 1", "2": "the cable of analyser 2", "A": "load A", "B": "load B"}
SAMPLE = 2


@dataclass(frozen=True)
class Scene:
    """One way of connecting things. ``mistake``: its name, "" for the intended hook-up; ``says``: in words for the operator.

    ``joined``: "unit", or what the analyser's cables see instead of it. ``on``: the thing on each unit connector. ``extra``: what
    sits between the unit's port ``extra_on`` and the thing there. ``only_compared``: can be seen against earlier sweeps only.
    """

    mistake: str
    says: str
    on: On = (None, None, None)
    joined: Joined = "unit"
    extra: Extra | None = None
    extra_on: int = 0

    @property
    def is_hookup(self) -> str | None:
        """The name of the hook-up that this scene would be the right one of, or None."""
        if self.joined != "unit" or self.extra is not None:
            return None
        return next((name for name in UNIT_HOOKUPS if intended(name).on == self.on), None)

    def port(self, thing: str) -> int | None:
        """Return the unit connector that ``thing`` is on, or None."""
        return self.on.index(thing) if thing in self.on else None


def intended(name: str) -> Scene:
    """Return the hook-up as it is asked for. ``name``: one of UNIT_HOOKUPS."""
    ports = UNIT_HOOKUPS[name]
    on: list[str | None] = [None, None, None]
    on[ports.driven] = "1"
    if ports.received is not None:
        on[ports.received] = "2"
    for port, load in ports.loads.items():
        on[port] = load
    return Scene("", f"the hook-up {name}", (on[0], on[1], on[2]))


def mistakes(name: str) -> tuple[Scene, ...]:
    """Return the usual mistakes of a hook-up, the plain ones first."""
    right = intended(name)
    found = [*_without_the_unit(), *_hanging(right), *_elsewhere(right), *_extras(right)]
    kept: dict[tuple[On, Joined, Extra | None, int], Scene] = {}
    for scene in found:
        kept.setdefault((_alike(scene.on, name), scene.joined, scene.extra, scene.extra_on), scene)
    return tuple(scene for key, scene in kept.items() if key != (_alike(right.on, name), "unit", None, 0))


def _alike(on: On, name: str) -> On:
    """Two loads exchanged make no scene of their own."""
    if name != "sample":
        return on
    loads = ["A" if thing == "B" else thing for thing in on]
    return (loads[0], loads[1], loads[2])


def _without_the_unit() -> Iterator[Scene]:
    yield Scene("nothing connected", "nothing is connected: the cables hang open", joined="nothing")
    yield Scene("thru left in", "the thru still joins the two cables; the unit is not connected", joined="thru")
    yield Scene("load on analyser 1", "a load is on the cable of analyser 1, where the unit belongs", joined="load")


def _hanging(right: Scene) -> Iterator[Scene]:
    """Yield the scenes in which one thing, or both loads, hang in the air."""
    things = [thing for thing in right.on if thing is not None]
    for thing in sorted(things, reverse=True):
        port = UNIT_PORTS[right.on.index(thing)]
        if thing in ("A", "B"):
            yield replace(
                right, mistake="load forgotten", says=f"{port} is open: load {thing} is missing", on=_off(right.on, thing)
            )
        elif thing == "2":
            yield replace(
                right, mistake="cable off", says=f"{port} is open: the cable of analyser 2 hangs free", on=_off(right.on, thing)
            )
    if {"A", "B"} <= set(things):
        yield replace(
            right, mistake="load forgotten", says="line in and line out are open: both loads are missing",
            on=_off(_off(right.on, "A"), "B"),
        )  # fmt: skip


def _off(on: On, thing: str) -> On:
    left = [None if each == thing else each for each in on]
    return (left[0], left[1], left[2])


def _orders(on: On) -> list[On]:
    return [(one, two, three) for one, two, three in permutations(on)]


def _elsewhere(right: Scene) -> Iterator[Scene]:
    """Yield all other places of the same things, then those with a load missing as well."""
    for on in _orders(right.on):
        yield Scene(_name_of(right.on, on), _places(on), on)
    for load in ("A", "B"):
        if load in right.on:
            for on in _orders(_off(right.on, load)):
                yield Scene("load forgotten", f"{_places(on)}, and load {load} is missing", on)


def _name_of(right: On, on: On) -> str:
    moved = {port for port in range(3) if right[port] != on[port]}
    swapped = {right[port] for port in moved}
    if moved == {0, 1}:
        return "line in and out swapped"
    if swapped == {"1", "2"}:
        return "analyser ports swapped"
    if len(moved) == 2 and SAMPLE in moved:
        return "sample and line swapped"
    return "connectors mixed up"


def _places(on: On) -> str:
    parts = [f"{_THING[thing]} is on {port}" for thing, port in zip(on, UNIT_PORTS, strict=True) if thing is not None]
    return ", ".join(parts)


def _extras(right: Scene) -> Iterator[Scene]:
    for port, thing in enumerate(right.on):
        where = UNIT_PORTS[port]
        if thing in ("1", "2"):
            yield replace(
                right, mistake="adapter left in", extra="cable", extra_on=port,
                says=f"an adapter or a piece of cable that does not belong there is between {_THING[thing]} and {where}",
            )  # fmt: skip
        if thing is not None:
            yield replace(
                right, mistake="loose connector", extra="loose", extra_on=port,
                says=f"the connection of {_THING[thing]} to {where} is loose, or the connector is not clean",
            )  # fmt: skip
    yield replace(
        right,
        mistake="tee load left on",
        extra="tee",
        extra_on=SAMPLE,
        says="a tee with a 50 Ω load is still on the sample connector",
    )
