"""``calibrate --characterise`` from the command line to the next proof; its record and its age. The project's own rules."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from drivers.simulated import SimulatedBench
from harness import characterised, files
from harness.errors import StoreError, UsageError
from harness.ports import Event
from harness.records import KITS, Bench, Characterised, UncertaintyEntry
from harness.records.characterisation import Offset
from harness.steps import CheckStandard, Connect
from sequences import characterise
from tests.command_line import Program, write_bench
from tests.simulated_texts import bench_of

MADE = "2026-02-03T04:05:06+00:00"
EXTRA = '[uncertainty]\nkit = "plain"\ncharacterised = {use}\n'


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


def record(bench: Bench, **changes: object) -> Characterised:
    sizes = KITS["good"].model_copy(update={"source": "characterised on 2026-02-03", "directivity": -41.5})
    found = Characterised(
        id="abcd0123",
        bench=bench.name,
        analyser="one",
        made=MADE,
        calibration="0123",
        residuals=sizes.model_dump(mode="json"),
        terms=(),
        offset=Offset(delay_s=5e-9, loss_db=0.1, at_hz=1e8),
        misfit=1.0,
    )
    return found.model_copy(update=changes)


def bench_text(folder: Path, *, use: str = "true") -> Path:
    return write_bench(folder, high="100 MHz", extra='standards = "-34 dB"\n' + EXTRA.format(use=use))


def test_the_command_leads_through_it_and_the_next_proof_uses_it(program: Program, tmp_path: Path) -> None:
    bench, log = bench_text(tmp_path), tmp_path / "log"
    said = program("calibrate", "--bench", bench, "--characterise", "--yes", "--json", "--log", log)
    assert said.status == 0, said.text
    found = said.document
    assert [term["term"] for term in found["terms"][:2]] == ["directivity", "source match"]
    folder = next((log / "characterisations" / "acceptance").iterdir())
    assert json.loads((folder / "characterisation.json").read_text("utf-8")) == found
    assert {"char-short-5.s1p", "char-load-5.s1p", "char-thru-5.s2p", "char-offset-short-2.s1p"} <= {
        p.name for p in folder.iterdir()
    }
    assert len(list((log / "calibrations" / "acceptance").iterdir())) == 1

    program("prove", "CL-1", "--type", "hf30", "--bench", bench, "--yes", "--log", log)
    proof = next((log / "proofs" / "CL-1").iterdir()) / "proof.json"
    words = " ".join(proof.read_text("utf-8").split())
    assert f"characterised on {found['made'][:10]}" in words
    assert found["residuals"]["directivity"].removesuffix(" dB") in words

    bench_text(tmp_path, use="false")
    program("prove", "CL-2", "--type", "hf30", "--bench", bench, "--yes", "--log", log)
    without = (next((log / "proofs" / "CL-2").iterdir()) / "proof.json").read_text("utf-8")
    assert "characterised on" not in without


def test_the_table_says_size_how_and_what_bounds_it(program: Program, tmp_path: Path) -> None:
    bench, log = bench_text(tmp_path), tmp_path / "log"
    said = program("calibrate", "--bench", bench, "--characterise", "--yes", "--log", log)
    assert said.status == 0, said.text
    for words in ("directivity", "how found: ripple of short and load behind the offset", "bounded by:", "not seen", "95 %"):
        assert words in said.out


def test_the_steps_are_told_and_nothing_is_connected(program: Program, tmp_path: Path) -> None:
    said = program("calibrate", "--bench", bench_text(tmp_path), "--characterise", "--steps", "--log", tmp_path / "log")
    assert said.status == 0
    assert "Connect the short of the calibration to the far end of the offset." in said.out
    assert not (tmp_path / "log" / "characterisations").exists()


def test_a_forgotten_short_stops_a_run_without_a_person(program: Program, tmp_path: Path) -> None:
    extra = 'standards = "-34 dB"\n[simulated.mistakes]\n"char-offset-short" = "nothing connected"\n'
    bench = write_bench(tmp_path, high="100 MHz", extra=extra)
    said = program("calibrate", "--bench", bench, "--characterise", "--yes", "--log", tmp_path / "log")
    assert said.status == 3
    assert "offset" in said.err
    assert not (tmp_path / "log" / "characterisations").exists()


def test_an_analyser_that_corrects_itself_is_refused(program: Program, tmp_path: Path) -> None:
    text = bench_text(tmp_path).read_text("utf-8").replace("[correction]", '[correction]\nby = "analyser"')
    (tmp_path / "own.toml").write_text(text, "utf-8")
    said = program("calibrate", "--bench", tmp_path / "own.toml", "--characterise", "--yes", "--log", tmp_path / "log")
    assert said.status == UsageError("").exit_status
    assert "corrects itself" in said.err


@pytest.mark.parametrize("which", ["scpi", "two-path"])
def test_every_hookup_of_the_sequence_can_be_made(which: str) -> None:
    bench = bench_of(which)
    at = SimulatedBench(bench)
    steps = characterise.steps(bench)
    for step in steps:
        if isinstance(step, Connect):
            at.connect(step.hookup)
            assert step.says
    assert len({step.id for step in steps}) == len(steps)
    checked = {step.sweep for step in steps if isinstance(step, CheckStandard)}
    assert checked == {"char-short", "char-load", "char-thru", "char-offset-short", "char-offset-load"}


# -- the record, and when it is used ------------------------------------------------------------------------------------


def test_the_newest_record_comes_back_whole_and_a_damaged_one_is_not_passed_over(tmp_path: Path) -> None:
    bench = bench_of()
    assert files.latest_characterisation(tmp_path, bench.name) is None
    files.save_characterisation(tmp_path, record(bench), {})
    newer, folder = files.save_characterisation(tmp_path, record(bench, id="ffff0000", made="2026-03-01T00:00:00+00:00"), {})
    assert files.latest_characterisation(tmp_path, bench.name) == newer
    path = folder / "characterisation.json"
    path.write_text(path.read_text("utf-8").replace('"bench"', '"bank"'), "utf-8")
    with pytest.raises(StoreError, match=r"damaged|not a characterisation"):
        files.latest_characterisation(tmp_path, bench.name)


def sizes(tmp_path: Path, bench: Bench, *, analyser: str = "one", days: float = 1.0) -> tuple[float | None, list[str]]:
    told: list[Event] = []
    now = datetime.fromisoformat(MADE) + timedelta(days=days)
    found = characterised.sizes_for(bench, analyser, tmp_path, now, told.append)
    return (None if found is None else found.directivity), [event.text for event in told]


def test_it_holds_for_its_analyser_and_twelve_months_and_where_the_bench_file_wants_it(tmp_path: Path) -> None:
    bench = bench_of()
    files.save_characterisation(tmp_path, record(bench), {})
    assert sizes(tmp_path, bench) == (-41.5, [])
    assert sizes(tmp_path, bench, days=360) == (-41.5, [])
    for found, words in (
        (sizes(tmp_path, bench, days=370), "more than 12 months old"),
        (sizes(tmp_path, bench, days=-2), "in the future"),
        (sizes(tmp_path, bench, analyser="two"), "belongs to the analyser 'one'"),
    ):
        assert found[0] is None
        assert words in found[1][0]
        assert "stated sizes stand" in found[1][0]
    without = bench.model_copy(update={"uncertainty": UncertaintyEntry(characterised=False)})
    assert sizes(tmp_path, without) == (None, [])
