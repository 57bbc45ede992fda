"""Do stated intervals hold the truth? A small run; ``make intervals`` is the large one.

The limits: a coverage of 95 % over n independent benches is seen within ±3.3 standard deviations, sqrt(0.95·0.05/n); the seeds
are fixed, so the outcome is.
"""

from functools import cache

import numpy as np
import pytest

from harness.analysis import Evaluation
from harness.records import KITS, Residuals
from tests.uncertain_benches import Bench, Setting

DRAWS = 400
COARSE = np.linspace(1e6, 100e6, 67)
"""Fewer points than a bench takes, so that the run is short."""
ONE_PATH = Setting(two_path=False, termination="external", coupling=30)
INTERNAL = Setting(two_path=False, termination="internal", coupling=20)
TWO_PATH = Setting(two_path=True, termination="external", coupling=40)
PLAIN = Setting(residuals=KITS["plain"], two_path=False, termination="external", coupling=30)

Run = tuple[Evaluation, dict[str, float], np.ndarray]


def measured(setting: Setting, first: int, count: int, stated: Residuals | None = None) -> list[Run]:
    """Return, for each of ``count`` benches, evaluation, true figures, true coupling over the sweep in dB."""
    found = []
    for seed in range(first, first + count):
        bench = Bench(seed, setting, hz=COARSE)
        true_db = -20 * np.log10(np.abs(bench.unit[:, 2, 0]))
        found.append((bench.evaluate(draws=DRAWS, residuals=stated), bench.truth(), true_db))
    return found


@cache
def reference() -> list[Run]:
    """Return the runs of the good one-path bench that several tests look at."""
    return measured(ONE_PATH, 0, 60)


def held(runs: list[Run], name: str) -> float:
    """Return the share of benches whose interval of a figure holds the truth."""
    inside = []
    for result, truth, _ in runs:
        low, high = result.figures[name].low, result.figures[name].high
        inside.append((low is None or low <= truth[name]) and (high is None or truth[name] <= high))
    return float(np.mean(inside))


def table_held(runs: list[Run]) -> float:
    """Return the share of the coupling tables' intervals, over benches and frequencies, that hold the truth."""
    return float(
        np.mean(
            [
                (np.array(result.coupling_table.low) <= true_db) & (true_db <= np.array(result.coupling_table.high))
                for result, _, true_db in runs
            ]
        )
    )


@pytest.mark.parametrize(
    "setting",
    [
        pytest.param(ONE_PATH, id="one-path"),
        pytest.param(INTERNAL, id="internal", marks=pytest.mark.thorough),
        pytest.param(TWO_PATH, id="two-path", marks=pytest.mark.thorough),
        pytest.param(PLAIN, id="plain", marks=pytest.mark.thorough),
    ],
)
def test_intervals_hold_the_truth(setting: Setting) -> None:
    runs = reference() if setting is ONE_PATH else measured(setting, 0, 30)
    least = 0.95 - 3.3 * np.sqrt(0.95 * 0.05 / len(runs))
    for name in ("coupling_db", "return_loss_db", "flatness_db", "insertion_loss_db", "swr"):
        assert held(runs, name) >= least, name
    assert table_held(runs) >= least  # a bench's whole table hangs together: it counts as one
    assert np.mean([all(check.ok for check in result.checks) for result, _, _ in runs]) >= 0.9


LEFT_OUT = {"receiver_match": (-34.0, -200.0), "transmission_tracking": (0.1, 0.0), "connector": (-38.0, -200.0)}


@pytest.mark.thorough
@pytest.mark.parametrize("name", LEFT_OUT)
def test_an_input_left_out_is_noticed(name: str) -> None:
    """A bench whose largest error is the one that is left out: intervals of the coupling then hold the truth far too seldom."""
    large, nothing = LEFT_OUT[name]
    true = KITS["lab"].model_copy(update={name: large})
    setting = Setting(residuals=true)
    assert table_held(measured(setting, 100, 12)) > 0.86
    assert table_held(measured(setting, 100, 12, true.model_copy(update={name: nothing}))) < 0.75


def test_unknown_loads_are_covered() -> None:
    """Loads of 30 dB of which only the bound is known, a receiver of 20 dB of which only the bound is known: wide, and right."""
    runs = measured(Setting(swept=False), 0, 20)
    assert table_held(runs) >= 0.88
    assert held(runs, "coupling_db") >= 0.85


def test_line_and_coupled_alone_are_covered() -> None:
    """S33 not measured, externally terminated, receiver anywhere within 20 dB: the interval must hold +0.83/−0.92 dB."""
    runs = measured(Setting(swept=False, sweeps=("coupled", "line")), 0, 20)
    assert table_held(runs) >= 0.88
    assert held(runs, "coupling_db") >= 0.85
    for result, _, _ in runs:
        assert 0.4 < (result.figures["coupling_db"].half_width or 0) < 1.3
        assert "S33 and receiver match, not measured" in {line.input for line in result.budget["coupling_db"]}


def test_a_unit_at_its_tolerance_is_seldom_called_conforming() -> None:
    """JCGM 106: with the truth at the tolerance itself, at most 2.5 % of units are called conforming; here of 300 decisions.

    Two standard deviations of such a share are allowed; ``make intervals`` holds 6000 of them to the limit itself.
    """
    wrong = []
    for result, truth, _ in reference():
        drawn = result.drawn
        wrong += [np.mean(drawn["coupling_db"] <= truth["coupling_db"]), np.mean(drawn["coupling_db"] >= truth["coupling_db"])]
        wrong += [np.mean(drawn["return_loss_db"] >= truth["return_loss_db"])]
        wrong += [np.mean(drawn[name] <= truth[name]) for name in ("flatness_db", "insertion_loss_db")]
    assert len(wrong) == 300
    assert np.mean(np.array(wrong) >= 0.975) <= 0.025 + 2 * np.sqrt(0.025 * 0.975 / len(wrong))


def test_one_sided_bounds_are_not_useless() -> None:
    """The median bound within 3 dB of the true return loss, and within 0.05 dB of the true flatness, on a good bench."""
    return_loss = [truth["return_loss_db"] - (result.figures["return_loss_db"].low or 0) for result, truth, _ in reference()]
    flatness = [(result.figures["flatness_db"].high or 9) - truth["flatness_db"] for result, truth, _ in reference()]
    assert np.median(return_loss) < 3
    assert np.median(flatness) < 0.05
