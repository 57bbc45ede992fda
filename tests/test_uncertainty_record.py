"""What stands in the record, in the bench file, and on the screen."""

import json
import time
import tracemalloc

import numpy as np
import pytest

from harness import assess
from harness.analysis import Band, Evaluation, evaluate
from harness.cli.print_proof import bound_text, proof_lines, value_text
from harness.errors import FileError
from harness.files import read_bench
from harness.records import KITS, Figure, default_residuals, parse_bench, parse_proof
from harness.records.proof import Circumstances
from tests.analysis_bench import GRID, ideal_unit, known, phasor, sweeps_of, type_of
from tests.texts import BENCH_TEXT
from tests.uncertain_benches import Bench, Setting

BANDS = (Band(name="40 m", low_hz=7e6, high_hz=7.3e6), Band(name="out", low_hz=70e6, high_hz=71e6))
LOAD_A, LOAD_B, RECEIVER = phasor(30, 1e-9, 0.4), phasor(32, 2e-9, 2.0), phasor(20, 6e-10, -1.0)


def judged(**changes: object) -> Evaluation:
    bench = Bench(1, Setting())
    return evaluate(bench.sweeps(), type_of(), bench.terminations(), BANDS, residuals=KITS["good"], **changes)  # type: ignore[arg-type]


def test_the_same_sweeps_and_seed_give_the_same_figures() -> None:
    one, same, other = judged(draws=1000), judged(draws=1000), judged(draws=1000, seed=7)
    assert one.figures == same.figures
    assert one.coupling_table == same.coupling_table
    assert one.figures != other.figures
    assert other.uncertainty.seed == 7
    assert one.uncertainty.draws == 1000


def test_figures_have_the_ends_of_the_contract_and_budgets_that_sum_to_one() -> None:
    found = judged()
    coupling = found.figures["coupling_db"]
    assert coupling.low is not None
    assert coupling.high is not None
    assert coupling.low < coupling.value < coupling.high
    assert found.figures["return_loss_db"].high is None
    assert (found.figures["return_loss_db"].low or 99) < found.figures["return_loss_db"].value
    for name in ("flatness_db", "insertion_loss_db", "swr"):
        assert found.figures[name].low is None
        assert (found.figures[name].high or 0) > found.figures[name].value
    assert set(found.budget) == set(found.figures)
    for lines in found.budget.values():
        assert sum(line.share for line in lines) == pytest.approx(1)
        assert [line.share for line in lines] == sorted((line.share for line in lines), reverse=True)
        assert all("dB" in line.size for line in lines)
    assert {"trace noise", "residual directivity", "transmission tracking"} <= {
        line.input for line in found.budget["coupling_db"]
    }


def test_coupling_at_band_centres_and_over_the_sweep_has_intervals() -> None:
    found = judged()
    (at,) = found.coupling_at
    assert at.hz == 7.15e6
    assert at.low is not None
    assert at.high is not None
    assert at.low < at.db < at.high
    table = found.coupling_table
    assert len(table.hz) == len(table.db) == len(table.low) == len(table.high) == 201
    assert all(low < db < high for low, db, high in zip(table.low, table.db, table.high, strict=True))
    assert np.interp(at.hz, table.hz, table.low) == pytest.approx(at.low, abs=0.005)


def test_a_proof_record_keeps_it_all_and_reads_back() -> None:
    found = judged()
    when = Circumstances(when="2024-05-04T10:11:12+02:00", program="tapproof", sequence="line-sampler")
    proof = assess.assemble("CL-1", "a1", None, type_of(), None, when, found)
    again = parse_proof(proof.model_dump_json(), "proof.json")
    assert again.budget == found.budget
    assert again.coupling_table == found.coupling_table
    assert again.probability == found.probability
    assert again.uncertainty is not None
    assert again.uncertainty.residuals == KITS["good"]
    summary = json.loads(json.dumps(again.summary(), allow_nan=False))
    assert summary["probability"] == found.probability
    assert summary["figures"]["return_loss_db"]["high"] is None
    assert len(proof.model_dump_json()) < 40_000


def test_without_a_bench_the_default_class_is_assumed_and_said() -> None:
    sweeps = sweeps_of(ideal_unit(32), LOAD_A, LOAD_B, RECEIVER)
    found = evaluate(sweeps, type_of(), known(LOAD_A, LOAD_B, RECEIVER), draws=500)
    assert "no bench given, assumed: class plain" in found.uncertainty.says
    assert assess.residuals_of(None, type_of()).source == default_residuals().source


def test_a_bench_states_a_class_and_what_it_knows_better() -> None:
    text = BENCH_TEXT + '\n[uncertainty]\nkit = "good"\ndirectivity = "-45 dB"\nper_kelvin = "0.01 dB"\ncalibrated_celsius = 23\n'
    bench = parse_bench(text, "bench.toml")
    found = assess.residuals_of(bench, type_of(), ambient_celsius=31.0)
    assert found.directivity == -45
    assert found.source_match == KITS["good"].source_match
    assert "class good" in found.source
    assert "from the bench file: directivity, per kelvin" in found.source
    assert found.ambient_celsius == 31
    again = parse_bench_json(bench.model_dump_json())
    assert again == bench


def parse_bench_json(text: str) -> object:
    from harness.records import Bench as BenchRecord

    return BenchRecord.model_validate_json(text)


def test_a_bench_that_states_nothing_is_taken_as_plain_and_says_so() -> None:
    bench = read_bench("simulated-serial").model_copy(update={"uncertainty": None})
    found = assess.residuals_of(bench, type_of())
    assert "the bench file has no [uncertainty], assumed: class plain" in found.source
    assert found.adapters == {"line in": -40.0, "line out": -40.0}


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('kit = "best"', "kit"),
        ("directivity = -40", "not text with a unit"),
        ('directivity = "40 dB"', "directivity"),
        ('cable = "-1 dB"', "cable"),
        ('directivty = "-40 dB"', "is not a key"),
    ],
)
def test_a_wrong_uncertainty_table_is_refused(line: str, says: str) -> None:
    with pytest.raises(FileError, match=says):
        parse_bench(f"{BENCH_TEXT}\n[uncertainty]\n{line}\n", "bench.toml")


def test_temperature_widens_the_interval_where_it_is_given() -> None:
    bench = Bench(3, Setting(residuals=KITS["lab"]))
    sweeps, terminations = bench.sweeps(), bench.terminations()
    sizes = KITS["lab"].model_copy(update={"per_kelvin": 0.02, "calibrated_celsius": 20.0})
    found = [
        evaluate(sweeps, type_of(), terminations, residuals=sizes.model_copy(update={"ambient_celsius": celsius}), draws=2000)
        for celsius in (None, 20.0, 30.0)
    ]
    width = [one.figures["coupling_db"].half_width or 0 for one in found]
    assert width[0] == width[1]
    assert width[2] > 2 * width[1]
    assert found[2].budget["coupling_db"][0].input == "temperature"
    assert "10.0 K" in found[2].budget["coupling_db"][0].size


def test_a_return_loss_is_never_plus_or_minus() -> None:
    """abs(Γ) = 0.010 ± 0.010 means "at least 34.0 dB" (0.020 is 33.98 dB): it is not told from a perfect match."""
    figure = Figure(value=40.0, low=33.9794, high=None)
    assert value_text("return_loss_db", figure) == "—"
    assert bound_text("return_loss_db", figure) == "at least 33.9 dB"
    known_well = Figure(value=30.03, low=29.11, high=None)
    assert value_text("return_loss_db", known_well) == "30.03 dB"
    assert bound_text("return_loss_db", known_well) == "at least 29.11 dB"
    coupling = Figure(value=30.1234, low=29.98, high=30.26)
    assert value_text("coupling_db", coupling) == "30.12 dB"
    assert bound_text("coupling_db", coupling) == "29.98 to 30.26 dB"
    loss = Figure(value=0.0411, low=None, high=0.0672)
    assert value_text("insertion_loss_db", loss) == "0.041 dB"
    assert bound_text("insertion_loss_db", loss) == "at most 0.068 dB"


def test_the_terminal_tells_bounds_probability_and_what_would_decide() -> None:
    bench = Bench(2, Setting(residuals=KITS["plain"]))
    tight = type_of(insertion_loss="0.05 dB")
    found = evaluate(bench.sweeps(), tight, bench.terminations(), BANDS, residuals=KITS["plain"])
    assert found.figures["insertion_loss_db"].decision == "undecided"
    when = Circumstances(when="2024-05-04T10:11:12+02:00", program="tapproof", sequence="line-sampler")
    lines = "\n".join(proof_lines(assess.assemble("CL-1", "a1", None, tight, None, when, found)))
    assert "CL-1 undecided against" in lines
    assert "(probability 0." in lines
    assert "at least" in lines
    assert "insertion loss, worst would be decided by: " in lines
    assert "class plain" in lines
    assert "7.15 MHz 30." in lines
    return_loss = next(line for line in lines.splitlines() if line.strip().startswith("return loss"))
    assert "±" not in return_loss


def test_sweeps_that_do_not_agree_within_their_uncertainty_are_noticed() -> None:
    """The receiver 0.1 away from what the calibration says of it shows in line, and only there."""
    bench = Bench(4, Setting())
    bench.receivers_now["2"] = bench.receivers_now["2"] + 0.1
    found = bench.evaluate()
    agree = next(check for check in found.checks if check.name == "sweeps agree")
    assert not agree.ok
    assert found.decision != "conforms"


def test_ten_thousand_draws_are_quick_and_small() -> None:
    """201 points under 2 s of processor time on one core, the best of two; 1601 points under 12 s and 300 MB of arrays."""
    bench = Bench(1, Setting())
    sweeps, terminations = bench.sweeps(), bench.terminations()
    spent = []
    for _ in range(2):
        begin = time.process_time()
        evaluate(sweeps, type_of(), terminations, BANDS, residuals=KITS["good"], draws=10_000)
        spent.append(time.process_time() - begin)
    assert min(spent) < 2
    fine = np.linspace(1e6, 100e6, 1601)
    bench = Bench(1, Setting(two_path=True), hz=fine)
    sweeps, terminations = bench.sweeps(), bench.terminations()
    begin = time.process_time()
    evaluate(sweeps, type_of(), terminations, BANDS, residuals=KITS["good"], draws=10_000)
    assert time.process_time() - begin < 12
    tracemalloc.start()
    evaluate(sweeps, type_of(), terminations, BANDS, residuals=KITS["good"], draws=4000)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 300e6
    assert GRID.size == 201
