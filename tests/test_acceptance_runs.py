"""A run from prompt to prompt: stopped and gone on with, calibrations reused or refused, doubts, a cut between folder and log."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

import pytest

from harness import wiring
from harness.errors import CalibrationError, Stopped, StoreError
from harness.files import Disk
from harness.ports import Answer, Request
from harness.proving import Filed, Records, Session, Wish
from harness.records import CalibrationRecord, Proof
from tests.command_line import files_under, write_bench
from tests.fakes import FakeClock, ScriptedOperator
from tests.texts import TYPE_TEXT

PROMPTS = 12
"""Hook-ups of a whole run on a one-path bench: short, open, load, load A, load B, isolation, thru, verification; and four."""
STANDARDS = ["cal-short", "cal-open", "cal-load", "load-A", "load-B", "cal-isolation", "cal-thru", "verify-thru"]
UNIT_HOOKUPS = ["coupled", "line", "coupled-far", "sample"]
WITHIN_NOISE_DB = 0.01
"""-100 dB of noise on a coupling of 30 dB is 3e-4 of it, 0.003 dB r.m.s.; a figure is the extreme of some hundred points."""


@dataclass
class Bench:
    """A bench file, a log folder and a clock of a test."""

    folder: Path
    file: Path
    clock: FakeClock = field(default_factory=FakeClock)

    @property
    def log(self) -> Path:
        return self.folder / "log"

    @contextmanager
    def open(self, operator: ScriptedOperator, unit: str = "", **wishes: object) -> Iterator[tuple[Session, Wish, Records]]:
        wish = replace(Wish(unit, "hf30", str(self.file), diagnosis=False), **wishes)  # type: ignore[arg-type]
        with (
            wiring.open_store(str(self.log), self.clock) as records,
            wiring.open_session(wish, records, yes=False, quiet=True, operator=operator) as (session, _),
        ):
            yield session, wish, records

    def prove(self, operator: ScriptedOperator, unit: str = "CL-0001", **wishes: object) -> Filed:
        with self.open(operator, unit, **wishes) as (session, wish, records):
            return wiring.prove_bench(wish, wiring.read_product(wish, session.bench), session, records)

    def calibrate(self, operator: ScriptedOperator) -> CalibrationRecord:
        with self.open(operator, type_=None) as (session, _, records):
            return wiring.calibrate(session, records)

    def history(self, unit: str = "CL-0001") -> list[Proof]:
        with wiring.open_store(str(self.log), self.clock) as records:
            return wiring.unit_history(records, unit)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path, write_bench(tmp_path))


@pytest.fixture(scope="module")
def uninterrupted(tmp_path_factory: pytest.TempPathFactory) -> Proof:
    folder = tmp_path_factory.mktemp("uninterrupted")
    return Bench(folder, write_bench(folder)).prove(ScriptedOperator()).proof


def notes_of(operator: ScriptedOperator) -> str:
    return "\n".join(event.text for event in operator.events if event.kind == "note")


def kinds(operator: ScriptedOperator) -> list[str]:
    return [request.kind for request in operator.requests]


def doing(count: int, then: Answer) -> list[Answer]:
    answers: list[Answer] = ["done"] * count
    return [*answers, then]


def assert_same_figures(one: Proof, other: Proof) -> None:
    assert one.decision == other.decision
    for name in ("coupling_db", "flatness_db", "insertion_loss_db", "swr"):
        assert one.figures[name].value == pytest.approx(other.figures[name].value, abs=WITHIN_NOISE_DB), name
    assert one.figures["return_loss_db"].value == pytest.approx(other.figures["return_loss_db"].value, abs=0.2)


# -- stopped at every prompt ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("done", range(PROMPTS))
def test_a_run_stopped_at_any_prompt_goes_on_there_and_gives_the_same_figures(
    done: int, bench: Bench, uninterrupted: Proof
) -> None:
    operator = ScriptedOperator(doing(done, "stop"))
    with pytest.raises(Stopped) as caught:
        bench.prove(operator)
    assert caught.value.exit_status == 130
    assert operator.hookups() == [*STANDARDS, *UNIT_HOOKUPS][: done + 1]
    kept = [name for name in files_under(bench.log / "runs") if name.endswith("p")]
    assert len(kept) == done
    assert not (bench.log / "proofs").exists()
    again = ScriptedOperator()
    filed = bench.prove(again)
    assert kinds(again)[:1] == (["resume"] if done else ["connect"])
    assert again.hookups() == [*STANDARDS, *UNIT_HOOKUPS][done:]
    assert_same_figures(filed.proof, uninterrupted)
    assert len(bench.history()) == 1
    assert files_under(bench.log / "runs") == []


def test_a_run_that_is_stopped_twice_goes_on_twice(bench: Bench, uninterrupted: Proof) -> None:
    for answers in (doing(3, "stop"), doing(4, "stop"), doing(3, "stop")):  # the second and third go on with one answer
        with pytest.raises(Stopped):
            bench.prove(ScriptedOperator(answers))
    last = ScriptedOperator()
    filed = bench.prove(last)
    assert last.hookups() == [*STANDARDS, *UNIT_HOOKUPS][8:]
    assert_same_figures(filed.proof, uninterrupted)


def test_a_run_stopped_before_its_first_sweep_leaves_nothing(bench: Bench) -> None:
    with pytest.raises(Stopped):
        bench.prove(ScriptedOperator(["stop"]))
    assert files_under(bench.log) == []


def test_stopping_at_the_question_whether_to_go_on_keeps_the_run(bench: Bench) -> None:
    with pytest.raises(Stopped):
        bench.prove(ScriptedOperator(doing(5, "stop")))
    before = files_under(bench.log)
    with pytest.raises(Stopped):
        bench.prove(ScriptedOperator(["stop"]))
    assert files_under(bench.log) == before


def test_starting_anew_asks_for_everything_again_and_keeps_the_old_sweeps(bench: Bench) -> None:
    with pytest.raises(Stopped):
        bench.prove(ScriptedOperator(doing(5, "stop")))
    anew = ScriptedOperator(["repeat"])
    bench.prove(anew)
    assert anew.hookups() == [*STANDARDS, *UNIT_HOOKUPS]
    assert sum(name.endswith("p") for name in files_under(bench.log / "runs")) == 5
    assert bench.prove(ScriptedOperator()).proof.decision == "conforms"  # what was set aside is not offered again


def test_a_run_of_one_unit_is_not_offered_to_another(bench: Bench) -> None:
    with pytest.raises(Stopped):
        bench.prove(ScriptedOperator(doing(10, "stop")))
    other = ScriptedOperator()
    bench.prove(other, "CL-0002")
    assert "resume" not in kinds(other)


def test_a_run_does_not_go_on_with_another_type(bench: Bench) -> None:
    with pytest.raises(Stopped):
        bench.prove(ScriptedOperator(doing(10, "stop")))
    changed = bench.folder / "type.toml"
    changed.write_text(TYPE_TEXT.replace('flatness = "0.5 dB"', 'flatness = "0.6 dB"'), "utf-8")
    operator = ScriptedOperator()
    bench.prove(operator, type_=str(changed))
    assert "resume" not in kinds(operator)
    assert set(UNIT_HOOKUPS) <= set(operator.hookups())


# -- calibrations --------------------------------------------------------------------------------------------------------------


def test_a_calibration_made_in_a_run_is_used_by_the_next_unit(bench: Bench) -> None:
    first = bench.prove(ScriptedOperator())
    operator = ScriptedOperator()
    second = bench.prove(operator, "CL-0002")
    assert operator.hookups() == ["verify-load", *UNIT_HOOKUPS]
    assert second.proof.circumstances.calibration == first.proof.circumstances.calibration
    assert any(check.name == "verify-load" and check.ok for check in second.proof.checks)


def test_calibrate_once_then_prove(bench: Bench, uninterrupted: Proof) -> None:
    record = bench.calibrate(ScriptedOperator())
    assert record.verification_db is not None
    assert record.verification_db < -40
    assert record.loads == ("A", "B")
    operator = ScriptedOperator()
    filed = bench.prove(operator)
    assert operator.hookups() == ["verify-load", *UNIT_HOOKUPS]
    assert filed.proof.circumstances.calibration == record.id
    assert_same_figures(filed.proof, uninterrupted)


def test_calibrate_goes_on_after_a_stop_as_well(bench: Bench) -> None:
    with pytest.raises(Stopped):
        bench.calibrate(ScriptedOperator(doing(4, "stop")))
    operator = ScriptedOperator()
    bench.calibrate(operator)
    assert operator.hookups() == STANDARDS[4:]
    assert files_under(bench.log / "runs") == []


def test_recalibrate_asks_for_the_standards_though_a_calibration_fits(bench: Bench) -> None:
    first = bench.prove(ScriptedOperator())
    operator = ScriptedOperator()
    second = bench.prove(operator, "CL-0002", recalibrate=True)
    assert operator.hookups() == [*STANDARDS, *UNIT_HOOKUPS]
    assert second.proof.circumstances.calibration != first.proof.circumstances.calibration


def refused_calibration(bench: Bench) -> str:
    """Prove the next unit; return what was told about the calibration that was not used, having seen that it was not."""
    operator = ScriptedOperator()
    bench.prove(operator, "CL-0002")
    assert operator.hookups() == [*STANDARDS, *UNIT_HOOKUPS]
    told = [line for line in notes_of(operator).splitlines() if line.startswith("The stored calibration is not used: ")]
    assert told
    return "\n".join(told)


def test_an_old_calibration_is_not_used_and_its_age_is_told(bench: Bench) -> None:
    bench.prove(ScriptedOperator())
    bench.clock.time += timedelta(hours=8, minutes=30)
    said = refused_calibration(bench)
    assert "8.5 h old" in said
    assert "the bench allows 8 h" in said


def test_a_calibration_just_within_its_age_is_used(bench: Bench) -> None:
    bench.prove(ScriptedOperator())
    bench.clock.time += timedelta(hours=7, minutes=50)
    operator = ScriptedOperator()
    bench.prove(operator, "CL-0002")
    assert operator.hookups()[0] == "verify-load"


def test_a_calibration_from_the_future_is_not_used(bench: Bench) -> None:
    bench.prove(ScriptedOperator())
    bench.clock.time -= timedelta(days=2)
    assert "the clock was set back" in refused_calibration(bench)


def test_a_calibration_of_another_grid_is_not_used(bench: Bench) -> None:
    bench.prove(ScriptedOperator())
    write_bench(bench.folder, points=54)
    said = refused_calibration(bench)
    assert "107 points, 1 MHz to 54 MHz" in said
    assert "54 points" in said


def test_a_calibration_of_another_analyser_is_not_used(bench: Bench) -> None:
    bench.prove(ScriptedOperator())
    write_bench(bench.folder, seed=8)  # the simulated analyser's serial number
    said = refused_calibration(bench)
    assert "simulated analyser one-path,7,1" in said
    assert "simulated analyser one-path,8,1" in said


def test_a_run_whose_calibration_was_replaced_meanwhile_says_so_and_starts_anew(bench: Bench) -> None:
    bench.calibrate(ScriptedOperator())
    with pytest.raises(Stopped):
        bench.prove(ScriptedOperator(doing(3, "stop")))
    bench.calibrate(ScriptedOperator())
    with pytest.raises(Exception, match="has been calibrated since"):
        bench.prove(ScriptedOperator())
    operator = ScriptedOperator()
    assert bench.prove(operator).proof.decision == "conforms"
    assert operator.hookups() == ["verify-load", *UNIT_HOOKUPS]


# -- doubts --------------------------------------------------------------------------------------------------------------------


@pytest.fixture
def drifting(tmp_path: Path) -> Bench:
    """A bench that drifts by a tenth of a total reflection in an hour: 0.01 in the 40 s of one hook-up."""
    return Bench(tmp_path, write_bench(tmp_path, verify_within="60 dB", extra='drift = "-20 dB"'))


def test_a_calibration_that_fails_its_verification_is_asked_about(drifting: Bench) -> None:
    operator = ScriptedOperator(doing(len(STANDARDS), "stop"))
    with pytest.raises(Stopped):
        drifting.prove(operator)
    doubt = operator.requests[-1]
    assert doubt.kind == "doubt"
    assert doubt.answers == ("repeat", "override", "stop")
    assert "verification" in doubt.title
    assert "allowed is at most -60.0 dB" in doubt.lines[0]
    assert "calibrate again" in doubt.lines[1]
    assert not (drifting.log / "calibrations").exists()


def test_an_override_of_the_verification_is_written_into_the_proof(drifting: Bench) -> None:
    operator = ScriptedOperator(doing(len(STANDARDS), "override"))
    filed = drifting.prove(operator)
    assert "The verification does not agree with the calibration" in filed.proof.circumstances.note
    assert kinds(operator).count("doubt") == 1


def test_a_doubt_that_was_stopped_at_is_asked_again(drifting: Bench) -> None:
    with pytest.raises(Stopped):
        drifting.prove(ScriptedOperator(doing(len(STANDARDS), "stop")))
    again = ScriptedOperator(["done", "done", "stop"])
    with pytest.raises(Stopped):
        drifting.prove(again)
    assert kinds(again) == ["resume", "connect", "doubt"]
    assert again.hookups() == ["verify-thru"]


def test_repeat_makes_the_hook_up_again(drifting: Bench) -> None:
    operator = ScriptedOperator([*doing(len(STANDARDS), "repeat"), "done", "stop"])
    with pytest.raises(Stopped):
        drifting.prove(operator)
    assert operator.hookups()[-2:] == ["verify-thru", "verify-thru"]


def test_yes_answers_no_doubt(drifting: Bench) -> None:
    wish = Wish("CL-0001", "hf30", str(drifting.file), diagnosis=False)
    with (
        wiring.open_store(str(drifting.log), drifting.clock) as records,
        wiring.open_session(wish, records, yes=True, quiet=True, operator=ScriptedOperator()) as (session, product),
        pytest.raises(CalibrationError, match="verification") as caught,
    ):
        wiring.prove_bench(wish, product, session, records)
    assert "without --yes" in caught.value.hint


class Careful(ScriptedOperator):
    """Repeats whatever is doubted."""

    def ask(self, request: Request) -> Answer:
        answer = super().ask(request)
        return "repeat" if request.kind == "doubt" else answer


def test_a_wrong_standard_is_asked_about_and_mended(tmp_path: Path, uninterrupted: Proof) -> None:
    """The simulated hand leaves the short off the first time: nothing is connected, which is an open."""
    extra = '[simulated.mistakes]\ncal-short = "nothing connected"'
    bench = Bench(tmp_path, write_bench(tmp_path, extra=extra))
    operator = Careful()
    filed = bench.prove(operator)
    doubts = [request for request in operator.requests if request.kind == "doubt"]
    assert len(doubts) == 1
    assert "short" in doubts[0].title
    assert operator.hookups()[:2] == ["cal-short", "cal-short"]
    assert_same_figures(filed.proof, uninterrupted)


# -- cut off -------------------------------------------------------------------------------------------------------------------


class PowerCut(Exception):
    """The machine stops here."""


def cut_between_folder_and_log(bench: Bench) -> None:
    """Run until the proof's folder is there, and stop before the log knows it."""
    with bench.open(ScriptedOperator(), "CL-0001") as (session, wish, records):

        class Cut:
            """The log, up to the moment when the proof would be entered."""

            def __getattr__(self, name: str) -> Callable[..., object]:
                if name == "record":
                    raise PowerCut
                found: Callable[..., object] = getattr(records.log, name)
                return found

        product = wiring.read_product(wish, session.bench)
        with pytest.raises(PowerCut):
            wiring.prove_bench(wish, product, session, replace(records, log=Cut()))  # type: ignore[arg-type]


def test_a_proof_that_was_filed_and_not_entered_is_entered_once_and_not_made_again(bench: Bench) -> None:
    cut_between_folder_and_log(bench)
    (folder,) = (bench.log / "proofs" / "CL-0001").iterdir()
    before = files_under(folder)
    assert len(bench.history()) == 1  # entered by whoever opens the log next
    operator = ScriptedOperator()
    filed = bench.prove(operator)
    assert operator.hookups() == []
    assert filed.folder == folder
    assert files_under(bench.log / "proofs") == [f"CL-0001/{folder.name}/{name}" for name in before]
    assert [proof.proof for proof in bench.history()] == [filed.proof.proof]
    assert files_under(bench.log / "runs") == []
    third = bench.prove(ScriptedOperator())
    assert third.proof.proof != filed.proof.proof  # a proof that is asked for afterwards is a new one
    assert len(bench.history()) == 2


def test_what_is_filed_and_not_entered_can_be_entered_without_a_run(bench: Bench) -> None:
    cut_between_folder_and_log(bench)
    with wiring.open_store(str(bench.log)) as records:
        assert wiring.enter_what_is_missing(records) == ()
        assert wiring.enter_what_is_missing(records) == ()
    assert len(bench.history()) == 1


class FullDisk(Disk):
    """A disk that is full after so many writes."""

    def __init__(self, writes: int) -> None:
        self.left = writes

    def write(self, path: Path, data: bytes) -> None:
        self.left -= 1
        if self.left < 0:
            raise OSError(28, "No space left on device", str(path))
        super().write(path, data)


def test_a_disk_that_fills_up_while_the_proof_is_filed_leaves_no_half_proof(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, uninterrupted: Proof
) -> None:
    """The proof's writer takes its disk as a default; the seam is the name it makes that default from."""
    monkeypatch.setattr("harness.files.proofs.Disk", lambda: FullDisk(3))
    with pytest.raises(StoreError, match="no space left on device") as caught:
        bench.prove(ScriptedOperator())
    assert "Free some space" in caught.value.hint
    assert caught.value.exit_status == 3
    assert not any((bench.log / "proofs").rglob("*.s?p"))
    assert not any(path.name.startswith(".partial") for path in bench.log.rglob("*"))
    monkeypatch.undo()
    operator = ScriptedOperator()
    filed = bench.prove(operator)
    assert operator.hookups() == []  # every sweep was kept: nothing has to be screwed again
    assert_same_figures(filed.proof, uninterrupted)


def test_a_calibration_folder_that_was_damaged_is_named(bench: Bench) -> None:
    bench.calibrate(ScriptedOperator())
    (folder,) = (bench.log / "calibrations" / "acceptance").iterdir()
    text = (folder / "cal-open.s1p").read_text()
    (folder / "cal-open.s1p").write_text(text.replace("0.", "0.1", 1))
    with pytest.raises(StoreError, match=r"cal-open\.s1p is damaged") as caught:
        bench.prove(ScriptedOperator())
    assert "Calibrate again" in caught.value.hint
    shutil.rmtree(folder)
    assert bench.prove(ScriptedOperator()).proof.decision == "conforms"


# -- a batch -------------------------------------------------------------------------------------------------------------------


def batch(bench: Bench, answers: Sequence[Answer], count: int | None = None) -> tuple[list[str], ScriptedOperator]:
    operator = ScriptedOperator(list(answers))
    with bench.open(operator, batch="X") as (session, wish, records):
        product = wiring.read_product(wish, session.bench)
        units = wiring.prove_batch(wish, product, session, records, first="A-01", count=count)
        return [filed.proof.unit for filed in units], operator


def test_a_batch_goes_on_until_the_operator_stops_and_its_interrupted_unit_goes_on(bench: Bench) -> None:
    units, operator = batch(bench, doing(PROMPTS + 3, "stop"))
    assert units == ["A-01"]
    assert any("A-02" in event.text and "kept" in event.text for event in operator.events)
    units, operator = batch(bench, [], count=2)
    assert units == ["A-02", "A-03"]
    assert kinds(operator)[0] == "resume"


def test_a_batch_that_is_stopped_before_its_first_unit_is_stopped(bench: Bench) -> None:
    with pytest.raises(Stopped):
        batch(bench, ["stop"])
