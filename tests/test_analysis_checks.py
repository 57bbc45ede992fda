"""Checks of sweeps from anywhere: each one right on good sweeps, and wrong on sweeps made wrong in its own way."""

from collections.abc import Mapping

import numpy as np
import pytest

from harness.analysis import Evaluation, Termination, Terminations, evaluate
from harness.errors import DataError
from harness.records import KITS, Sweep
from tests.analysis_bench import (
    GRID,
    POINTS,
    ideal_unit,
    known,
    one_path,
    only,
    phasor,
    random_unit,
    sweeps_of,
    two_port,
    type_of,
)

LOAD_A, LOAD_B, RECEIVER = phasor(30, 1e-9, 0.4), phasor(32, 2e-9, 2.0), phasor(20, 6e-10, -1.0)
UNIT = 0.999 * ideal_unit(32)
ONE_PATH = sweeps_of(UNIT, LOAD_A, LOAD_B, RECEIVER)
TWO_PATH = sweeps_of(UNIT, LOAD_A, LOAD_B, None)


def judged(sweeps: Mapping[str, Sweep], receiver: np.ndarray | None = RECEIVER) -> Evaluation:
    return evaluate(sweeps, type_of(), known(LOAD_A, LOAD_B, receiver), residuals=KITS["lab"], draws=2000)


def outcome(evaluation: Evaluation) -> dict[str, bool]:
    return {check.name: check.ok for check in evaluation.checks}


def says(evaluation: Evaluation, name: str) -> str:
    return next(check.says for check in evaluation.checks if check.name == name)


def changed(sweep: Sweep, **factors: object) -> Sweep:
    return Sweep(sweep.name, sweep.frequency_hz, {**sweep.traces, **factors}, sweep.ports)  # type: ignore[dict-item]


def test_good_one_path_sweeps_pass_every_check() -> None:
    found = outcome(judged(ONE_PATH))
    assert set(found) == {
        "points in the band",
        "passive sweeps",
        "passive unit",
        "line match twice",
        "both sides",
        "sweeps agree",
        "linear treatment",
    }
    assert all(found.values())


def test_good_two_path_sweeps_pass_every_check() -> None:
    found = outcome(judged(TWO_PATH, None))
    assert set(found) >= {"reciprocity", "second assembly"}
    assert all(found.values())


def test_sweeps_of_another_unit_in_one_hook_up_do_not_agree() -> None:
    mixed = ONE_PATH | only(sweeps_of(UNIT + 0.1 * np.eye(3), LOAD_A, LOAD_B, RECEIVER), "line")
    found = outcome(judged(mixed))
    assert not found["sweeps agree"]
    assert not found["line match twice"]
    assert "line match only" in says(judged(mixed), "sweeps agree")


def test_what_the_residual_cannot_see_it_does_not_see() -> None:
    """S31 is read once on a one-path bench: 6 dB less signal leaves no residual; the other side of the unit tells it."""
    half = ONE_PATH | {"coupled": changed(ONE_PATH["coupled"], s21=ONE_PATH["coupled"].trace("s21") / 2)}
    found = outcome(judged(half))
    assert found["sweeps agree"]
    assert not found["both sides"]


def test_a_load_forgotten_on_line_out_shows_in_the_line_match() -> None:
    open_end = sweeps_of(UNIT, np.full(POINTS, 0.99 + 0j), LOAD_B, RECEIVER)
    found = judged(ONE_PATH | only(open_end, "coupled"))
    assert not outcome(found)["line match twice"]
    assert not outcome(found)["sweeps agree"]


def test_a_receiver_within_its_bound_is_no_reason_to_doubt_the_line() -> None:
    bounded = Terminations(known(LOAD_A, LOAD_B, None).loads, Termination.bounded(POINTS, 20))
    found = evaluate(only(ONE_PATH, "line", "coupled"), type_of(), bounded)
    assert outcome(found)["line match twice"]
    assert "nothing tells whether" in says(found, "sweeps agree")
    worse = sweeps_of(UNIT, LOAD_A, LOAD_B, phasor(10, 1e-9, 0.0))
    assert not outcome(evaluate(only(worse, "line", "coupled"), type_of(), bounded))["line match twice"]


def test_a_unit_that_was_not_turned_round_is_noticed() -> None:
    coupled = ONE_PATH["coupled"]
    again = Sweep("coupled-far", GRID, coupled.traces, 2)
    found = judged(ONE_PATH | {"coupled-far": again})
    assert not outcome(found)["both sides"]
    assert "was the unit turned round" in says(found, "both sides")


def test_a_capacitive_part_is_noticed() -> None:
    """The winding's part changes sign with the side; a part with the same sign from both is capacitive."""
    unit = UNIT.copy()
    unit[:, 2, 0] = unit[:, 0, 2] = UNIT[:, 2, 0] + 0.02j
    unit[:, 2, 1] = unit[:, 1, 2] = UNIT[:, 2, 1] + 0.02j
    found = judged(sweeps_of(unit, LOAD_A, LOAD_B, RECEIVER))
    assert not outcome(found)["both sides"]
    assert "0.000 dB" in says(found, "both sides")


def test_both_directions_that_differ_are_noticed() -> None:
    line = TWO_PATH["line"]
    found = judged(TWO_PATH | {"line": changed(line, s12=1.03 * line.trace("s12"))}, None)
    assert not outcome(found)["reciprocity"]
    assert "in line" in says(found, "reciprocity")


def test_pairs_that_do_not_belong_together_differ_in_the_second_assembly() -> None:
    far = sweeps_of(1.0 * UNIT + 0.05 * np.diag([0, 1, 0]), LOAD_A, LOAD_B, None)
    assert not outcome(judged(TWO_PATH | only(far, "coupled-far"), None))["sweeps agree"]
    coupled = TWO_PATH["coupled"]
    one_way = TWO_PATH | {"coupled": changed(coupled, s12=1.05 * coupled.trace("s12"))}
    assert not outcome(judged(one_way, None))["second assembly"]


def test_a_little_gain_is_noticed_and_much_is_refused() -> None:
    line = ONE_PATH["line"]
    little = ONE_PATH | {"line": changed(line, s21=1.05 * line.trace("s21"))}
    assert not outcome(judged(little))["passive sweeps"]
    assert not outcome(judged(little))["passive unit"]
    with pytest.raises(DataError, match=r"the sweep line has .* dB more power out than in at"):
        judged(ONE_PATH | {"line": changed(line, s21=1.3 * line.trace("s21"))})


def test_a_receiver_that_reflects_explains_more_than_all_the_power() -> None:
    """Into a receiver of −10 dB the wave may be 1/(1 − 0.1), 0.46 dB, above what the line alone lets through."""
    unit = np.repeat(np.array([[[0.3, 0.95, 0], [0.95, -0.3, 0], [0, 0, 0.5]]], dtype=complex), POINTS, axis=0)
    unit[:, 0, 2] = unit[:, 2, 0] = 0.01
    unit[:, 1, 2] = unit[:, 2, 1] = -0.01
    receiver = np.full(POINTS, -0.3 + 0j)
    sweeps = sweeps_of(unit, LOAD_A, LOAD_B, receiver)
    assert outcome(evaluate(sweeps, type_of(), known(LOAD_A, LOAD_B, receiver)))["passive sweeps"]


def test_few_points_in_the_band_are_noticed_and_hardly_any_refused() -> None:
    load_a, load_b, receiver = LOAD_A[:20], LOAD_B[:20], RECEIVER[:20]
    few = sweeps_of(ideal_unit(32, 20), load_a, load_b, receiver, np.linspace(1e6, 100e6, 20))
    terminations = known(load_a, load_b, receiver)
    assert not outcome(evaluate(few, type_of(high="40 MHz"), terminations))["points in the band"]
    with pytest.raises(DataError, match=r"1 of them in the type's band, 6 MHz to 7 MHz; at least 2 are needed"):
        evaluate(few, type_of(low="6 MHz", high="7 MHz"), terminations)


def test_a_band_that_is_not_covered_is_refused_with_both_ranges() -> None:
    with pytest.raises(DataError, match=r"201 points, 1 MHz to 100 MHz; the type's band is 1.8 MHz to 144 MHz") as caught:
        evaluate(ONE_PATH, type_of(high="144 MHz"), known(LOAD_A, LOAD_B, RECEIVER))
    assert caught.value.hint


def test_a_band_edge_on_the_last_point_is_covered() -> None:
    assert evaluate(ONE_PATH, type_of(low="1 MHz", high="100 MHz"), known(LOAD_A, LOAD_B, RECEIVER)).decision == "conforms"


@pytest.mark.parametrize("name", ["line", "coupled"])
def test_a_missing_sweep_is_named(name: str) -> None:
    with pytest.raises(DataError, match=f"the sweep {name} is missing"):
        judged({key: sweep for key, sweep in ONE_PATH.items() if key != name})


def test_sweeps_on_different_grids_are_refused() -> None:
    moved = Sweep("coupled", GRID * 1.01, ONE_PATH["coupled"].traces, 2)
    with pytest.raises(DataError, match=r"coupled has .* line has .* need one grid"):
        judged(ONE_PATH | {"coupled": moved})
    lost_an_ulp = Sweep("coupled", GRID * (1 + 2e-16), ONE_PATH["coupled"].traces, 2)
    assert judged(ONE_PATH | {"coupled": lost_an_ulp}).decision == "conforms"


@pytest.mark.parametrize("value", [np.nan, np.inf, complex(0, np.nan)])
def test_a_value_that_is_no_number_is_refused_with_its_place(value: complex) -> None:
    trace = ONE_PATH["coupled"].trace("s21").copy()
    trace[[2, 7]] = value
    with pytest.raises(DataError, match=r"S21 of the sweep coupled is not a number at 2 of 201 frequencies, first at 1.99 MHz"):
        judged(ONE_PATH | {"coupled": changed(ONE_PATH["coupled"], s21=trace)})


@pytest.mark.parametrize("grid", [GRID[::-1], np.full(POINTS, 1e6), GRID - 1e6, np.where(GRID > 5e7, np.nan, GRID)])
def test_frequencies_that_do_not_rise_are_refused(grid: np.ndarray) -> None:
    with pytest.raises(DataError, match="do not rise"):
        judged({name: Sweep(name, grid, sweep.traces, sweep.ports) for name, sweep in ONE_PATH.items()})


def test_a_trace_of_another_length_is_refused() -> None:
    with pytest.raises(DataError, match="S11 of the sweep line has 200 values for 201 frequencies"):
        judged(ONE_PATH | {"line": changed(ONE_PATH["line"], s11=ONE_PATH["line"].trace("s11")[:-1])})


def test_a_trace_that_was_not_measured_is_named() -> None:
    bare = Sweep("coupled", GRID, {"s11": ONE_PATH["coupled"].trace("s11")}, 2)
    with pytest.raises(DataError, match="the sweep coupled has no S21"):
        judged(ONE_PATH | {"coupled": bare})


def test_columns_of_zeros_are_not_taken_for_a_measurement() -> None:
    zeros = np.zeros(POINTS, dtype=complex)
    with pytest.raises(DataError, match="S12 and S22 of the sweep line are zero at all frequencies"):
        judged(ONE_PATH | {"line": changed(ONE_PATH["line"], s12=zeros, s22=zeros)})


OPEN, THRU = phasor(0, 0, 0), phasor(0.1, 2e-10, 0)
MISTAKES = {
    "nothing connected": Sweep("coupled", GRID, {"s11": 0.999 * OPEN, "s21": 0.0001 * OPEN}, 2),
    "a short in its place": Sweep("coupled", GRID, {"s11": -0.999 * OPEN, "s21": 0.0001 * OPEN}, 2),
    "the thru in its place": Sweep("coupled", GRID, {"s11": 0.01 * OPEN, "s21": THRU}, 2),
    "sample and line out swapped": Sweep("coupled", GRID, ONE_PATH["line"].traces, 2),
    "sample and line in swapped": one_path("coupled", UNIT[:, [2, 0]][:, :, [2, 0]], RECEIVER),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_wrong_hook_up_is_computed_and_noticed(mistake: str) -> None:
    """Such sweeps are no reason to give up: what is wrong must be seen afterwards."""
    found = judged(ONE_PATH | {"coupled": MISTAKES[mistake]})
    failed = {name for name, ok in outcome(found).items() if not ok}
    assert failed & {"both sides", "line match twice"}


def test_sweeps_of_noise_are_refused() -> None:
    rng = np.random.default_rng(8)
    s = 0.5 * (rng.normal(size=(POINTS, 2, 2)) + 1j * rng.normal(size=(POINTS, 2, 2))) / np.sqrt(2)
    s /= np.maximum(np.linalg.svd(s, compute_uv=False)[:, :1, None], 1)
    sweeps = {"line": one_path("line", s, 0 * RECEIVER), "coupled": two_port("coupled", random_unit(2)[:, :2, :2])}
    with pytest.raises(DataError, match=r"no three-port fits the sweeps at .* of 201 frequencies"):
        evaluate(sweeps, type_of(), known(LOAD_A, LOAD_B, RECEIVER))
