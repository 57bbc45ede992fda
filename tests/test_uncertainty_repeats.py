"""Connector repeats: benches whose connectors are worse, or better, than stated, and repeats that tell."""

import numpy as np
import pytest

from harness.analysis.gum import type_a
from harness.records import KITS
from tests.uncertain_benches import Bench, Setting

STATED = KITS["lab"].model_copy(update={"connector": -45.0})
HZ = np.linspace(1e6, 100e6, 67)


def scales(setting: Setting) -> list[float]:
    """Return, for each of some benches, the factor that the repeats put on the stated connector errors."""
    found = []
    for seed in range(12):
        says = Bench(seed, setting, hz=HZ).evaluate(draws=100).uncertainty.says
        found.append(float(says.split("errors ")[-1].split(" times")[0]) if "Repeats" in says else 1.0)
    return found


@pytest.mark.parametrize("true", [0.3, 1.0, 3.0])
def test_repeats_tell_how_large_connector_errors_are(true: float) -> None:
    """Six repeats of four hook-ups: 40 degrees of freedom beside 6 of the statement, which pulls the result toward 1."""
    found = scales(Setting(residuals=STATED, repeats=6, connector_true=true))
    expected = np.sqrt((6 + 40 * true**2) / 46 * 46 / 44)
    assert np.mean(found) == pytest.approx(expected, rel=0.25)


def test_without_repeats_the_statement_holds() -> None:
    assert scales(Setting(residuals=STATED)) == [1.0] * 12


def test_repeats_make_the_interval_narrower() -> None:
    """Connector errors of the hook-ups fall with the root of the number of repeats, to a third; those of the calibration stay."""
    once, often = (
        Bench(5, Setting(residuals=STATED.model_copy(update={"connector": -35.0}), repeats=count), hz=HZ).evaluate(draws=1000)
        for count in (1, 9)
    )
    width = [float(np.std(result.drawn["insertion_loss_db"])) for result in (once, often)]
    assert width[1] < 0.55 * width[0]
    assert once.budget["insertion_loss_db"][0].input == "connector repeatability"


def test_worse_connectors_than_stated_are_covered_when_repeated() -> None:
    """Three times worse than stated, six repeats: intervals still hold the truth."""
    held = []
    for seed in range(25):
        bench = Bench(seed, Setting(residuals=STATED, repeats=6, connector_true=3.0), hz=HZ)
        table = bench.evaluate(draws=400).coupling_table
        true = -20 * np.log10(np.abs(bench.unit[:, 2, 0]))
        held.append(np.mean((np.array(table.low) <= true) & (true <= np.array(table.high))))
    assert np.mean(held) > 0.9


def test_the_mean_of_repeats_has_the_spread_over_their_root() -> None:
    """GUM 4.2.3: of 1, 2, 4 and 5 the mean is 3 and its standard uncertainty sqrt(10/3)/2."""
    mean, covariance = type_a([[1, 2, 4, 5]])
    assert mean[0] == pytest.approx(3)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(np.sqrt(10 / 3) / 2)
