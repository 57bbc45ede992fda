"""A reading's intervals hold what the line truly carries: a small part of ``python -m tests.intervals.reading``.

What is asked (94 % to 97.5 % of the currents, at least 94 % of the others) is the project's own requirement. Here a few units are
proved and read many times, with fewer draws; the readings of one proof share its error, so wider limits stand for the smaller
numbers. The seed is fixed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.analysis.reading.unit import Known
from harness.records import CouplingTable
from tests.intervals.proportions import Share
from tests.intervals.reading import Held, prove_one, read_level, read_spectrum
from tests.intervals.reading_scene import ThreePort

SEED = 7
UNITS = 4
READINGS = 16
DRAWS = 2000


@pytest.fixture(scope="module")
def proved() -> list[tuple[Known, ThreePort]]:
    return [prove_one(SEED, 3 * number) for number in range(UNITS)]


def held(proved: list[tuple[Known, ThreePort]], off_db: float = 0.0) -> list[Held]:
    found: list[Held] = []
    for number, (known, three_port) in enumerate(proved):
        rng = np.random.default_rng([SEED, number])
        moved = replace(known, table=shifted(known.table, off_db))
        for count in range(READINGS):
            found += read_level(rng, moved, three_port, count, DRAWS)
            if count % 4 == 0 and not off_db:
                found += read_spectrum(rng, moved, three_port, count)
    return found


def shifted(table: CouplingTable, off_db: float) -> CouplingTable:
    moved = {name: tuple(value + off_db for value in getattr(table, name)) for name in ("db", "low", "high")}
    return table.model_copy(update=moved)


def share_of(found: list[Held], what: str) -> float:
    return Share.of(one.holds for one in found if one.what == what).value


def test_intervals_hold_the_true_line_values(proved: list[tuple[Known, ThreePort]]) -> None:
    found = held(proved)
    shares = {what: share_of(found, what) for what in dict.fromkeys(one.what for one in found)}
    assert len(shares) == 13
    assert all(share >= 0.87 for share in shares.values()), shares


def test_a_proof_that_is_wrong_by_0_7_db_is_noticed(proved: list[tuple[Known, ThreePort]]) -> None:
    assert share_of(held(proved[:2], 0.7), "current") < 0.87
