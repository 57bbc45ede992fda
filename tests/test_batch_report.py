"""A batch from the log to its statistics and words. Turns and coupling: the closed form of the lossless sampler, D = 2N² + 1."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from harness.analysis.batch import BatchUnit, batch_statistics, in_words
from harness.analysis.batch.advice import advise, turns_change_db
from harness.analysis.batch.chart import IndividualsChart
from harness.analysis.batch.spread import Spread
from harness.analysis.batch.statistics import Distribution
from harness.errors import DataError, UsageError
from harness.files import read_type
from harness.log import open_log
from harness.log.batches import batch_report, batch_units
from harness.log.unit_log import Log
from harness.records import Figure, SamplerType, parse_type
from tests.batch_records import COUPLINGS, file_batch, file_proof, unit_proof

TYPE = read_type("hf30")


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path) as opened:
        yield opened


def unit(name: str, coupling: float | None, **more: object) -> BatchUnit:
    figures = {} if coupling is None else {"coupling_db": Figure(value=coupling, low=coupling - 0.1, high=coupling + 0.1)}
    made: dict[str, object] = {"decision": "conforms", "first": "conforms", "figures": figures, "type": "hf30"} | more
    return BatchUnit(name, **made)  # type: ignore[arg-type]


def units(couplings: list[float]) -> list[BatchUnit]:
    return [unit(f"U{number}", coupling, repeats=(coupling,)) for number, coupling in enumerate(couplings)]


# --- what to change on the next batch ---


@pytest.mark.parametrize(("turns", "other", "change"), [(32, 31, -0.275), (32, 33, 0.267), (16, 16, 0.0)])
def test_one_turn_changes_the_coupling_by_the_closed_form(turns: int, other: int, change: float) -> None:
    """29.8318, 30.1072 and 30.3743 dB for 31, 32 and 33 turns: −20·log10(2N/(2N² + 1)), lossless, external termination."""
    type_ = TYPE.model_copy(update={"build": TYPE.build.model_copy(update={"turns": turns})})
    assert turns_change_db(type_, other) == pytest.approx(change, abs=1e-3)


def test_an_internal_termination_halves_what_a_turn_changes_it_by_alike() -> None:
    """With 25 Ω on the winding S31 = (Zs·N/Z0)/(1 + Zs/2Z0), Zs = 25/N²: 6.02 dB lower, so a turn does nearly the same."""
    build = TYPE.build.model_copy(update={"termination": "internal", "internal_ohm": 50.0})
    type_ = TYPE.model_copy(update={"build": build})

    def coupling(n: int) -> float:
        series = 25 / n**2
        return -20 * math.log10(series * n / 50 / (1 + series / 100))

    assert turns_change_db(type_, 31) == pytest.approx(coupling(31) - coupling(32), abs=1e-9)


def test_a_batch_that_is_a_turn_off_is_told_to_lose_a_turn() -> None:
    advice = advise(TYPE, mean=30.32, spread=0.05, count=10)
    assert (advice.turns, advice.sure) == (31, True)
    assert advice.change_db == pytest.approx(-0.275, abs=1e-3)
    assert advice.mean_db == pytest.approx(30.045, abs=1e-3)
    assert "wind 31 turns instead of 32 (1 turn less)" in advice.says
    # 95 % prediction interval of one more normal value: mean ± t(0.975, n−1)·s·√(1 + 1/n), any textbook
    reach = stats.t.ppf(0.975, 9) * 0.05 * math.sqrt(1.1)
    assert advice.interval_db == (pytest.approx(advice.mean_db - reach), pytest.approx(advice.mean_db + reach))


def test_few_scattered_units_do_not_make_it_sure() -> None:
    advice = advise(TYPE, mean=30.20, spread=0.2, count=4)
    assert (advice.turns, advice.sure) == (31, False)
    assert "do not make this sure" in advice.says


def test_a_perfect_unit_of_32_turns_is_left_as_it_is() -> None:
    """30.107 dB is 0.107 off, and 31 turns 0.168: no whole number of turns gives 30.000 dB."""
    advice = advise(TYPE, mean=30.1072, spread=0.02, count=6)
    assert (advice.turns, advice.change_db) == (32, 0.0)
    assert "keep 32 turns" in advice.says


def test_no_advice_where_the_closed_form_does_not_hold() -> None:
    type_ = TYPE.model_copy(update={"build": TYPE.build.model_copy(update={"second_turns": 10})})
    assert advise(type_, 31.0, 0.1, 10).turns is None


# --- the statistics put together ---


def test_units_with_a_named_fault_are_left_out_and_break_the_run() -> None:
    good = [30.1, 30.2, 30.15, 30.12]
    faulty = unit("F", 36.1, decision="does not conform", first="does not conform", faults=(("double termination", 0.97),))
    found = batch_statistics([*units(good)[:2], faulty, *units(good)[2:]], TYPE)
    assert found.left_out == (("F", "double termination"),)
    assert isinstance(found.coupling, Distribution)
    assert (found.coupling.count, found.coupling.mean) == (4, pytest.approx(np.mean(good)))
    assert isinstance(found.chart, IndividualsChart)
    assert found.chart.moving_ranges == (pytest.approx(0.1), None, None, pytest.approx(0.03))
    assert found.faults == {"double termination": 1}


@pytest.mark.parametrize("faults", [(("double termination", 0.6),), (("unexplained", 0.99),)])
def test_a_guess_takes_no_unit_out(faults: tuple[tuple[str, float], ...]) -> None:
    found = batch_statistics([*units([30.1, 30.2]), unit("F", 30.4, faults=faults)], TYPE)
    assert found.left_out == ()


def test_an_outlier_does_not_decide_what_to_wind_next_time() -> None:
    """Five units near 30.09 dB and one loaded twice (6.02 dB off): 32 turns are right, and the outlier is no matter of turns."""
    found = batch_statistics(units([30.063, 30.069, 30.101, 36.08, 30.121, 30.079]), TYPE)
    assert [found.order[at] for at in found.outliers.indices] == ["U3"]
    assert isinstance(found.coupling, Distribution)
    assert found.coupling.count == 6
    assert found.without_outliers is not None
    assert (found.without_outliers.count, found.without_outliers.most) == (5, 30.121)
    assert found.advice is not None
    assert found.advice.turns == 32
    words = in_words(found)
    assert words[-1].startswith("Next batch, from the units without the outliers: keep 32 turns")
    assert "Without them: 5 units" in " ".join(words)


def test_the_interval_of_the_mean_is_students() -> None:
    found = batch_statistics(units(list(COUPLINGS)), TYPE).coupling
    assert isinstance(found, Distribution)
    theirs = stats.ttest_1samp(COUPLINGS, 0).confidence_interval(0.95)
    assert found.mean_interval == (pytest.approx(theirs.low), pytest.approx(theirs.high))
    assert found.normality == pytest.approx(stats.shapiro(COUPLINGS).pvalue)


def test_yield_now_and_at_the_first_proof() -> None:
    mended = unit("M", 30.1, first="does not conform")
    open_ = unit("O", 30.9, decision="undecided", first="undecided")
    found = batch_statistics(
        [*units([30.1, 30.2]), mended, open_, unit("W", None, decision=None, first=None, missing="withdrawn")], TYPE
    )
    assert not isinstance(found.yield_, str)
    assert (found.yield_.conform, found.yield_.units, found.undecided) == (3, 4, 1)
    assert found.first_time is not None
    assert found.first_time.conform == 2
    words = " ".join(in_words(found))
    assert "1 undecided, counted as not conforming" in words
    assert "W (withdrawn)" in words


def test_worst_and_median_of_bounded_figures() -> None:
    loss = {"return_loss_db": Figure(value=28.0), "flatness_db": Figure(value=0.4)}
    better = {"return_loss_db": Figure(value=33.0), "flatness_db": Figure(value=0.2)}
    found = batch_statistics([unit("A", None, figures=better), unit("B", None, figures=loss)], TYPE)
    assert (found.others["return_loss_db"].worst, found.others["return_loss_db"].unit) == (28.0, "B")
    assert (found.others["flatness_db"].worst, found.others["flatness_db"].median) == (0.4, pytest.approx(0.3))
    assert isinstance(found.coupling, str)
    assert found.advice is None


@pytest.mark.parametrize("count", range(1, 12))
def test_every_small_batch_has_words_and_a_plain_document(count: int) -> None:
    found = batch_statistics(units(list(np.random.default_rng(count).normal(30.1, 0.1, count))), TYPE)
    assert json.loads(json.dumps(found.as_dict(), allow_nan=False))["order"] == [f"U{number}" for number in range(count)]
    words = in_words(found)
    assert any("no capability index" in sentence.lower() for sentence in words)
    assert words[-1].startswith("Next batch:")


def test_values_that_are_all_the_same_have_words_too() -> None:
    same = [unit(f"U{number}", 30.1, repeats=(30.1, 30.1)) for number in range(60)]
    found = batch_statistics(same, TYPE)
    assert json.dumps(found.as_dict(), allow_nan=False)
    assert in_words(found)


def test_a_batch_without_units_is_refused() -> None:
    with pytest.raises(DataError):
        batch_statistics([], TYPE)


# --- from the log ---


def test_the_order_of_building_is_that_of_the_serials_and_gaps_are_missing_units(log: Log) -> None:
    for serial, day in (("CL-0012", 1), ("CL-0002", 2), ("CL-0003", 3), ("CL-0007", 4)):
        file_proof(log, unit_proof(serial, f"id{serial[3:]}", 30.1, day=day))
    found = batch_units(log, "autumn")
    assert [(each.unit, each.missing) for each in found] == [
        ("CL-0002", None),
        ("CL-0003", None),
        ("CL-0004 to CL-0006", "not proved"),
        ("CL-0007", None),
        ("CL-0008 to CL-0011", "not proved"),
        ("CL-0012", None),
    ]


def test_units_without_serials_stand_in_the_order_of_entering(log: Log) -> None:
    for name, day in (("zebra", 1), ("CL-0002", 2), ("apple", 3)):
        file_proof(log, unit_proof(name, f"id{name[:3].strip('-')}x", 30.1, day=day))
    assert [each.unit for each in batch_units(log, "autumn")] == ["zebra", "CL-0002", "apple"]


def test_a_withdrawn_proof_leaves_the_one_before_and_a_unit_without_any_is_missing(log: Log) -> None:
    file_batch(log, (30.1, 30.2, 30.3))
    file_proof(log, unit_proof("CL-0002", "again2", 36.0, day=20))
    log.withdraw("again2", "load forgotten")
    log.withdraw("autumn0003", "wrong unit")
    found = {each.unit: each for each in batch_units(log, "autumn")}
    assert (found["CL-0002"].proof, found["CL-0002"].value("coupling_db")) == ("autumn0002", 30.2)
    assert (found["CL-0003"].missing, found["CL-0003"].counted_coupling) == ("withdrawn", None)


def test_repeats_are_those_of_the_unit_as_it_is_now(log: Log) -> None:
    file_proof(log, unit_proof("CL-0001", "first1", 36.1, day=1, decision="does not conform", fault="double termination"))
    file_proof(log, unit_proof("CL-0001", "second", 30.10, day=2))
    file_proof(log, unit_proof("CL-0001", "third3", 30.12, day=3))
    file_proof(log, unit_proof("CL-0002", "other2", 30.3, day=4))
    file_proof(log, unit_proof("CL-0001", "fourth", 30.11, day=5, fault="turns", weight=0.3))  # a guess changes no condition
    first, second = batch_units(log, "autumn")
    assert first.repeats == (30.10, 30.12, 30.11)
    assert (first.first, first.decision) == ("does not conform", "conforms")
    report = batch_report(log, "autumn")
    assert isinstance(report.statistics["hf30"].spread, Spread)
    assert second.repeats == (30.3,)


def test_repeats_begin_anew_where_a_unit_was_reworked(log: Log) -> None:
    reworked = {"drifted": False, "reworked": "new core"}
    for day, (identity, coupling, drift) in enumerate(
        [("first1", 30.4, None), ("second", 30.10, reworked), ("third3", 30.12, None)], start=1
    ):
        file_proof(log, unit_proof("CL-0001", identity, coupling, day=day).model_copy(update={"drift": drift}))
    (unit,) = batch_units(log, "autumn")
    assert unit.repeats == (30.10, 30.12)
    assert [line.reworked for line in log.batch_lines("autumn")] == [None, "new core", None]


def test_two_types_in_a_batch_have_statistics_each(log: Log) -> None:
    file_batch(log, (30.1, 30.2))
    text = (Path(__file__).parent.parent / "harness" / "data" / "types" / "hf30.toml").read_text("utf-8")
    other = type_named(text, "hf30b")
    made = unit_proof("CL-0003", "other3", 30.4, day=9).model_copy(update={"type": other})
    file_proof(log, made)
    assert set(batch_report(log, "autumn").statistics) == {"hf30", "hf30b"}


def type_named(text: str, name: str) -> SamplerType:
    return parse_type(text.replace('name = "hf30"', f'name = "{name}"'), name)


def test_an_unknown_batch_is_told(log: Log) -> None:
    with pytest.raises(UsageError, match="knows no batch 'spring'"):
        batch_report(log, "spring")


def test_figures_come_from_the_tables_and_not_from_the_records(log: Log) -> None:
    """A batch whose records cannot be read still has its units: nothing was parsed but the one record that gives the type."""
    from sqlalchemy import update

    from harness.log.schema import PROOFS

    file_batch(log)
    with log._writing.begin() as connection:
        connection.execute(update(PROOFS).where(PROOFS.c.id != "autumn0008").values(record="{}"))
    assert [each.value("coupling_db") for each in batch_units(log, "autumn")] == list(COUPLINGS)
    assert batch_report(log, "autumn").statistics["hf30"].type == "hf30"
    assert len(log.lines()) == len(COUPLINGS)
