"""What to change on the next batch, with the effect that the closed form predicts."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import stats

from harness.records import SamplerType
from harness.sampler.closed_form import ideal_coupling_db, winding_load

REACH = 12
"""Turns more or less that are looked at."""


@dataclass(frozen=True)
class Advice:
    """``turns`` to wind next time (None: the closed form does not hold for this build), the change of coupling they make in dB,
    the mean then to be expected, the 95 % prediction interval of the next unit, and whether the data are enough to say so.
    """

    turns_now: int
    turns: int | None
    change_db: float
    mean_db: float
    interval_db: tuple[float, float] | None
    off_target_db: float
    sure: bool
    says: str


def advise(type_: SamplerType, mean: float, spread: float, count: int) -> Advice:
    """Return what to change, from mean and standard deviation in dB of the coupling of ``count`` units built to ``type_``."""
    build, target = type_.build, type_.tolerance.coupling
    off = mean - target
    if build.second_turns is not None or build.series_ohm is not None:
        says = "no change of turns is worked out: the closed form does not hold for a build with a second winding or resistor"
        return Advice(build.turns, None, 0.0, mean, _prediction(mean, spread, count), off, False, says)
    changes = {turns: turns_change_db(type_, turns) for turns in _near(build.turns)}
    turns = min(changes, key=lambda each: (round(abs(off + changes[each]), 9), abs(each - build.turns)))
    change = changes[turns]
    sure = _is_sure(off, change, spread, count)
    there = mean + change
    interval = _prediction(there, spread, count)
    says = _words(type_, turns, change, off, mean, there, interval, sure)
    return Advice(build.turns, turns, change, there, interval, off, sure, says)


def turns_change_db(type_: SamplerType, turns: int) -> float:
    """Return by how many dB the coupling changes with ``turns`` instead of the type's; ideal core, the build's own load."""
    build = type_.build
    load = winding_load(build.internal_ohm if build.termination == "internal" else None)
    if build.shunt_ohm is not None:
        load = winding_load(build.shunt_ohm, load)
    return ideal_coupling_db(turns, load) - ideal_coupling_db(build.turns, load)


def _near(turns: int) -> range:
    return range(max(1, turns - REACH), turns + REACH + 1)


def _is_sure(off: float, change: float, spread: float, count: int) -> bool:
    """Whether the mean's own 95 % interval lies on one side of the point where both numbers of turns are as good."""
    if change == 0.0:
        return True
    if count < 2:
        return False
    reach = float(stats.t.ppf(0.975, count - 1)) * spread / math.sqrt(count)
    return abs(off) - reach > abs(change) / 2


def _prediction(mean: float, spread: float, count: int) -> tuple[float, float] | None:
    """Return the 95 % prediction interval of one more unit (normal), or None for fewer than two units."""
    if count < 2:
        return None
    reach = float(stats.t.ppf(0.975, count - 1)) * spread * math.sqrt(1 + 1 / count)
    return mean - reach, mean + reach


def _words(
    type_: SamplerType,
    turns: int,
    change: float,
    off: float,
    mean: float,
    there: float,
    interval: tuple[float, float] | None,
    sure: bool,
) -> str:
    now, target = type_.build.turns, type_.tolerance.coupling
    where = f"the mean coupling of {mean:.2f} dB is {abs(off):.2f} dB {'above' if off > 0 else 'below'} the wanted {target:g} dB"
    if turns == now:
        return f"keep {now} turns: {where}, and one turn more or less would be further off"
    few = abs(turns - now)
    words = (
        f"wind {turns} turns instead of {now} ({few} turn{'s' if few > 1 else ''} {'less' if turns < now else 'more'}): {where}"
    )
    words += f"; coupling changes by {change:+.3f} dB (closed form, ideal core), to a mean of about {there:.2f} dB"
    if interval is not None:
        words += f", the next unit between {interval[0]:.2f} and {interval[1]:.2f} dB (95 % prediction, same spread)"
    return words if sure else words + "; so few units do not make this sure: prove more before you change the build"
