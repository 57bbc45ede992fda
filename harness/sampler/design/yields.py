"""The predicted yield: many units drawn with the spread of parts and hands, solved at once by the fast model.

Seeded; the same wish and design give the same answer. The grid is coarse: a sampler's curves are smooth, and a test holds the
coarse figures against fine ones.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from harness.sampler.closed_form import loss_db
from harness.sampler.design.fast import Floats, Resistors, Transformer, Unit, Values, solve
from harness.sampler.design.made import Made, band_grid
from harness.sampler.design.result import Yield
from harness.sampler.design.wish import Spread, Tolerances

POINTS = 11
NAMES = ("coupling", "flatness", "return loss", "insertion loss")


def drawn(made: Made, frequency_hz: Floats, draws: int, seed: int, spread: Spread) -> tuple[Unit, Floats]:
    """Return ``draws`` units as one (values of shape (draws, 1)), and how many turns each was miscounted by, shape (draws,)."""
    rng = np.random.default_rng(seed)
    unit = made.unit(frequency_hz)
    first, slips = _spread(unit.first, rng, draws, spread)
    second = unit.second
    if second is not None:
        second, more = _spread(second, rng, draws, spread)
        slips = np.abs(slips) + np.abs(more)
    return replace(unit, first=first, second=second, resistors=_resistors(unit.resistors, rng, draws, spread.resistor)), slips


def _spread(part: Transformer, rng: np.random.Generator, draws: int, spread: Spread) -> tuple[Transformer, Floats]:
    def within(factor: float) -> Floats:
        return np.exp(rng.uniform(-1, 1, (draws, 1)) * math.log(factor))

    slips = np.where(rng.random(draws) < spread.miscount, rng.choice([-1.0, 1.0], draws), 0.0)
    turns = np.maximum(part.turns + slips, 1.0)[:, None]
    made = replace(
        part,
        turns=turns,
        core_y=part.core_y / (1 + spread.a_l * rng.uniform(-1, 1, (draws, 1))),
        leakage=part.leakage * within(spread.leakage) * within(spread.winding),
        capacitance=part.capacitance * within(spread.capacitance),
    )
    return made, slips


def _resistors(nominal: Resistors, rng: np.random.Generator, draws: int, share: float) -> Resistors:
    def one(value: Values) -> Floats:
        return np.asarray(value * (1 + share * rng.uniform(-1, 1, (draws, 1))))

    inside = None if nominal.inside is None else one(nominal.inside)
    return Resistors(inside, nominal.pad_kind, one(nominal.first), one(nominal.second), one(nominal.third))


def figures(unit: Unit, frequency_hz: Floats) -> dict[str, Floats]:
    """Return nominal coupling ("coupling"), flatness, least return loss and most insertion loss in dB, shape (draws,)."""
    solved = solve(unit, frequency_hz)
    coupling = loss_db(solved.s31)
    highest, lowest = coupling.max(axis=-1), coupling.min(axis=-1)
    return {
        "coupling": (highest + lowest) / 2,
        "flatness": (highest - lowest) / 2,
        "return loss": loss_db(solved.s11).min(axis=-1),
        "insertion loss": loss_db(solved.s21).max(axis=-1),
    }


def met(found: dict[str, Floats], wanted_db: float, tolerances: Tolerances) -> dict[str, NDArray[np.bool_]]:
    """Return which units meet each tolerance."""
    return {
        "coupling": np.abs(found["coupling"] - wanted_db) <= tolerances.coupling_error,
        "flatness": found["flatness"] <= tolerances.flatness,
        "return loss": found["return loss"] >= tolerances.return_loss,
        "insertion loss": found["insertion loss"] <= tolerances.insertion_loss,
    }


def predicted_yield(made: Made) -> Yield | None:
    """Return the predicted yield of a design, None where the wish asks for no draws."""
    wish = made.wish
    if wish.draws == 0:
        return None
    grid = band_grid(wish, POINTS)
    unit, slips = drawn(made, grid, wish.draws, wish.seed, wish.spread)
    found = figures(unit, grid)
    passed = met(found, wish.coupling_db, wish.tolerances)
    every = np.all(np.array([passed[name] for name in NAMES]), axis=0)
    right = slips == 0
    each = {name: float(passed[name].mean()) for name in NAMES}
    low, middle, high = (float(one) for one in np.quantile(found["coupling"], [0.05, 0.5, 0.95]))
    return Yield(
        share=float(every.mean()),
        counted_right=float(every[right].mean()) if right.any() else 0.0,
        each=each,
        tight=_tight(found, each, wish.coupling_db, wish.tolerances),
        coupling_db=(low, middle, high),
        draws=wish.draws,
        seed=wish.seed,
    )


def _tight(found: dict[str, Floats], each: dict[str, float], wanted_db: float, tolerances: Tolerances) -> str:
    """Return the tolerance that fewest units meet; where all meet all, the one whose worst unit comes nearest to its limit."""
    used = {
        "coupling": float(np.max(np.abs(found["coupling"] - wanted_db)) / tolerances.coupling_error),
        "flatness": float(np.max(found["flatness"]) / tolerances.flatness),
        "return loss": float(tolerances.return_loss / max(np.min(found["return loss"]), 1e-9)),
        "insertion loss": float(np.max(found["insertion loss"]) / tolerances.insertion_loss),
    }
    return min(NAMES, key=lambda name: (each[name], -used[name]))
