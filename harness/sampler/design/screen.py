"""Judging many candidates quickly: the fast model on a coarse grid, worst phases at four points."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.sampler.closed_form import loss_db
from harness.sampler.design.candidates import candidates
from harness.sampler.design.fast import Floats, solve
from harness.sampler.design.fit import LONGEST_WIRE, winding_fit
from harness.sampler.design.made import Made, band_grid, make
from harness.sampler.design.parts import Parts
from harness.sampler.design.reasons import Figures, fit_reasons, reasons_of
from harness.sampler.design.response import LOW_A_L, curve, line_figures, low_end
from harness.sampler.design.result import Build, Failure, Reason, ReasonKind
from harness.sampler.design.stress import at_full_power, stress
from harness.sampler.design.wish import DesignWish

POINTS = 9
PHASES = 4

_COMPLEXITY = {"bare winding": 0.0, "winding and pad": 0.4, "low-value load": 0.4, "two windings": 0.9}
"""What an arrangement costs in the ranking, in whole tolerances: more parts, more that can be wrong (a choice)."""


@dataclass(frozen=True)
class Screened:
    """A candidate: its reasons (empty: feasible), its coupling and flatness in dB, and its rank (less is better)."""

    build: Build
    reasons: tuple[Reason, ...]
    coupling_db: float
    flatness_db: float
    rank: float


def fast_figures(made: Made, grid: Floats, parts: Parts, phases: int) -> Figures:
    """Return the figures that are judged, by the fast model."""
    loaded = solve(made.unit(grid), grid)
    into_50 = curve(loss_db(loaded.s31))
    weak = curve(loss_db(solve(made.unit(grid, LOW_A_L), grid).s31))
    return Figures(
        into_50=into_50,
        at_low_a_l=weak,
        line=line_figures(made, grid, loaded.s11, loaded.s21, loaded.series),
        low_end=low_end(made, into_50, weak.low_edge_db - into_50.low_edge_db),
        winding=winding_fit(made),
        stress=stress(at_full_power(made, grid, phases), parts),
    )


def screen(wish: DesignWish, parts: Parts) -> list[Screened]:
    """Return every candidate judged, the feasible ones first, best first."""
    grid = band_grid(wish, POINTS)
    found = [_judged(make(wish, build, parts), grid, parts) for build, _ in candidates(wish, parts)]
    return sorted(found, key=lambda one: (bool(one.reasons), one.rank))


def best_feasible(wish: DesignWish, parts: Parts) -> Screened | None:
    """Return the best feasible candidate, None where there is none; quicker than judging all in full."""
    grid = band_grid(wish, POINTS)
    builds = (make(wish, build, parts) for build, _ in candidates(wish, parts))
    judged = (_judged(made, grid, parts) for made in builds if _may_do(made, grid))
    return min((one for one in judged if not one.reasons), key=lambda one: one.rank, default=None)


def _may_do(made: Made, grid: Floats) -> bool:
    """Tell whether it fits and reads about right: what can be told without heat and volts."""
    if next(fit_reasons(made, winding_fit(made)), None) is not None:
        return False
    wish, seen = made.wish, curve(loss_db(solve(made.unit(grid), grid).s31))
    near = abs(seen.nominal_db - wish.coupling_db) <= wish.tolerances.coupling_error
    return near and seen.flatness_db <= wish.tolerances.flatness


def _judged(made: Made, grid: Floats, parts: Parts) -> Screened:
    figures = fast_figures(made, grid, parts, PHASES)
    reasons = reasons_of(made, figures)
    rank = _rank(made, figures) + sum(1 + reason.excess for reason in reasons)
    return Screened(made.build, reasons, figures.into_50.nominal_db, figures.into_50.flatness_db, rank)


def _rank(made: Made, figures: Figures) -> float:
    """Return the rank: shares of the tolerances used up (a miscounted turn too), and the cost in parts, cores and wire."""
    wish, tolerance, build = made.wish, made.wish.tolerances, made.build
    used = abs(figures.into_50.nominal_db - wish.coupling_db) / tolerance.coupling_error
    used += max(figures.into_50.flatness_db, figures.at_low_a_l.flatness_db) / tolerance.flatness
    used += 0.5 * figures.line.insertion_loss_db / tolerance.insertion_loss
    used += sum(0.3 * flux.gauss / flux.guideline_gauss for flux in figures.stress.flux)
    used += 0.3 * min(20 * math.log10(1 + 1 / min(made.turns)) / tolerance.coupling_error, 2.0)
    rating = figures.stress.cable_power_rating
    used += 0.0 if rating is None else max(0.0, figures.stress.line_heating / rating - 1)
    geometry = made.cores[0].geometry
    size = 0.0 if geometry is None else geometry.outer_diameter / 0.05
    length = 0.5 * figures.winding.wire_wavelengths / LONGEST_WIRE
    return used + size * build.stack / 2 + length + 0.3 * (build.stack - 1) + _COMPLEXITY[build.kind]


def failures(screened: list[Screened]) -> tuple[Failure, ...]:
    """Return why candidates failed: each kind of reason, how many failed for it, and the one that came nearest."""
    grouped: dict[ReasonKind, list[tuple[Reason, Build]]] = {}
    for one in screened:
        for reason in one.reasons:
            grouped.setdefault(reason.kind, []).append((reason, one.build))
    found = []
    for kind, members in grouped.items():
        nearest, build = min(members, key=lambda pair: pair[0].excess)
        builds = {str(other) for _, other in members}
        found.append(Failure(kind, len(builds), build.title, nearest.says))
    return tuple(sorted(found, key=lambda failure: -failure.count))
