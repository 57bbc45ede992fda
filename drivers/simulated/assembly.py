"""From joins to a two-port: what stands between the analyser's two connectors for a given hook-up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from drivers.simulated.algebra import Complexes, Floats, Part, line, one_port, seen_from
from drivers.simulated.hidden import HiddenErrors
from drivers.simulated.mistakes import Made
from drivers.simulated.parts import Contact, Offset, SimulatedLoad, standard_reflection, stray_adapter, tee_load
from harness.errors import UsageError
from harness.records import ANALYSER_1, ANALYSER_2
from harness.records.bench_file import StandardsEntry
from harness.records.hookup import UNIT_PORTS

STANDARDS = ("short", "open", "load")
OFFSETS = {"offset short": "short", "offset load": "load"}
"""A standard at the far end of the offset, the cable of a characterisation."""
ANALYSER_ENDS = (ANALYSER_1, ANALYSER_2)


@dataclass(frozen=True)
class Things:
    """What can be joined: the standards' models, the loads by name ("A"), and the unit with its adapters, if one is there.

    ``unit``: its three-port, shape (F, 3, 3). ``adapters``: unit connector → two-port, port 1 toward the cable, shape (F, 2, 2).
    ``hidden``: how far the standards are from their models. ``offset``: the cable between analyser and standard.
    """

    standards: StandardsEntry
    loads: Mapping[str, SimulatedLoad]
    unit: Complexes | None = None
    adapters: Mapping[str, Complexes] = field(default_factory=dict)
    hidden: HiddenErrors = field(default_factory=HiddenErrors)
    offset: Offset = field(default_factory=Offset)


def check_ends(made: Made, loads: Mapping[str, SimulatedLoad], unit_is_there: bool) -> None:
    """Raise UsageError for an end that is not on this bench, an end used twice, or a unit that has not been inserted."""
    used = [end for join in made.joins for end in (join.one, join.other)]
    known = (*ANALYSER_ENDS, *UNIT_PORTS, *STANDARDS, *OFFSETS, *(f"load {name}" for name in loads))
    for end in used:
        if end not in known:
            raise UsageError(f"the simulated bench has no {end!r}", hint=f"It has: {', '.join(known)}.")
        if end not in (*STANDARDS, *OFFSETS) and used.count(end) > 1:
            raise UsageError(f"{end!r} stands in two connections of one hook-up", hint="Every connector takes one connection.")
    if not unit_is_there and any(end in UNIT_PORTS for end in used):
        raise UsageError("no unit is on the simulated bench", hint="Insert a unit before its connectors are used.")
    for join in made.joins:
        if join.through not in (None, "thru"):
            raise UsageError(f"the simulated bench has no {join.through!r} to connect through", hint='Only "thru" is there.')


class Assembly:
    """Collects parts and joins for one hook-up and gives the two-port between the analyser's connectors."""

    def __init__(self, things: Things, made: Made, contacts: Mapping[str, Contact], frequency_hz: Floats) -> None:
        self._things = things
        self._f = frequency_hz
        self._contacts = contacts
        self._parts: list[Part] = []
        self._joins: list[tuple[str, str]] = []
        self._extras = dict(made.extras)
        for end in ANALYSER_ENDS:
            self._add(line(frequency_hz, 0.0), f"{end} inside", end)
        if any(end in UNIT_PORTS for join in made.joins for end in (join.one, join.other)):
            self._add_unit()
        for number, join in enumerate(made.joins):
            self._connect(number, join.one, join.other, join.through)

    def two_port(self) -> Complexes:
        """Return the two-port, shape (F, 2, 2)."""
        return seen_from(self._parts, self._joins, [f"{end} inside" for end in ANALYSER_ENDS])

    def _add(self, s: Complexes, *ports: str) -> None:
        self._parts.append(Part(s, ports))

    def _add_unit(self) -> None:
        unit = self._things.unit
        if unit is None:
            raise UsageError("no unit is on the simulated bench", hint="Insert a unit before its connectors are used.")
        bare = tuple(end if end not in self._things.adapters else f"{end} bare" for end in UNIT_PORTS)
        self._add(unit, *bare)
        for end, adapter in self._things.adapters.items():
            self._add(adapter, end, f"{end} adapter")
            self._joined(f"{end} adapter", f"{end} bare", f"inner {end}")

    def _joined(self, one: str, other: str, key: str) -> None:
        """Join two ports, with the connector's own deviation between them where it has one."""
        contact = self._contacts.get(key)
        if contact is None:
            self._joins.append((one, other))
            return
        ends = (f"{key} contact 1", f"{key} contact 2")
        self._add(contact.s(self._f), *ends)
        self._joins += [(one, ends[0]), (ends[1], other)]

    def _connect(self, number: int, one: str, other: str, through: str | None) -> None:
        first, second = self._tip(number, one), self._tip(number, other)
        if through is None:
            self._joined(first, second, join_key(one, other, 1))
            return
        thru = self._things.standards.thru
        real = self._things.hidden.thru(line(self._f, thru.delay, thru.loss), self._f)
        self._add(real, f"thru {number} 1", f"thru {number} 2")
        self._joined(first, f"thru {number} 1", join_key(one, other, 1))
        self._joined(f"thru {number} 2", second, join_key(one, other, 2))

    def _standard(self, kind: str, port: str) -> str:
        modelled = standard_reflection(kind, self._things.standards, self._f)
        self._parts.append(one_port(modelled + self._things.hidden.standard(kind, self._f), port))
        return port

    def _tip(self, number: int, end: str) -> str:
        """Return the port to join for an end: standards and loads are added here, misplaced things sit on the end."""
        port = end
        if end in STANDARDS:
            port = self._standard(end, f"{end} at {number}")
        elif end in OFFSETS:
            port, inner = f"{end} at {number}", f"{end} inner {number}"
            self._add(self._things.offset.s(self._f), port, inner)
            self._joined(inner, self._standard(OFFSETS[end], f"{end} end {number}"), f"inner of {end}")
        elif end.startswith("load "):
            self._parts.append(one_port(self._things.loads[end.removeprefix("load ")].reflection(self._f), port))
        extra = self._extras.get(end)
        if extra is None:
            return port
        if extra == "loose":
            two_port = self._contacts[f"loose {end}"].s(self._f)
        else:
            two_port = tee_load(self._f) if extra == "tee load" else stray_adapter(self._f)
        self._add(two_port, f"{end} extra 1", f"{end} extra 2")
        self._joins.append((port, f"{end} extra 1"))
        return f"{end} extra 2"


def join_key(one: str, other: str, number: int) -> str:
    """Return the name of a join's connector (1, or 2 at the far end of a thru)."""
    return f"{one} – {other} {number}"
