"""Hook-ups: what is screwed to what while a sweep runs."""

from __future__ import annotations

from dataclasses import dataclass

ANALYSER_1 = "analyser 1"
ANALYSER_2 = "analyser 2"
LINE_IN = "line in"
LINE_OUT = "line out"
SAMPLE = "sample"
UNIT_PORTS = (LINE_IN, LINE_OUT, SAMPLE)
"""The unit's connectors in the order of its S-matrix."""


@dataclass(frozen=True)
class Join:
    """One connection: the end of something screwed to the end of something else.

    Ends are "analyser 1", "analyser 2", "line in", "line out", "sample", a standard ("short", "open", "load") or a load of
    the bench ("load A"). ``through`` names what sits between, "thru" for the calibration standard.
    """

    one: str
    other: str
    through: str | None = None


@dataclass(frozen=True)
class HookUp:
    """All connections of one sweep. ``name`` is the sweep's name: "coupled", "line", "cal-open", "load-A"."""

    name: str
    joins: tuple[Join, ...]

    def partner(self, end: str) -> str | None:
        """Return what ``end`` is screwed to, or None where it is open."""
        for join in self.joins:
            if end in (join.one, join.other):
                return join.other if join.one == end else join.one
        return None

    def new_since(self, before: HookUp | None) -> tuple[Join, ...]:
        """Return the joins that have to be made, coming from ``before``."""
        return tuple(join for join in self.joins if before is None or join not in before.joins)
