"""The guard and the diagnosis in whole proofs: at the bench, going on after a stop, and on sweeps from a folder.

The mistakes are those of the simulated hand, the faults those of simulated units: what is true stands in the bench file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from harness import rechecking, wiring
from harness.analysis import Terminations
from harness.analysis.diagnosis.tell_apart import ASKED
from harness.cli.print_proof import proof_lines
from harness.errors import Stopped
from harness.explaining import NAMED
from harness.files import read_proof
from harness.folder_proofs import prove_folder
from harness.ports import Answer, Event, Request
from harness.products import Product
from harness.proving import Records, Session, Wish
from harness.records import FaultEntry, Proof, Sweep
from tests.batch_records import unit_proof
from tests.command_line import Program, write_bench
from tests.fakes import FakeClock
from tests.test_acceptance_from_folder import lossless_unit, write_sweeps

FORGOTTEN = '[simulated.mistakes]\nline = "load forgotten"'


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


@pytest.fixture
def diagnosing(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys, diagnosis=True)


class Person:
    """Answers each kind of question from a list of its own, then as one who just goes on; remembers what was asked."""

    def __init__(self, **answers: list[Answer]) -> None:
        self.answers = answers
        self.asked: list[Request] = []
        self.told: list[str] = []

    def begin(self, plan: object) -> None:
        """Nothing is shown."""

    def ask(self, request: Request) -> Answer:
        self.asked.append(request)
        left = self.answers.get(request.hookup.name if request.kind == "connect" and request.hookup else request.kind, [])
        return left.pop(0) if left else "done"

    def tell(self, event: Event) -> None:
        if event.kind == "note":
            self.told.append(event.text)

    def kinds(self) -> list[str]:
        return [request.hookup.name if request.kind == "connect" and request.hookup else request.kind for request in self.asked]


def complete_with_question(proof: Proof, sweeps: Mapping[str, Sweep], terminations: Terminations) -> Proof:
    """Stand in for the diagnosis: two faults, which the sample-port sweep would tell apart."""
    open_ = "sample" not in sweeps
    needs = ASKED["sample"] if open_ else None
    entries = [FaultEntry(fault="turns", weight=0.6 if open_ else 1.0, says="31 turns.", try_="Count.", needs=needs, turns=31)]
    if open_:
        entries.append(FaultEntry(fault="wrong core", weight=0.4, says="Another core.", try_="Look.", needs=needs))
    return proof.model_copy(update={"faults": tuple(entries)})


@contextmanager
def at_bench(folder: Path, person: Person, extra: str = "", **changes: Any) -> Iterator[tuple[Wish, Product, Session, Records]]:
    bench = write_bench(folder, extra=extra, **changes)
    wish = Wish("U1", "hf30", str(bench), sequence="line-sampler-quick", diagnosis=False)
    with (
        wiring.open_store(str(folder / "log"), FakeClock()) as records,
        wiring.open_session(wish, records, yes=False, quiet=True, operator=person) as (session, product),
    ):
        assert product is not None
        yield wish, product, session, records


# -- at the bench ------------------------------------------------------------------------------------------------------------


def test_a_forgotten_load_is_told_before_the_next_prompt_and_taken_again(tmp_path: Path) -> None:
    person = Person(doubt=["repeat"])
    with at_bench(tmp_path, person, FORGOTTEN) as world:
        filed = wiring.prove_bench(*world)
    assert person.kinds()[-4:] == ["coupled", "line", "doubt", "line"]
    doubt = person.asked[-2]
    assert "hook-up line" in doubt.title
    assert "load A" in doubt.lines[0]
    assert doubt.about == "hook-up"
    assert filed.proof.circumstances.note == ""


def test_override_offer_stop_and_going_on(tmp_path: Path) -> None:
    """The load stays forgotten: overridden once. One more hook-up is offered; the person stops there, and goes on later."""
    person = Person(doubt=["override"], offer=["stop", "done"])
    with at_bench(tmp_path, person, FORGOTTEN) as (wish, product, session, records):
        asking = replace(product, complete=complete_with_question)
        with pytest.raises(Stopped):
            wiring.prove_bench(wish, asking, session, records)
        assert person.kinds()[-4:] == ["coupled", "line", "doubt", "offer"]
        offer = person.asked[-1]
        assert offer.answers == ("done", "skip", "stop")
        assert "turns or wrong core" in offer.lines[0]
        assert "(sample)" in offer.lines[0]
        assert "0.7 minutes" in offer.lines[1]  # one change of cables, 40 s, and a sweep
        person.asked.clear()
        filed = wiring.prove_bench(wish, asking, session, records)
    assert person.kinds() == ["resume", "offer", "sample"]  # what was overridden is not asked again
    note = filed.proof.circumstances.note
    assert note.count("Overridden: This does not look like the hook-up line") == 1
    assert "sample was taken besides the sequence" in note
    assert [fault.weight for fault in filed.proof.faults] == [1.0]
    assert {"coupled.s2p", "line.s2p", "sample.s1p", "raw/sample.s1p"} <= set(filed.proof.files)
    assert read_proof(filed.folder) == filed.proof


def test_an_offer_that_was_agreed_to_is_kept_when_the_run_is_stopped(tmp_path: Path) -> None:
    person = Person(sample=["stop"])
    with at_bench(tmp_path, person) as (wish, product, session, records):
        asking = replace(product, complete=complete_with_question)
        with pytest.raises(Stopped):
            wiring.prove_bench(wish, asking, session, records)
        assert person.kinds()[-2:] == ["offer", "sample"]
        person.asked.clear()
        filed = wiring.prove_bench(wish, asking, session, records)
    assert person.kinds() == ["resume", "sample"]
    assert "sample was taken besides the sequence" in filed.proof.circumstances.note


def test_an_offer_that_is_left_out_is_not_made_again_and_both_faults_stand(tmp_path: Path) -> None:
    person = Person(offer=["skip"])
    with at_bench(tmp_path, person) as (wish, product, session, records):
        filed = wiring.prove_bench(wish, replace(product, complete=complete_with_question), session, records)
    assert person.kinds().count("offer") == 1
    assert [fault.fault for fault in filed.proof.faults] == ["turns", "wrong core"]
    assert filed.proof.circumstances.note == ""
    assert "sample.s1p" not in filed.proof.files


def test_nothing_is_offered_that_the_bench_cannot_make(tmp_path: Path) -> None:
    person = Person()
    with at_bench(tmp_path, person, '[loads.A]\nreturn_loss = "30 dB"') as (wish, product, session, records):
        assert "B" not in session.bench.loads
        filed = wiring.prove_bench(wish, replace(product, complete=complete_with_question), session, records)
    assert "offer" not in person.kinds()
    assert len(filed.proof.faults) == 2


def test_the_sweeps_that_can_be_offered_are_those_that_a_diagnosis_asks_for() -> None:
    assert set(NAMED) == set(ASKED)
    assert all(f"({name})" in text for name, text in ASKED.items())


# -- with the diagnosis ------------------------------------------------------------------------------------------------------


def test_a_fault_stands_beside_conforms_in_record_log_and_terminal(diagnosing: Program, tmp_path: Path) -> None:
    """31 turns instead of 32 read 0.28 dB less (20 log 32/31), within the tolerance of 1 dB."""
    log = ("--log", tmp_path / "log")
    bench = write_bench(tmp_path, extra='[simulated.units."U1"]\nfault = "turns: 31"')
    said = diagnosing("prove", "U1", "--type", "hf30", "--bench", bench, "--yes", *log)
    assert said.status == 0
    assert "U1 conforms to hf30" in said.out
    assert "The winding has 31 turns instead of 32." in said.out
    assert "Count the turns" in said.out
    assert "U1: conforms; looking for what fits the sweeps …" in said.err
    shown = diagnosing("show", "U1", *log, "--json").document["proofs"][0]
    fault = shown["faults"][0]
    assert (fault["fault"], fault["turns"]) == ("turns", 31)
    assert fault["weight"] > 0.9
    assert set(fault) >= {"fault", "weight", "says", "try", "needs"}
    assert shown["circuit"]["turns"] == 31
    assert set(shown["circuit"]) >= {"turns", "a_l_nh", "leakage_nh", "winding_pf", "resistor_ohm"}
    assert "remainder" not in shown["diagnosis"]
    (folder,) = (tmp_path / "log" / "proofs" / "U1").iterdir()
    left = read_proof(folder).diagnosis
    assert left is not None
    assert left.remainder is not None
    assert {name.split()[0] for name in left.remainder.off} == {"coupled", "line", "coupled-far", "sample"}
    assert {len(row) for row in left.remainder.off.values()} == {len(left.remainder.hz)}
    assert [row["unit"] for row in diagnosing("list", "--fault", "turns", *log, "--json").document["units"]] == ["U1"]
    assert diagnosing("list", "--fault", "wrong core", *log, "--json").document["units"] == []
    assert "31 turns" in (folder / "sheet.html").read_text("utf-8")


def test_without_diagnosis_the_record_says_so(program: Program, tmp_path: Path) -> None:
    words = ("prove", "U1", "--type", "hf30", "--bench", write_bench(tmp_path), "--yes", "--log", tmp_path / "log")
    said = program(*words, "--sequence", "line-sampler-quick")
    assert "faults were not looked for, as asked (--no-diagnosis)" in said.out
    assert "looking for what fits" not in said.err


# -- from a folder, and in a recheck -----------------------------------------------------------------------------------------


def test_of_a_folder_the_answer_says_which_sweep_to_add_and_progress_is_told(tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    (folder / "sample.s1p").unlink()
    (folder / "coupled-far.s2p").unlink()
    product = wiring.read_product(Wish("U1", "hf30", None), None)
    told: list[str] = []
    with wiring.open_store(str(tmp_path / "log"), FakeClock()) as records:
        asking = replace(product, complete=complete_with_question)
        filed = prove_folder(Wish("U1", "hf30", None), asking, None, folder, records, told.append)
    assert told == [f"U1: {filed.proof.decision}; looking for what fits the sweeps …"]
    assert "Add sample.s1p to the folder, and prove again." in " ".join(" ".join(proof_lines(filed.proof)).split())


def test_a_recheck_is_diagnosed_like_any_proof(tmp_path: Path) -> None:
    proof = unit_proof("U1", "one1", 30.1)
    product = replace(wiring.read_product(Wish("U1", "hf30", None), None), complete=complete_with_question)
    begin = rechecking.Start(proof, None, None, "a new core")
    with wiring.open_store(str(tmp_path / "log"), FakeClock()) as records:
        completed = rechecking.completing(begin, product, records).complete(proof, {}, Terminations.of_default_class(3))
    assert [fault.fault for fault in completed.faults] == ["turns", "wrong core"]
    assert completed.drift is not None
    assert completed.drift["reworked"] == "a new core"
