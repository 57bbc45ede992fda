"""Which line of a spectrum is what: carrier, tone, harmonic, intermodulation product, or none of them.

With one carrier f a harmonic stands at n·f. With two tones f1 < f2 a product stands at a·f1 + b·f2; its order is abs(a) + abs(b).
Those with a + b = 1 stand beside the tones (2·f1 − f2 is of third order); those with a + b = n in the zone of the n-th harmonic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from harness.errors import DataError
from harness.quantities import show_frequency

Kind = Literal["carrier", "harmonic", "intermodulation", "other"]

OFF_SHARE = 2e-3
"""How far a harmonic of one carrier may be listed off its place, as a share of its frequency."""
OFF_SPACING = 0.2
"""How far a product of two tones may be listed off its place, as a share of the tones' spacing."""
TONES_WITHIN_DB = 6.0
"""Two lines this near in level, and within MOST_SPACING, are two tones and no carrier with a spurious line."""
MOST_SPACING = 0.02
"""The most spacing of two tones, as a share of their frequency."""
MOST_HARMONIC = 60
MOST_BESIDE = 15
"""Highest order of products beside the tones that is named."""
FIRST = ("zeroth", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth")


@dataclass(frozen=True)
class Product:
    """What a line is. ``zone``: the harmonic in whose zone it stands (1: beside the carrier; 0: none). ``order``: a product's."""

    kind: Kind
    zone: int = 0
    order: int = 0

    @property
    def says(self) -> str:
        """In words."""
        if self.kind == "harmonic":
            return f"{nth(self.zone)} harmonic"
        if self.kind == "intermodulation":
            place = "" if self.zone == 1 else f", by the {nth(self.zone)} harmonic"
            return f"intermodulation, {nth(self.order)} order{place}"
        return "carrier" if self.kind == "carrier" else "no harmonic, no product"


def nth(number: int) -> str:
    """Return "second", "12th"."""
    return FIRST[number] if number < len(FIRST) else f"{number}{_ending(number)}"


def _ending(number: int) -> str:
    return "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")


def carriers_of(hz: Sequence[float], dbm: Sequence[float], named: Sequence[float] = ()) -> tuple[int, ...]:
    """Return which lines are the carrier or the two tones, the lower first.

    ``named``: their frequencies if they were said; else the strongest line, with another near it in level and frequency.
    DataError: a named one is not among the lines, or more than two are named.
    """
    if named:
        if len(named) > 2:
            raise DataError(f"{len(named)} carriers are named; one, or two tones, can be", hint="Name one or two.")
        found = [min(range(len(hz)), key=lambda at, want=want: abs(hz[at] - want)) for want in named]  # type: ignore[misc]
        for at, want in zip(found, named, strict=True):
            if abs(hz[at] - want) > OFF_SHARE * want:
                raise DataError(f"no line stands at {show_frequency(want)}", hint="Name a carrier as it stands in the list.")
        if len(set(found)) != len(found):
            raise DataError("both named carriers are one line of the list", hint="Name each as it stands in the list.")
        return tuple(sorted(found, key=lambda at: hz[at]))
    order = sorted(range(len(hz)), key=lambda at: -dbm[at])
    first = order[0]
    for other in order[1:2]:
        if dbm[first] - dbm[other] <= TONES_WITHIN_DB and abs(hz[other] - hz[first]) <= MOST_SPACING * hz[first]:
            return tuple(sorted((first, other), key=lambda at: hz[at]))
    return (first,)


def product_of(hz: float, carriers: Sequence[float]) -> Product:
    """Return what a line at ``hz`` is for one carrier or two tones in Hz."""
    if len(carriers) == 1:
        zone = round(hz / carriers[0])
        near = abs(hz - zone * carriers[0]) <= OFF_SHARE * hz
        return Product("harmonic", zone) if 2 <= zone <= MOST_HARMONIC and near else Product("other")
    low, high = carriers
    spacing, middle = high - low, (low + high) / 2
    zone = round(hz / middle)
    if not 0 <= zone <= MOST_HARMONIC:
        return Product("other")
    # a·f1 + b·f2 with a + b = zone stands at zone·f1 + b·spacing
    steps = (hz - zone * low) / spacing
    b = round(steps)
    order = abs(zone - b) + abs(b)
    if abs(steps - b) > OFF_SPACING or order > max(MOST_BESIDE, zone) + zone or order < 2:
        return Product("other")
    if 0 in (b, zone - b):
        return Product("harmonic", zone)
    return Product("intermodulation", zone, order)
