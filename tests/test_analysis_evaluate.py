"""Evaluation of whole units: what comes out, on which bench, and how it says it was taken."""

import json
from importlib.resources import files

import numpy as np
import pytest

from harness.analysis import Termination, Terminations, evaluate, parse_bands
from harness.records import Sweep
from harness.sampler import ideal_circuit, three_port
from tests.analysis_bench import GRID, POINTS, ideal_unit, known, only, phasor, sweeps_of, type_of

LOAD_A, LOAD_B, RECEIVER = phasor(30, 1e-9, 0.4), phasor(32, 2e-9, 2.0), phasor(20, 6e-10, -1.0)
BANDS = parse_bands(files("harness.data").joinpath("bands.toml").read_text(encoding="utf-8"), "bands.toml")


@pytest.mark.parametrize("receiver", [RECEIVER, None], ids=["one-path", "two-path"])
def test_a_32_turn_unit(receiver: np.ndarray | None) -> None:
    """Exact lossless sampler: coupling 30.1072 dB, insertion loss 0.00424 dB, return loss 66.231 dB; 2N²/(2N²+2) of match."""
    unit = ideal_unit(32)
    found = evaluate(sweeps_of(unit, LOAD_A, LOAD_B, receiver), type_of(), known(LOAD_A, LOAD_B, receiver), BANDS)
    values = {name: figure.value for name, figure in found.figures.items()}
    assert values == pytest.approx(
        {
            "coupling_db": 30.1072,
            "return_loss_db": 66.231,
            "flatness_db": 0,
            "insertion_loss_db": 0.00424,
            "swr": 2050 / 2048,
        },
        abs=5e-4,
    )
    assert found.decision == "conforms"
    assert found.three_port.name == "unit"
    assert found.three_port.ports == 3
    assert np.max(np.abs(found.three_port.matrix() - unit)) < 1e-12
    assert len(found.coupling_at) == 11
    assert found.usable_band_hz == (1e6, 100e6)
    assert all(check.ok for check in found.checks)
    assert set(found.how) == {*found.figures, "unit"}


def test_a_unit_that_is_loaded_twice_reads_36_db_and_does_not_conform() -> None:
    """32 turns with a resistor inside and the instrument on the port, 25 ohm together: 36.1257 dB (ideal core)."""
    unit = three_port(ideal_circuit(32, internal_resistor=50.0), GRID)
    found = evaluate(sweeps_of(unit, LOAD_A, LOAD_B, RECEIVER), type_of(), known(LOAD_A, LOAD_B, RECEIVER))
    assert found.figures["coupling_db"].value == pytest.approx(36.1257, abs=1e-4)
    assert found.figures["coupling_db"].decision == "does not conform"
    assert found.decision == "does not conform"
    assert found.usable_band_hz is None


def test_the_line_match_never_comes_from_line_into_an_unknown_receiver() -> None:
    """A perfect load behind coupled and a −20 dB receiver behind line: the line is 66.231 dB, not 20 dB.

    What the receiver does through the sample port, S31²·0.1 = 1e-4 beside S11 = 4.9e-4, may move that by 2 dB.
    """
    perfect = np.zeros(POINTS, dtype=complex)
    sweeps = sweeps_of(ideal_unit(32), perfect, perfect, RECEIVER)
    assert np.max(np.abs(sweeps["line"].trace("s11"))) == pytest.approx(0.1, abs=0.005)
    loads = {name: Termination.swept(perfect) for name in ("A", "B")}
    found = evaluate(only(sweeps, "line", "coupled"), type_of(), Terminations(loads, Termination.bounded(POINTS, 20)))
    assert found.figures["return_loss_db"].value == pytest.approx(66.231, abs=2)
    assert "not from line" in found.how["return_loss_db"]
    assert "line out was not measured" in found.how["return_loss_db"]


def test_both_sides_of_the_line_count_where_they_were_measured() -> None:
    unit = ideal_unit(32)
    unit[:, 1, 1] = 0.1j
    everything = sweeps_of(unit, LOAD_A, LOAD_B, RECEIVER)
    found = evaluate(everything, type_of(), known(LOAD_A, LOAD_B, RECEIVER))
    assert found.figures["return_loss_db"].value == pytest.approx(20, abs=1e-9)
    assert found.decision == "does not conform"
    assert "line out: from coupled-far with line in on load A, as measured; the worse of the two" in found.how["return_loss_db"]
    two_path = only(sweeps_of(unit, LOAD_A, LOAD_B, None), "line", "coupled")
    assert evaluate(two_path, type_of(), known(LOAD_A, LOAD_B, None)).figures["return_loss_db"].value == pytest.approx(
        20, abs=1e-3
    )


def test_without_a_bench_the_stated_class_is_assumed_and_said() -> None:
    sweeps = only(sweeps_of(ideal_unit(32), LOAD_A, LOAD_B, RECEIVER), "line", "coupled")
    found = evaluate(sweeps, type_of(), Terminations.of_default_class(POINTS))
    assert "load A taken as 30 dB or better" in found.how["unit"]
    assert "receiver match taken as 20 dB or better" in found.how["coupling_db"]
    assert "S33 was not measured" in found.how["coupling_db"]
    assert abs(found.figures["coupling_db"].value - 30.1072) < 1.2


def test_the_three_port_says_what_it_rests_on() -> None:
    found = evaluate(sweeps_of(ideal_unit(32), LOAD_A, LOAD_B, None), type_of(), known(LOAD_A, LOAD_B, None))
    assert "receiver removed by the two-path correction" in found.how["unit"]
    assert "fitted to line, coupled, coupled-far and sample" in found.how["unit"]
    assert "not measured" not in " ".join(found.how.values())


def test_repeats_are_taken_together() -> None:
    sweeps = sweeps_of(ideal_unit(32), LOAD_A, LOAD_B, RECEIVER)
    coupled = sweeps["coupled"]
    up, down = (
        Sweep("coupled", GRID, {"s11": coupled.trace("s11"), "s21": factor * coupled.trace("s21")}, 2) for factor in (1.01, 0.99)
    )
    found = evaluate({**sweeps, "coupled": [up, down]}, type_of(), known(LOAD_A, LOAD_B, RECEIVER))
    assert found.figures["coupling_db"].value == pytest.approx(30.1072, abs=6e-5)


def test_other_sweeps_are_passed_over() -> None:
    sweeps = sweeps_of(ideal_unit(32), LOAD_A, LOAD_B, RECEIVER)
    verify = Sweep("verify", GRID[:5], {"s11": np.full(5, np.nan + 0j)}, 1)
    assert evaluate({**sweeps, "verify": verify}, type_of(), known(LOAD_A, LOAD_B, RECEIVER)).decision == "conforms"


def test_every_figure_can_stand_in_a_json_document() -> None:
    """A unit that passes everything and reflects nothing has no infinite figures."""
    unit = np.zeros((POINTS, 3, 3), dtype=complex)
    unit[:, 1, 0] = unit[:, 0, 1] = 1
    perfect = np.zeros(POINTS, dtype=complex)
    found = evaluate(sweeps_of(unit, perfect, perfect, perfect), type_of(), known(perfect, perfect, perfect), BANDS)
    text = json.dumps({name: figure.model_dump() for name, figure in found.figures.items()}, allow_nan=False)
    assert json.loads(text)["return_loss_db"]["value"] == 200
    assert found.decision == "does not conform"


def test_the_sweeps_handed_in_are_left_as_they_were() -> None:
    sweeps = sweeps_of(ideal_unit(32), LOAD_A, LOAD_B, RECEIVER)
    before = {name: {key: trace.copy() for key, trace in sweep.traces.items()} for name, sweep in sweeps.items()}
    evaluate(sweeps, type_of(), known(LOAD_A, LOAD_B, RECEIVER), BANDS)
    for name, sweep in sweeps.items():
        assert all(np.array_equal(trace, before[name][key]) for key, trace in sweep.traces.items())
