"""Sequences are data: what they ask, in which order, and what it costs the operator."""

from __future__ import annotations

import pytest

from harness.errors import FileError, UsageError
from harness.records import parse_bench, parse_type
from harness.steps import CheckStandard, Connect, Measure, Plan, Solve, Verify
from sequences import hookups
from sequences.plans import calibration_plan, proof_plan
from tests.texts import BENCH_TEXT, TYPE_TEXT

TYPE = parse_type(TYPE_TEXT, "type")
BENCH = parse_bench(BENCH_TEXT, "bench")


def hookup_names(plan: Plan) -> list[str]:
    return [step.hookup.name for step in plan.steps if isinstance(step, Connect)]


def test_full_proof_takes_the_four_hook_ups_after_a_verification() -> None:
    plan = proof_plan("line-sampler", TYPE, BENCH, calibrated=True)
    assert hookup_names(plan) == ["verify-load", "coupled", "line", "coupled-far", "sample"]
    assert plan.connections == 5


def test_quick_proof_takes_two() -> None:
    assert hookup_names(proof_plan("line-sampler-quick", TYPE, BENCH, calibrated=True)) == ["verify-load", "coupled", "line"]


def test_without_a_calibration_its_steps_come_first_and_replace_the_verification() -> None:
    plan = proof_plan("line-sampler", TYPE, BENCH, calibrated=False)
    names = hookup_names(plan)
    assert names[:3] == ["cal-short", "cal-open", "cal-load"]
    assert names[-4:] == ["coupled", "line", "coupled-far", "sample"]
    assert "verify-load" not in names
    assert "verify-thru" in names
    solve = next(n for n, step in enumerate(plan.steps) if isinstance(step, Solve))
    judge = next(n for n, step in enumerate(plan.steps) if isinstance(step, Verify))
    first_unit = next(n for n, step in enumerate(plan.steps) if isinstance(step, Measure) and step.kind == "unit")
    assert solve < judge < first_unit


def test_every_standard_is_looked_at_right_after_its_sweep() -> None:
    steps = calibration_plan(BENCH).steps
    for n, step in enumerate(steps):
        if isinstance(step, Measure) and step.kind == "standard":
            follower = steps[n + 1]
            assert isinstance(follower, CheckStandard)
            assert follower.sweep == step.sweep


def test_two_path_calibrates_both_ports_and_takes_all_four_traces() -> None:
    bench = parse_bench(BENCH_TEXT.replace('paths = "one-path"', 'paths = "two-path"'), "bench")
    plan = proof_plan("line-sampler", TYPE, bench, calibrated=False)
    assert {"cal-short-2", "cal-open-2", "cal-load-2"} <= set(hookup_names(plan))
    line = next(step for step in plan.steps if isinstance(step, Measure) and step.sweep == "line")
    assert line.traces == ("s11", "s21", "s12", "s22")


def test_an_analyser_that_corrects_itself_has_no_calibration_steps() -> None:
    bench = parse_bench(BENCH_TEXT + '\n[correction]\nby = "analyser"\n', "bench")
    assert calibration_plan(bench).steps == ()
    assert hookup_names(proof_plan("line-sampler", TYPE, bench, calibrated=False)) == ["coupled", "line", "coupled-far", "sample"]


def test_repeats_take_the_hook_up_apart_and_make_it_again() -> None:
    bench = parse_bench(BENCH_TEXT + "\n[repeats]\nhookup = 3\n", "bench")
    plan = proof_plan("line-sampler-quick", TYPE, bench, calibrated=True)
    assert hookup_names(plan) == ["verify-load", *["coupled"] * 3, *["line"] * 3]
    again = [step for step in plan.steps if isinstance(step, Connect) and step.hookup.name == "coupled"][1]
    assert again.says[0].startswith("Take the connections apart")
    assert len({step.id for step in plan.steps}) == len(plan.steps)


def test_prompts_name_every_connection_and_the_adapter() -> None:
    plan = proof_plan("line-sampler", TYPE, BENCH, calibrated=True)
    coupled = next(step for step in plan.steps if isinstance(step, Connect) and step.hookup.name == "coupled")
    text = " ".join(coupled.says)
    assert "adapter BNC to UHF" in coupled.says[0]
    assert "stay there" in coupled.says[0]
    assert "cable of analyser 1 to line in" in text
    assert "cable of analyser 2 to sample (BNC)" in text
    assert "load A to line out" in text


def test_an_adapter_that_the_bench_does_not_list_is_asked_for() -> None:
    bench = parse_bench(BENCH_TEXT.split("[[adapters]]")[0], "bench")
    lines = hookups.says(hookups.COUPLED, bench, TYPE)
    assert any("needs an adapter BNC to UHF" in line for line in lines)


def test_the_time_is_connections_and_sweeps() -> None:
    plan = proof_plan("line-sampler-quick", TYPE, BENCH, calibrated=True)
    # 201 points × 1 ms × 1 average; traces: one for the verification, two for each of the two hook-ups
    assert plan.seconds_from(0) == pytest.approx(3 * Plan.CONNECT_SECONDS + 5 * 0.201)


def test_unknown_sequence_is_refused_with_the_known_ones() -> None:
    with pytest.raises(UsageError, match="no-such") as caught:
        proof_plan("no-such", TYPE, BENCH, calibrated=True)
    assert "line-sampler-quick" in caught.value.hint


def test_thru_is_joined_through_the_standard() -> None:
    assert hookups.says(hookups.THRU, BENCH, None) == ("Join the cables of analyser 1 and analyser 2 with the thru.",)


def test_a_bench_with_one_load_leaves_the_sample_port_out() -> None:
    bench = parse_bench(BENCH_TEXT + "\n[loads.A]\nmeasured = true\n", "bench")
    assert hookup_names(proof_plan("line-sampler", TYPE, bench, calibrated=True)) == [
        "verify-load",
        "coupled",
        "line",
        "coupled-far",
    ]


def test_a_bench_without_load_a_is_refused() -> None:
    with pytest.raises(FileError, match="load A is missing"):
        parse_bench(BENCH_TEXT + "\n[loads.B]\nmeasured = true\n", "bench")
