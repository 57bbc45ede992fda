"""What a proof is told of its diagnosis: when it cannot be made, what it asks for, and how it reads in the terminal."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness import explaining, products
from harness.analysis import Terminations
from harness.cli.print_diagnosis import diagnosis_lines, short_lines
from harness.errors import FileError
from harness.files import read_data_text
from harness.records import FaultEntry, Proof, Sweep, parse_proof
from harness.records.proof_diagnosis import DiagnosisNote, FitRemainder
from tests.batch_records import unit_proof
from tests.texts import TYPE_TEXT

HZ = np.linspace(1e6, 60e6, 11)
HALF = np.full(11, 0.5 + 0j)
SWEEPS = {
    "coupled": Sweep("coupled", HZ, {"s11": HALF, "s21": HALF}, 2),
    "line": Sweep("line", HZ, {"s11": HALF, "s21": HALF}, 2),
}
ASKS = "the sample-port sweep (sample)"
CIRCUIT = {"turns": 32.0, "a_l_nh": 452.4, "leakage_nh": 310.0, "winding_pf": 8.12, "resistor_ohm": None}


def fault(name: str = "turns", weight: float = 0.97, needs: str | None = None) -> FaultEntry:
    return FaultEntry(fault=name, weight=weight, says=f"It is {name}.", try_="Look at it.", needs=needs)


def diagnosed(
    *faults: FaultEntry, explanation: str = "healthy", weights: dict[str, float] | None = None, **more: object
) -> Proof:
    note = DiagnosisNote(says="fitted", explanation=explanation, core="43-like", weights=weights or {"healthy": 0.94})
    return unit_proof("CL-0001", "one1", 30.1).model_copy(
        update={"faults": faults, "circuit": CIRCUIT, "diagnosis": note, **more}
    )


def text(proof: Proof) -> str:
    return " ".join(" ".join(diagnosis_lines(proof)).split())


# -- when it cannot be made ------------------------------------------------------------------------------------------------


def test_a_second_winding_is_not_diagnosed_and_the_proof_stands_and_says_so() -> None:
    proof = unit_proof("CL-0001", "one1", 30.1)
    build = proof.type.build.model_copy(update={"second_turns": 10, "second_core": "FT-50-43"})
    proof = proof.model_copy(update={"type": proof.type.model_copy(update={"build": build})})
    product = products.read_product("hf30", None, None)
    found = explaining.explained(proof, SWEEPS, Terminations.of_default_class(11), product.tables, {})
    assert (found.faults, found.circuit, found.decision) == ((), {}, proof.decision)
    assert found.diagnosis is not None
    assert "a unit with a second winding is not diagnosed" in found.diagnosis.says
    assert "faults were not looked for" in text(found)


def test_a_missing_sweep_costs_the_diagnosis_and_not_the_proof() -> None:
    product = products.read_product("hf30", None, None)
    proof = unit_proof("CL-0001", "one1", 30.1)
    found = product.complete(proof, {"line": SWEEPS["line"]}, Terminations.of_default_class(11))
    assert found.diagnosis is not None
    assert "coupled" in found.diagnosis.says
    assert found.figures == proof.figures


# -- parts of one's own ----------------------------------------------------------------------------------------------------


def test_a_core_of_ones_own_is_known_to_guard_and_diagnosis(tmp_path: Path) -> None:
    own = read_data_text("cores.toml").replace('"FT-50"', '"MY-50"')
    assert "MY-50" in own
    (tmp_path / "parts.toml").write_text(own, "utf-8")
    (tmp_path / "mine.toml").write_text(TYPE_TEXT.replace("FT-50-43", "MY-50-43"), "utf-8")
    product = products.read_product(str(tmp_path / "mine.toml"), None, None)
    assert product.type_.build.core == "MY-50-43"
    assert {"MY-50", "FT-50"} <= set(product.tables.cores)
    assert "MY-50" not in products.read_product("hf30", None, None).tables.cores
    (tmp_path / "parts.toml").write_text("[[core]]\n", "utf-8")
    with pytest.raises(FileError, match="parts"):
        products.read_product(str(tmp_path / "mine.toml"), None, None)


# -- what would decide -----------------------------------------------------------------------------------------------------


def test_a_sweep_is_wanted_that_is_named_and_was_not_taken() -> None:
    asking = diagnosed(fault(needs=ASKS))
    assert explaining.wanted_sweep(asking, ("line", "coupled")) == ("sample", ASKS)
    assert explaining.wanted_sweep(asking, ("line", "coupled", "sample")) is None
    by_hand = diagnosed(fault(needs="count the turns"), fault("wrong core", 0.3))
    assert explaining.wanted_sweep(by_hand, ()) is None
    far = diagnosed(fault(), fault(needs="the sweep from the far side (coupled-far), and an ohmmeter and a look into the box"))
    assert explaining.wanted_sweep(far, ()) == ("coupled-far", far.faults[1].needs)


# -- in the terminal -------------------------------------------------------------------------------------------------------


def test_a_healthy_unit_shows_its_circuit() -> None:
    assert text(diagnosed()) == (
        "fits a healthy build (0.940): 32 turns, A_L 452 nH, leakage 310 nH, winding 8.1 pF, core 43-like"
    )


def test_a_fault_is_told_with_its_probability_what_to_do_and_what_would_decide() -> None:
    told = text(diagnosed(fault(weight=0.6, needs=ASKS), explanation="turns", weights={"turns": 0.6, "wrong core": 0.4}))
    assert "fits turns (0.600): 32 turns" in told
    assert "? It is turns. (turns, probability 0.600) Look at it." in told
    assert "What would decide: the sample-port sweep (sample)." in told
    assert "Add" not in told
    assert max(map(len, diagnosis_lines(diagnosed(fault(needs=40 * "word "))))) <= 100


def test_of_a_folder_it_is_said_which_file_to_add() -> None:
    proof = diagnosed(fault(needs=ASKS), explanation="turns")
    circumstances = proof.circumstances.model_copy(update={"sequence": "from folder"})
    folder = proof.model_copy(update={"circumstances": circumstances})
    assert "(sample). Add sample.s1p to the folder, and prove again." in text(folder)
    by_hand = folder.model_copy(update={"faults": (fault(needs="count the turns"),)})
    assert "Add" not in text(by_hand)


def test_nothing_is_claimed_of_a_unit_that_may_be_healthy_or_not() -> None:
    told = text(diagnosed(explanation="cracked core", weights={"cracked core": 0.6, "healthy": 0.4}))
    assert "fits cracked core (0.600) or a healthy build (0.400)" in told
    assert "?" not in told


def test_where_nothing_fits_it_is_said_first() -> None:
    told = text(diagnosed(fault("unexplained", 1.0), explanation="turns + wrong core", weights={"unexplained": 1.0}))
    assert "fits nothing known (above 0.999); nearest is turns and wrong core" in told


def test_a_remark_in_the_record_is_shown_and_an_old_record_shows_nothing() -> None:
    proof = unit_proof("CL-0001", "one1", 30.1)
    quiet = proof.model_copy(update={"circumstances": proof.circumstances.model_copy(update={"note": ""})})
    assert diagnosis_lines(quiet) == []
    noted = proof.model_copy(update={"circumstances": proof.circumstances.model_copy(update={"note": "Overridden: x."})})
    assert diagnosis_lines(noted) == ["", "  note  Overridden: x."]
    assert short_lines(noted) == ["         Note: Overridden: x."]


# -- in the record ---------------------------------------------------------------------------------------------------------


def test_the_remainder_is_kept_in_the_record_and_left_out_of_the_document() -> None:
    left = FitRemainder(hz=(1e6, 2e6), off={"coupled s21": (0.5, 4.2)}, band_hz=(2e6, 2e6))
    proof = diagnosed(fault(), explanation="turns")
    assert proof.diagnosis is not None
    proof = proof.model_copy(update={"diagnosis": proof.diagnosis.model_copy(update={"remainder": left})})
    assert parse_proof(proof.model_dump_json(), "proof.json") == proof
    document = proof.summary()
    assert set(document["diagnosis"]) == {"says", "explanation", "core", "weights"}
    assert document["faults"][0]["try"] == "Look at it."
    assert unit_proof("CL-0001", "one1", 30.1).summary()["diagnosis"] is None
