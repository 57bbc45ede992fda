"""The builds that a search tries: cores, stacks, arrangements and turns whose ideal-core coupling lies near the wish."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from harness.sampler.closed_form import ideal_coupling_db
from harness.sampler.design.fit import Choice, choose
from harness.sampler.design.pads import E24, BuiltPad, e24_pi, series_for, wished_pad
from harness.sampler.design.parts import Parts
from harness.sampler.design.result import Build
from harness.sampler.design.wish import KINDS, DesignWish, Kind

STACKS = (1, 2, 3)
PADDED_TURNS = (5, 8, 10, 12, 16, 20, 25, 32)
PAD_RANGE_DB = (1.0, 30.0)
LOW_LOAD_TURNS = (5, 40)
MOST_LOW_LOAD = 40.0
"""Ω; above it a value across the winding is no low-value load."""
LEAST_CASCADED = 5
"""Turns of each winding in cascade at the least."""


class Wound(NamedTuple):
    """Turns and resistors of one arrangement, before core, wire and line are chosen."""

    kind: Kind
    turns: int
    pad: BuiltPad | None = None
    shunt_ohm: float | None = None
    second_turns: int | None = None


def candidates(wish: DesignWish, parts: Parts) -> Iterator[tuple[Build, Choice]]:
    """Yield every build that the wish leaves open, with the wire and line chosen for it; a named core is not stacked unasked."""
    cores = (wish.core,) if wish.core is not None else parts.core_names()
    stacks = STACKS if wish.stack is None and wish.core is None else (wish.stack or 1,)
    wound = list(arrangements(wish))
    for core in cores:
        for one in wound:
            turns = (one.turns,) if one.second_turns is None else (one.turns, one.second_turns)
            choice = choose(wish, parts, core, turns)
            for stack in stacks:
                yield as_build(wish, one, core, stack, choice), choice


def as_build(wish: DesignWish, one: Wound, core: str, stack: int, choice: Choice) -> Build:
    """Return the build of an arrangement on a core with this wire and line."""
    series = None
    if one.shunt_ohm is not None:
        series = wish.series_ohm if wish.series_ohm is not None else series_for(one.shunt_ohm)
    return Build(
        kind=one.kind,
        turns=one.turns,
        core=core,
        stack=stack,
        wire_awg=choice.wire_awg,
        line=choice.line,
        termination=wish.termination,
        internal_ohm=wish.internal_ohm if wish.termination == "internal" else None,
        pad=None if one.pad is None else one.pad.pad,
        pad_db=None if one.pad is None else one.pad.attenuation_db,
        shunt_ohm=one.shunt_ohm,
        series_ohm=series,
        second_turns=one.second_turns,
        second_core=None if one.second_turns is None else wish.second_core or core,
        line_connectors=wish.line_connectors,
        sample_connector=wish.sample_connector,
    )


def arrangements(wish: DesignWish) -> Iterator[Wound]:
    """Yield arrangements of every kind that the wish allows."""
    makers = {
        "bare winding": _bare,
        "winding and pad": _padded,
        "low-value load": _low_value,
        "two windings": _cascaded,
    }
    kinds = KINDS if wish.wished_kind is None else (wish.wished_kind,)
    for kind in kinds:
        yield from makers[kind](wish)


def _parallel(wish: DesignWish, ohm: float) -> float:
    return ohm if wish.termination == "external" else ohm * wish.internal_ohm / (ohm + wish.internal_ohm)


def _near(turns: float) -> tuple[int, ...]:
    """Return the whole numbers either side; at least one turn."""
    return tuple(sorted({max(1, math.floor(turns)), max(1, math.ceil(turns))}))


def turns_for_load(coupling_db: float, load_ohm: float) -> float:
    """Return the turns, not rounded, that give this coupling with an ideal core and this load on the winding.

    From S31 = Z_s·N/Z0·S21 with Z_s = R/N²: N² − N·(R/Z0)·10^(C/20) + R/(2·Z0) = 0, the larger root.
    """
    half = load_ohm / 50.0 * 10 ** (coupling_db / 20) / 2
    inside = half * half - load_ohm / 100.0
    return half + math.sqrt(inside) if inside > 0 else half


def _bare(wish: DesignWish) -> Iterator[Wound]:
    wanted = (wish.turns,) if wish.turns is not None else _near(turns_for_load(wish.coupling_db, _parallel(wish, 50.0)))
    yield from (Wound("bare winding", turns) for turns in wanted)


def _padded(wish: DesignWish) -> Iterator[Wound]:
    if wish.pad_db is not None:
        built = wished_pad(wish.pad_db)
        load = _parallel(wish, built.input_ohm)
        free = _near(turns_for_load(max(wish.coupling_db - built.attenuation_db, 0.1), load))
        yield from (Wound("winding and pad", turns, built) for turns in ((wish.turns,) if wish.turns else free))
        return
    tried = (wish.turns,) if wish.turns is not None else PADDED_TURNS
    missing = [(turns, wish.coupling_db - ideal_coupling_db(turns, _parallel(wish, 50.0))) for turns in tried]
    low, high = PAD_RANGE_DB
    found = [(turns, pad) for turns, pad in missing if low <= pad <= high]
    if not found:  # nothing is in range: the nearest is judged all the same, and its reasons tell
        turns, pad = min(missing, key=lambda pair: abs(pair[1] - min(max(pair[1], low), high)))
        found = [(turns, min(max(pad, low), high))]
    yield from (Wound("winding and pad", turns, e24_pi(round(pad, 2))) for turns, pad in found)


def _low_value(wish: DesignWish) -> Iterator[Wound]:
    """Yield low values across the winding: with R across it and 50 − R in series the port gets I/N·R/2."""
    ratio = 10 ** (wish.coupling_db / 20)
    if wish.shunt_ohm is not None:
        values = [wish.shunt_ohm]
    else:
        values = [value * decade for decade in (1.0, 10.0) for value in E24 if value * decade <= MOST_LOW_LOAD]
    found = []
    for ohm in values:
        series = wish.series_ohm if wish.series_ohm is not None else series_for(ohm)
        seen = _parallel(wish, ohm * (series + 50) / (ohm + series + 50))
        volts = seen * 50 / (series + 50)  # at the port, for one ampere in the winding
        exact = ratio * volts / 50
        turns = wish.turns if wish.turns is not None else max(1, round(exact))
        found.append((abs(20 * math.log10(turns / exact)), Wound("low-value load", turns, shunt_ohm=float(f"{ohm:.3g}"))))
    if wish.shunt_ohm is None and wish.turns is None:
        found = [one for one in found if LOW_LOAD_TURNS[0] <= one[1].turns <= LOW_LOAD_TURNS[1]] or found[-1:]
    yield from (one for _, one in sorted(found, key=lambda pair: pair[0])[:8])


def _cascaded(wish: DesignWish) -> Iterator[Wound]:
    product = 10 ** (wish.coupling_db / 20) * _parallel(wish, 50.0) / 50
    middle = round(math.sqrt(product))
    firsts = (wish.turns,) if wish.turns is not None else range(max(LEAST_CASCADED, middle - 4), max(LEAST_CASCADED, middle) + 5)
    found = []
    for turns in firsts:
        second = wish.second_turns if wish.second_turns is not None else max(1, round(product / turns))
        found.append((abs(math.log(turns * second / product)), Wound("two windings", turns, second_turns=second)))
    free = wish.turns is None and wish.second_turns is None
    if free:
        found = [one for one in found if (one[1].second_turns or 0) >= LEAST_CASCADED] or found[:1]
    yield from (one for _, one in sorted(found, key=lambda pair: pair[0])[:4])


__all__ = ["Wound", "arrangements", "as_build", "candidates", "turns_for_load"]
