"""Levels and match against tables computed outside the program from the definitions (IEEE return loss, SWR, 1 mW at 50 ohm)."""

import numpy as np
import pytest

from harness.analysis import levels
from harness.errors import UsageError

# Return loss dB → SWR, by (1 + 10^(−RL/20))/(1 − 10^(−RL/20)).
RETURN_LOSS_SWR = [(20, 1.22222), (25, 1.11917), (26, 1.10553), (30, 1.06531), (40, 1.02020)]
# SWR → return loss dB.
SWR_RETURN_LOSS = [(1.05, 32.256), (1.5, 13.979), (2.0, 9.542)]
# SWR → mismatch loss dB, −10·log10(1 − abs(Γ)²).
SWR_MISMATCH = [(1.5, 0.17729), (2.0, 0.51153)]


@pytest.mark.parametrize(("return_loss", "swr"), RETURN_LOSS_SWR)
def test_swr_of_a_return_loss(return_loss: float, swr: float) -> None:
    assert float(levels.swr_of_return_loss(return_loss)) == pytest.approx(swr, abs=5e-6)
    assert float(levels.return_loss_of_swr(levels.swr_of_return_loss(return_loss))) == pytest.approx(return_loss, abs=1e-9)


@pytest.mark.parametrize(("swr", "return_loss"), SWR_RETURN_LOSS)
def test_return_loss_of_an_swr(swr: float, return_loss: float) -> None:
    assert float(levels.return_loss_of_swr(swr)) == pytest.approx(return_loss, abs=5e-4)


@pytest.mark.parametrize(("swr", "loss"), SWR_MISMATCH)
def test_mismatch_loss(swr: float, loss: float) -> None:
    assert float(levels.mismatch_loss_db(levels.reflection_of_swr(swr))) == pytest.approx(loss, abs=5e-6)


def test_levels_in_50_ohm() -> None:
    """0 dBm is 223.607 mV r.m.s. and 632.456 mV peak to peak; 10, 30 dBm are 2, 20 V; 50 dBm is 100 W."""
    assert float(levels.volts_rms(levels.watts_of_dbm(0))) == pytest.approx(223.607e-3, abs=5e-7)
    assert float(levels.volts_peak_to_peak(levels.watts_of_dbm(0))) == pytest.approx(632.456e-3, abs=5e-7)
    assert levels.volts_peak_to_peak(levels.watts_of_dbm([10, 30])) == pytest.approx([2, 20])
    assert float(levels.watts_of_dbm(50)) == pytest.approx(100)


def test_1500_watts() -> None:
    """1500 W is 61.7609 dBm, 273.861 V r.m.s. and 774.597 V peak to peak at 50 ohm."""
    assert float(levels.dbm_of_watts(1500)) == pytest.approx(61.7609, abs=5e-5)
    assert float(levels.volts_rms(1500)) == pytest.approx(273.861, abs=5e-4)
    assert float(levels.volts_peak_to_peak(1500)) == pytest.approx(774.597, abs=5e-4)


def test_scikit_rf_agrees_on_decibels() -> None:
    from skrf.mathFunctions import complex_2_db, db_2_mag

    s = np.array([0.5 + 0.1j, -0.03j, 1.0, 1e-4])
    assert levels.loss_db(s) == pytest.approx(-complex_2_db(s), abs=1e-12)
    assert levels.ratio_of_loss([3, 20]) == pytest.approx(db_2_mag(np.array([-3, -20])))


def test_nothing_becomes_infinite() -> None:
    """A JSON document has no infinity: zero reflection and total reflection are held at stated ends."""
    assert float(levels.loss_db(0)) == levels.MOST_DB
    assert float(levels.swr_of_reflection(1)) == pytest.approx(levels.MOST_SWR)
    assert float(levels.swr_of_reflection(1.2j)) == pytest.approx(levels.MOST_SWR)
    assert float(levels.swr_of_reflection(0)) == 1
    assert float(levels.mismatch_loss_db(1)) == pytest.approx(levels.MOST_DB)


@pytest.mark.parametrize("swr", [0.99, -2, [1.2, 0.5], float("nan")])
def test_an_swr_below_one_is_refused(swr: float) -> None:
    with pytest.raises(UsageError, match="below 1"):
        levels.return_loss_of_swr(swr)


@pytest.mark.parametrize("watts", [0, -1])
def test_a_power_of_nothing_has_no_level(watts: float) -> None:
    with pytest.raises(UsageError, match="no level in dBm"):
        levels.dbm_of_watts(watts)
