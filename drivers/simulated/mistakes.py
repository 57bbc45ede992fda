"""Mistakes at the bench: what a hand does instead of the hook-up that was asked for.

A mistake is written as its name, and after a colon a detail where it has one: "loose connector: analyser 1" (which end),
"wrong standard: load" (what was taken instead), "adapter left in: analyser 2".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from harness.errors import UsageError
from harness.records import ANALYSER_1, ANALYSER_2, LINE_IN, LINE_OUT, SAMPLE, HookUp, Join

Extra = Literal["adapter", "loose", "tee load"]

MISTAKES = {
    "load forgotten": "the first load of the hook-up is not screwed on; its connector is open",
    "sample and line swapped": "what belongs on sample is on the far line connector, and the other way round",
    "line in and out swapped": "what belongs on line in is on line out, and the other way round",
    "analyser ports swapped": "the two analyser cables are exchanged",
    "load on the wrong connector": "the load is where an analyser cable belongs, and the cable where the load belongs",
    "thru left in": "the thru still joins the analyser's cables; the unit is not connected",
    "nothing connected": "both analyser cables hang open",
    "wrong standard": "another standard than asked (short for open, open for short and load), or the load for the thru",
    "standard measured twice": "the cables stay where they were at the hook-up before",
    "adapter left in": "an adapter that does not belong there sits on an analyser cable",
    "loose connector": "a connector is not tight: some ohms and nanohenries in series",
    "tee load left on": "a tee with a 50 Ω load is still on the sample connector",
}
"""Every mistake that can be asked for, and what the hand does."""

_OTHER_STANDARD = {"short": "open", "open": "short", "load": "open"}
_WITH_DETAIL = ("wrong standard", "adapter left in", "loose connector")


@dataclass(frozen=True)
class Made:
    """What really was connected: joins, and things that sit on ends where they do not belong (end → what)."""

    joins: tuple[Join, ...]
    extras: tuple[tuple[str, Extra], ...] = ()


def check_mistake(mistake: str) -> tuple[str, str | None]:
    """Return the (name, detail) of a mistake's text; UsageError, with what is allowed, where it is not known."""
    name, _, rest = (part.strip() for part in mistake.partition(":"))
    detail = rest or None
    if name not in MISTAKES:
        raise UsageError(f"simulated mistake {mistake!r} is not known", hint=f"Allowed are: {', '.join(MISTAKES)}.")
    if detail is not None and name not in _WITH_DETAIL:
        raise UsageError(f"simulated mistake {mistake!r}: {name!r} takes no detail", hint="Take out what follows the colon.")
    standards, ends = tuple(_OTHER_STANDARD), (ANALYSER_1, ANALYSER_2)
    allowed = standards if name == "wrong standard" else ends
    if detail is not None and detail not in allowed:
        raise UsageError(f"simulated mistake {mistake!r}: {detail!r} is not allowed", hint=f"Allowed are: {', '.join(allowed)}.")
    return name, detail


def make(hookup: HookUp, mistake: str | None, before: Made) -> Made:
    """Return what is connected when ``hookup`` is made with ``mistake``; ``before`` is what was connected until now.

    Raises UsageError for a mistake that is not known, or that this hook-up cannot have.
    """
    if mistake is None:
        return Made(hookup.joins)
    name, detail = check_mistake(mistake)
    if name == "standard measured twice":
        return before
    if name == "nothing connected":
        return Made(())
    if name == "thru left in":
        return Made((Join(ANALYSER_1, ANALYSER_2, through="thru"),))
    if name in ("adapter left in", "loose connector", "tee load left on"):
        return Made(hookup.joins, (_extra(hookup, name, detail),))
    if name == "wrong standard":
        return Made(_wrong_standard(hookup, detail))
    if name == "load forgotten":
        load = _load_join(hookup, name)
        return Made(tuple(join for join in hookup.joins if join != load))
    first, second = _pair(hookup, name)
    return Made(_replaced(hookup.joins, {first: second, second: first}))


def _cannot(hookup: HookUp, name: str) -> UsageError:
    return UsageError(
        f"simulated mistake {name!r} is not possible at the hook-up {hookup.name!r}",
        hint="Choose another mistake for this hook-up in the bench file, table simulated.mistakes.",
    )


def _load_join(hookup: HookUp, name: str) -> Join:
    for join in hookup.joins:
        if any(end.startswith("load") for end in (join.one, join.other)):
            return join
    raise _cannot(hookup, name)


def _replaced(joins: tuple[Join, ...], other: Mapping[str, str]) -> tuple[Join, ...]:
    return tuple(Join(other.get(join.one, join.one), other.get(join.other, join.other), join.through) for join in joins)


def _pair(hookup: HookUp, name: str) -> tuple[str, str]:
    """Return the two ends that a swapping mistake exchanges."""
    driven = hookup.partner(ANALYSER_1)
    if name == "line in and out swapped":
        pair = (LINE_IN, LINE_OUT)
    elif name == "analyser ports swapped":
        pair = (ANALYSER_1, ANALYSER_2)
    elif name == "sample and line swapped":
        pair = (SAMPLE, LINE_OUT if driven == LINE_IN else LINE_IN)
    else:
        load = _load_join(hookup, name)
        on_load = load.other if load.one.startswith("load") else load.one
        pair = (on_load, hookup.partner(ANALYSER_2) or driven or on_load)
        if on_load in (ANALYSER_1, ANALYSER_2):
            raise _cannot(hookup, name)
    if not any(end in pair for join in hookup.joins for end in (join.one, join.other)) or pair[0] == pair[1]:
        raise _cannot(hookup, name)
    return pair


def _wrong_standard(hookup: HookUp, detail: str | None) -> tuple[Join, ...]:
    for join in hookup.joins:
        for end in (join.one, join.other):
            if end in _OTHER_STANDARD:
                return _replaced(hookup.joins, {end: detail or _OTHER_STANDARD[end]})
        if join.through == "thru":
            return (Join(ANALYSER_1, detail or "load"),)
    raise _cannot(hookup, "wrong standard")


def _extra(hookup: HookUp, name: str, detail: str | None) -> tuple[str, Extra]:
    if name == "tee load left on":
        if hookup.partner(SAMPLE) is None:
            raise _cannot(hookup, name)
        return (SAMPLE, "tee load")
    second = hookup.partner(ANALYSER_2) is not None
    loose = name == "loose connector"
    end = detail or (ANALYSER_2 if loose and second else ANALYSER_1)
    if hookup.partner(end) is None:
        raise _cannot(hookup, name)
    return (end, "loose" if loose else "adapter")
