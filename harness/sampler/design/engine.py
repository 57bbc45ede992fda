"""The two entries of the engine: one design, and the search for the best."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from harness.sampler.closed_form import loss_db
from harness.sampler.design.cautions import assumptions_of, cautions_of, memory_of
from harness.sampler.design.fast import solve
from harness.sampler.design.fit import winding_fit
from harness.sampler.design.made import Made, band_grid, make
from harness.sampler.design.nearest import impossible_of
from harness.sampler.design.parts import Parts, find_part
from harness.sampler.design.practice import practice_of
from harness.sampler.design.reasons import Figures, reasons_of
from harness.sampler.design.response import LOW_A_L, couplings, curve, line_figures, low_end, whole_matrix
from harness.sampler.design.result import Build, Design, Reason, SearchResult
from harness.sampler.design.screen import Screened, failures, screen
from harness.sampler.design.stress import at_full_power, sample_port, stress
from harness.sampler.design.unloaded import unloaded
from harness.sampler.design.wish import DesignWish
from harness.sampler.design.yields import predicted_yield

POINTS = 41
FINE_POINTS = 121
"""For what may resonate: nothing on the sample port."""
PHASES = 24


def design(wish: DesignWish, parts: Parts) -> Design:
    """Return one complete design; what the wish leaves open is chosen.

    When nothing meets the wish the nearest is returned all the same, with ``reasons`` and ``impossible`` (why, and what can be
    built instead). Raises UsageError for a part that the tables do not hold.
    """
    _check_parts(wish, parts)
    screened = screen(wish, parts)
    best = complete(make(wish, screened[0].build, parts), parts)
    return best if best.feasible else replace(best, impossible=impossible_of(wish, parts, best.reasons))


def search(wish: DesignWish, parts: Parts, keep: int = 5) -> SearchResult:
    """Return the ``keep`` best designs, best first and no two alike (arrangement and core), and why others failed.

    When nothing meets the wish there are no designs, and ``impossible`` says why and what comes nearest. Raises UsageError for
    a part that the tables do not hold.
    """
    _check_parts(wish, parts)
    screened = screen(wish, parts)
    found = [complete(make(wish, build, parts), parts) for build in _varied(screened, keep)]
    found = [one for one in found if one.feasible]
    impossible = None if found else impossible_of(wish, parts, _why(wish, parts, screened))
    return SearchResult(wish, tuple(found), len(screened), failures(screened), impossible)


def _varied(screened: list[Screened], keep: int) -> list[Build]:
    """Return the builds to show, best first: none alike, and of one arrangement no more than half while others are to be had."""
    builds: list[Build] = []
    for one in screened:
        alike = any((one.build.kind, one.build.core) == (other.kind, other.core) for other in builds)
        if not one.reasons and not alike:
            builds.append(one.build)
    half = (keep + 1) // 2
    chosen = [build for at, build in enumerate(builds) if sum(other.kind == build.kind for other in builds[:at]) < half][:keep]
    chosen += [build for build in builds if build not in chosen][: keep - len(chosen)]
    return [build for build in builds if build in chosen]


def _why(wish: DesignWish, parts: Parts, screened: list[Screened]) -> tuple[Reason, ...]:
    return complete(make(wish, screened[0].build, parts), parts).reasons


def of_build(wish: DesignWish, build: Build, parts: Parts) -> Design:
    """Return the complete design of one given build; UsageError for a part that the tables do not hold."""
    _check_parts(wish, parts)
    return complete(make(wish, build, parts), parts)


def complete(made: Made, parts: Parts) -> Design:
    """Return everything about one build."""
    wish, grid = made.wish, band_grid(made.wish, POINTS)
    matrix = whole_matrix(made, grid)
    coupling = couplings(matrix, grid)
    fast = solve(made.unit(grid), grid)
    line = line_figures(made, grid, matrix[:, 0, 0], matrix[:, 1, 0], fast.series)
    loaded = at_full_power(made, grid, PHASES)
    stressed = stress(loaded, parts)
    winding = winding_fit(made)
    low = curve(loss_db(solve(made.unit(grid, LOW_A_L), grid).s31))
    ends = low_end(made, coupling.into_50, low.low_edge_db - float(loss_db(fast.s31[0])))
    open_port = unloaded(made, band_grid(wish, FINE_POINTS), PHASES)
    sample = sample_port(loaded, float(np.minimum(loss_db(matrix[:, 2, 2]), 200.0).min()))
    return Design(
        wish=wish,
        build=made.build,
        frequencies_hz=tuple(float(one) for one in grid),
        coupling=coupling,
        line=line,
        low_end=ends,
        winding=winding,
        stress=stressed,
        sample=sample,
        unloaded=open_port,
        practice=practice_of(made, parts),
        predicted=predicted_yield(made),
        reasons=reasons_of(made, Figures(coupling.into_50, low, line, ends, winding, stressed)),
        cautions=cautions_of(made, coupling, winding, stressed, sample, open_port),
        memory=memory_of(made, stressed, parts),
        assumptions=assumptions_of(made),
        circuit=made.first,
    )


def _check_parts(wish: DesignWish, parts: Parts) -> None:
    """Raise UsageError, before anything is worked out, for a part that the tables do not hold."""
    find_part("line connector", wish.line_connectors, parts.connectors)
    if wish.line is not None:
        find_part("line", wish.line, parts.cables)
    if wish.wire_awg is not None:
        find_part("wire", f"AWG {wish.wire_awg}", {f"AWG {awg}": wire for awg, wire in parts.wires.items()})
