"""Which change of the build fits the change that was measured: fields of the sampler's circuit, turned one at a time.

First the healthy circuit is brought to the unit as the reference proof saw it (build tolerances as priors); then each explanation
changes one field of it, and the change of the S-matrix that this makes is held against the one measured, whitened with the
covariance of the difference. What the circuit cannot follow is MISFIT of the change itself.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from harness.analysis.drift.difference import AS_RATIO, S21, S31, S33, Difference, laid
from harness.analysis.drift.seen import Seen
from harness.analysis.model import vector_of
from harness.analysis.readings import Complex
from harness.errors import TapproofError
from harness.records.drift import DriftExplanation
from harness.sampler import SamplerCircuit, three_port

Real = NDArray[np.float64]
POINTS = 20
MISFIT = 0.07
"""What the circuit model may be off in a change, as a part of it. Chosen, no source."""
BASE_ERROR = {S21: 0.001, S31: 0.004, S33: 0.01}
"""How well the healthy circuit is asked to follow the reference; reflections of the line 0.002. Chosen, no source."""
LEFT_OVER = 0.2
"""An explanation that leaves more of the whitened change than this part, and more than noise, explains nothing."""
FAR = 3.0
"""The whitened square of one complex number that still counts as noise; 2 is its mean."""
LEAST_GAIN = 12.0
"""An explanation with one free number that gains less explains noise. Chosen: exceeded by chance about once in 2000."""
SHOWN = 0.05
SURE = 0.8
TRIES = 13
UNEXPLAINED = "unexplained"


@dataclass(frozen=True)
class Cause:
    """One explanation: its fault, how a number changes the circuit, the range of the number, and how it is told."""

    fault: str
    apply: Callable[[SamplerCircuit, float], SamplerCircuit] = field(repr=False)
    low: float
    high: float
    says: str
    where: str | None = None
    unit: str | None = None
    scale: float = 1.0
    """From the number to the one that is told in ``unit``."""


@dataclass(frozen=True)
class Tried:
    """A cause with its best number and what it leaves: whitened |change − prediction|²."""

    cause: Cause
    at: float
    left: float


def explain(reference: Seen, found: Difference, healthy: SamplerCircuit) -> tuple[DriftExplanation, ...]:
    """Return the explanations of a change by weight, the likeliest first; ``unexplained`` where none fits.

    ``healthy``: the circuit that the unit's type asks for.
    """
    kept = np.unique(np.linspace(0, found.hz.size - 1, min(POINTS, found.hz.size)).round().astype(int))
    hz = found.hz[kept]
    measured = found.values[:, kept].ravel()
    columns = np.concatenate([number * found.hz.size + kept for number in range(2 * len(found.places))])
    white = _whitener(found.covariance[np.ix_(columns, columns)], measured, len(found.places))
    base = fitted(reference, found.places, hz, healthy)
    before = vector_of(three_port(base, hz))
    tried = []
    for cause in causes(base):
        best = _best(cause, base, before, hz, found.places, measured, white)
        if best is not None:
            tried.append(best)
    return _weighed(tried, float(np.sum((white @ laid(measured)) ** 2)), measured.size)


def _whitener(covariance: Real, measured: Complex, curves: int) -> Real:
    """Return what makes independent numbers of unit variance of the change's parts, the model's misfit counted."""
    by_curve = np.abs(measured.reshape(curves, -1))
    misfit = MISFIT * np.maximum(by_curve, np.sqrt(np.mean(by_curve**2, axis=1, keepdims=True))).ravel()
    total = covariance + np.diag(np.tile(misfit, 2) ** 2 + 1e-12 + 1e-6 * np.diag(covariance))
    return np.asarray(np.linalg.inv(np.linalg.cholesky(total)), dtype=np.float64)


def fitted(reference: Seen, places: tuple[int, ...], hz: Real, healthy: SamplerCircuit) -> SamplerCircuit:
    """Return the healthy circuit brought to what the reference proof saw, within what a build leaves open."""
    from scipy.optimize import least_squares

    wanted = np.stack([np.interp(hz, reference.frequency_hz, reference.x[:, place]) for place in places], axis=1)
    sizes = np.array([BASE_ERROR.get(place, 0.002) for place in places]) * np.where(
        np.isin(places, AS_RATIO), np.abs(wanted).mean(axis=0), 1.0
    )

    def off(z: Real) -> Real:
        left = (vector_of(three_port(_built(healthy, z), hz))[:, list(places)] - wanted) / sizes
        return np.concatenate([left.real.ravel(), left.imag.ravel(), 3 * z])

    found = least_squares(off, np.zeros(len(_SPREADS)), bounds=(-4, 4), max_nfev=12)
    return _built(healthy, found.x)


_SPREADS = {
    "core_factor": 0.15,
    "winding_leakage": 0.4,
    "winding_capacitance": 0.4,
    "sample_capacitance": 0.6,
    "stray_capacitance": 0.6,
    "primary_leakage": 0.6,
    "impedance": 0.04,
    "length in": 0.4,
    "length out": 0.4,
    "internal_resistor": 0.01,
}
"""Field → standard deviation of its logarithm from build to build. Chosen, no source."""


def _built(healthy: SamplerCircuit, z: Real) -> SamplerCircuit:
    times = {name: math.exp(size * float(at)) for (name, size), at in zip(_SPREADS.items(), z, strict=True)}
    plain = {name: getattr(healthy, name) * times[name] for name in list(_SPREADS)[:6]}
    lines = {
        end: replace(line, impedance=line.impedance * times["impedance"], length=line.length * times[of])
        for end, line, of in (
            ("line_before", healthy.line_before, "length in"),
            ("line_after", healthy.line_after, "length out"),
        )
    }
    inside = healthy.internal_resistor
    resistor = None if inside is None else inside * times["internal_resistor"]
    return replace(healthy, **plain, **lines, internal_resistor=resistor)  # type: ignore[arg-type]  # the fields named above


def causes(circuit: SamplerCircuit) -> tuple[Cause, ...]:
    """Return every explanation that this circuit can have. Ranges chosen, no source."""
    found = [
        Cause("cracked core", lambda c, at: replace(c, core_gap=at), 3e-6, 1e-3, "a crack in the core", None, "mm", 1e3),
        *(_joint(where, name) for where, name in _JOINTS.items()),
        *(_shorted(count) for count in (1, 2, 3) if count < circuit.turns),
        Cause(
            "braid grounded at neither end",
            lambda c, at: replace(c, braid="neither end", braid_ground_capacitance=at),
            0.2e-12, 20e-12, "the braid's ground connection has come off",
        ),
        Cause("open winding", lambda c, at: replace(c, winding_open=True, break_capacitance=at), 0.02e-12, 3e-12,
              "the winding is broken"),
    ]  # fmt: skip
    inside, pad = circuit.internal_resistor, circuit.pad
    says = "a resistor that has changed its value"
    for low, high in ((0.2, 0.995), (1.005, 100.0)):
        if inside is not None:
            found.append(
                Cause(
                    "resistor out of value",
                    lambda c, at: replace(c, internal_resistor=at),
                    low * inside,
                    high * inside,
                    says,
                    None,
                    "Ω",
                )
            )
        elif pad is not None:
            found.append(_pad(pad.first * low, pad.first * high, says))
    return tuple(found)


_JOINTS = {"line in": "line_in_joint", "line out": "line_out_joint", "sample": "sample_joint", "winding": "winding_joint"}


def _joint(where: str, name: str) -> Cause:
    def apply(circuit: SamplerCircuit, at: float) -> SamplerCircuit:
        return replace(circuit, **{name: getattr(circuit, name) + at})

    place = f"a joint at {where}" if where != "winding" else "a joint of the winding"
    return Cause("high-resistance joint", apply, 0.02, 60.0, f"{place} that has gone resistive", where, "Ω")


def _shorted(count: int) -> Cause:
    def apply(circuit: SamplerCircuit, at: float) -> SamplerCircuit:
        return replace(circuit, shorted_turns=float(count), shorted_turns_leakage=at)

    what = "a turn" if count == 1 else f"{count} turns"
    return Cause("shorted turns", apply, 3e-9, 60e-9, f"{what} of the winding shorted")


def _pad(low: float, high: float, says: str) -> Cause:
    def apply(circuit: SamplerCircuit, at: float) -> SamplerCircuit:
        return circuit if circuit.pad is None else replace(circuit, pad=replace(circuit.pad, first=at))

    return Cause("resistor out of value", apply, low, high, says, None, "Ω")


def _best(
    cause: Cause, base: SamplerCircuit, before: Complex, hz: Real, places: tuple[int, ...], measured: Complex, white: Real
) -> Tried | None:
    """Return a cause with the number that leaves least: a coarse search over its range, then a fine one. None: impossible."""
    from scipy.optimize import minimize_scalar

    def left(z: float) -> float:
        changed = vector_of(three_port(cause.apply(base, math.exp(z)), hz))
        return float(np.sum((white @ laid(measured - change(before, changed, places))) ** 2))

    places_tried = np.linspace(math.log(cause.low), math.log(cause.high), TRIES)
    try:
        cost = [left(float(z)) for z in places_tried]
    except TapproofError:
        return None  # a core of unknown area has no gap
    at = int(np.argmin(cost))
    low, high = places_tried[max(at - 1, 0)], places_tried[min(at + 1, TRIES - 1)]
    fine = minimize_scalar(left, bounds=(low, high), method="bounded", options={"maxiter": 20})
    return Tried(cause, math.exp(float(fine.x)), min(float(fine.fun), cost[at]))


def change(before: Complex, after: Complex, places: tuple[int, ...]) -> Complex:
    """Return the change of the six unknowns, (F, 6) each, in the form and order of a difference's values, laid end to end."""
    with np.errstate(all="ignore"):
        parts = [
            np.log(after[:, place] / before[:, place]) if place in AS_RATIO else after[:, place] - before[:, place]
            for place in places
        ]
    return np.concatenate(parts)


def _weighed(tried: list[Tried], whole: float, count: int) -> tuple[DriftExplanation, ...]:
    """Return the explanations of some weight. A cause with most of the change left, above noise, is none."""
    enough = max(LEFT_OVER * whole, FAR * count)
    fits = [one for one in tried if one.left <= enough and whole - one.left >= LEAST_GAIN]
    if not fits:
        says = "no change of the build that the program knows fits"
        return (DriftExplanation(fault=UNEXPLAINED, weight=1.0, says=says),)
    score = np.array([-one.left / 2 for one in fits])
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    ranked = sorted(zip(weight, range(len(fits)), strict=True), reverse=True)
    return tuple(_told(fits[number], float(each)) for each, number in ranked if each >= SHOWN)


def _told(one: Tried, weight: float) -> DriftExplanation:
    cause, size = one.cause, None if one.cause.unit is None else one.at * one.cause.scale
    much = "" if size is None else f", about {size:.2g} {cause.unit}"
    fits = "fits the change" if weight >= SURE else "may be the reason"
    return DriftExplanation(
        fault=cause.fault, weight=round(weight, 4), says=f"{cause.says}{much}: {fits} (weight {weight:.2f})",
        where=cause.where, size=size, unit=cause.unit,
    )  # fmt: skip
