"""What comes nearest to an impossible wish: one demand is let go at a time, and the best that can be built then is named."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from harness.quantities import show_power
from harness.sampler.design.parts import Connector, Parts
from harness.sampler.design.result import Alternative, Impossible, Reason
from harness.sampler.design.screen import best_feasible
from harness.sampler.design.wish import DesignWish

MOST = 3


def impossible_of(wish: DesignWish, parts: Parts, reasons: tuple[Reason, ...]) -> Impossible:
    """Return why nothing meets a wish, and the nearest designs that can be built."""
    found = _best_of(_relaxed(wish, parts, reasons), parts)
    return Impossible(reasons, found or _best_of(_last_resorts(wish), parts))


def _best_of(wishes: Iterator[tuple[str, DesignWish]], parts: Parts) -> tuple[Alternative, ...]:
    """Return the best design of each relaxed wish that anything meets, no two the same."""
    found: list[Alternative] = []
    for changed, wish in wishes:
        best = best_feasible(wish, parts)
        if best is not None and all(best.build != other.build for other in found):
            found.append(Alternative(best.build, changed, best.coupling_db, best.flatness_db))
        if len(found) == MOST:
            break
    return tuple(found)


def _relaxed(wish: DesignWish, parts: Parts, reasons: tuple[Reason, ...]) -> Iterator[tuple[str, DesignWish]]:
    """Yield what is let go, in words, with the wish that is left; the likeliest first."""
    kinds = {reason.kind for reason in reasons}
    if kinds & {"line voltage", "connector"}:
        yield from _other_connectors(wish, parts)
        yield from _less_power(wish, reasons)
    free = _free(wish)
    if free != wish:
        yield "another arrangement or number of turns", _one_core(free)
    if wish.wire_awg is not None or wish.line is not None:
        yield "another wire or line", replace(_one_core(wish), wire_awg=None, line=None)
    if wish.core is not None or wish.stack is not None:
        yield "another core", replace(wish, core=None, stack=1)
        if free != wish:
            yield "another core and arrangement", replace(free, core=None, stack=1)


def _other_connectors(wish: DesignWish, parts: Parts) -> Iterator[tuple[str, DesignWish]]:
    peak = math.sqrt(100 * wish.line_power * wish.line_swr)
    bearing = [
        one
        for one in parts.connectors.values()
        if one.peak_volt is not None and one.peak_volt.value >= peak and _reaches(one, wish.band_hz[1])
    ]
    if bearing:
        one = min(bearing, key=lambda connector: connector.peak_volt.value if connector.peak_volt else math.inf)
        yield f"{one.name} connectors on the line", replace(_one_core(wish), line_connectors=one.name)


def _reaches(connector: Connector, hz: float) -> bool:
    return connector.most_hz is None or connector.most_hz.value >= hz


def _less_power(wish: DesignWish, reasons: tuple[Reason, ...]) -> Iterator[tuple[str, DesignWish]]:
    limits = [wish.line_power * (one.limit / one.value) ** 2 for one in reasons if one.kind == "line voltage"]
    if limits:
        watts = float(f"{min(limits) * 0.999:.3g}")
        watts = watts if watts <= min(limits) else watts * 0.99
        yield f"at most {show_power(watts)} at this SWR", replace(_one_core(wish), line_power=watts)


def _one_core(wish: DesignWish) -> DesignWish:
    """Return the wish with single cores only, unless it says how many: enough to name an alternative, and quicker."""
    return wish if wish.stack is not None else replace(wish, stack=1)


def _free(wish: DesignWish) -> DesignWish:
    """Return the wish with arrangement, turns and resistors left open."""
    open_now = replace(wish, kind=None, turns=None, pad_db=None, shunt_ohm=None, series_ohm=None)
    return replace(open_now, second_turns=None, second_core=None)


def _last_resorts(wish: DesignWish) -> Iterator[tuple[str, DesignWish]]:
    """Yield wishes with everything open, then with wider tolerances."""
    everything = replace(_free(wish), core=None, stack=None, wire_awg=None, line=None)
    tolerance = wish.tolerances
    yield "any core, stack, arrangement, wire and line", everything
    wider = replace(tolerance, coupling_error=2 * tolerance.coupling_error, flatness=2 * tolerance.flatness)
    yield "the same, and twice the tolerance of coupling and flatness", replace(everything, tolerances=wider)
    lossy = replace(tolerance, insertion_loss=5 * tolerance.insertion_loss, return_loss=min(tolerance.return_loss, 20.0))
    yield (
        f"the same, and {lossy.insertion_loss:g} dB of insertion loss and {lossy.return_loss:g} dB of return loss allowed",
        replace(everything, tolerances=lossy),
    )
