"""``tapproof recheck`` as people use it: which proof is the reference, what is told, and the exit status."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from harness.records import parse_proof
from harness.records.drift import Drift
from tests.command_line import Program, write_bench

JOINT = '[simulated.units."U1"]\nfault = "high-resistance joint: line in, 3 ohm"'
REFUSED = '[simulated.units."U1"]\nfault = "double termination"'


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


@pytest.fixture
def log(program: Program, tmp_path: Path) -> tuple[str, Path]:
    """A log in which U1 was proved once."""
    prove(program, tmp_path, write_bench(tmp_path))
    return ("--log", tmp_path / "log")


def prove(program: Program, folder: Path, bench: Path, *more: str, unit: str = "U1") -> Any:
    words = ("prove", unit, "--type", "hf30", "--bench", bench, "--yes", "--log", folder / "log", "--json", "--no-diagnosis")
    return program(*words, *more).document


def recheck(program: Program, log: tuple[str, Path], bench: Path, *more: str) -> tuple[int, Any]:
    said = program("recheck", "U1", "--bench", bench, "--yes", *log, "--json", "--no-diagnosis", *more)
    return said.status, said.document


def test_a_unit_that_is_as_it_was_conforms_without_drift(program: Program, log: tuple[str, Path], tmp_path: Path) -> None:
    first = program("show", "U1", *log, "--json").document["proofs"][0]
    status, document = recheck(program, log, tmp_path / "bench.toml")
    assert status == 0
    assert document["circumstances"]["sequence"] == first["circumstances"]["sequence"] == "line-sampler"
    assert document["type"] == "hf30"
    drift = document["drift"]
    assert set(drift) == set(Drift.model_fields)
    assert drift["reference"] == first["proof"]
    assert (drift["drifted"], drift["conforms"], drift["explanation"], drift["where_hz"]) == (False, "conforms", [], None)
    assert [feature["name"] for feature in drift["features"]] == ["level", "tilt", "curvature", "phase", "delay"]
    assert all(feature["low"] < 0 < feature["high"] for feature in drift["features"])
    assert all(test["statistic"] < test["threshold"] and 0.025 < test["p"] <= 1 for test in drift["tests"])
    for one in drift["curves"]:
        assert len(one["hz"]) == len(one["change"]) == len(one["threshold"])
        assert all(abs(change) < threshold for change, threshold in zip(one["change"], one["threshold"], strict=True))
    filed = next(path for path in (tmp_path / "log" / "proofs" / "U1").iterdir() if path.name.endswith(document["proof"]))
    kept = parse_proof((filed / "proof.json").read_text("utf-8"), "proof.json")
    assert kept.drift == drift
    assert first["drift"] is None


def test_a_joint_that_has_gone_resistive_is_drift_and_is_named(program: Program, log: tuple[str, Path], tmp_path: Path) -> None:
    later = write_bench(tmp_path, "later.toml", extra=JOINT)
    status, document = recheck(program, log, later, "--recalibrate")
    drift = document["drift"]
    assert status == 1
    assert drift["drifted"]
    assert (drift["explanation"][0]["fault"], drift["explanation"][0]["where"]) == ("high-resistance joint", "line in")
    assert drift["explanation"][0]["size"] == pytest.approx(3.0, rel=0.15)
    # 3 Ω in series with 100 Ω: 20·log10(103/100) = 0.257 dB (the closed form of a series resistance in a line)
    level = drift["features"][0]
    assert level["low"] < 0.257 < level["high"]
    assert "coupling" in drift["changed"]
    test = next(one for one in drift["tests"] if one["name"] == "largest deviation")
    furthest = max(
        abs(change) / threshold
        for one in drift["curves"]
        for change, threshold in zip(one["change"], one["threshold"], strict=True)
    )
    assert furthest == pytest.approx(test["statistic"] / test["threshold"], rel=1e-4)  # the same test, told twice
    assert any("same standards" in said for said in drift["stated"])
    shown = program("show", "U1", *log)
    assert "has drifted since" in shown.out
    assert "a joint at line in that has gone resistive" in " ".join(shown.out.split())


def test_reworked_starts_a_new_reference(program: Program, log: tuple[str, Path], tmp_path: Path) -> None:
    bench = tmp_path / "bench.toml"
    status, document = recheck(program, log, bench, "--reworked", "soldered anew")
    assert status == 0
    assert (document["drift"]["reference"], document["drift"]["reworked"]) == (None, "soldered anew")
    assert "what was done: soldered anew" in program("show", "U1", *log).out
    status, again = recheck(program, log, bench)
    assert (status, again["drift"]["reference"]) == (0, document["proof"])


def test_a_reference_can_be_chosen(program: Program, log: tuple[str, Path], tmp_path: Path) -> None:
    second = prove(program, tmp_path, tmp_path / "bench.toml")["proof"]
    assert program("show", "U1", *log, "--reference", second, "--json").document["reference"] == second
    assert recheck(program, log, tmp_path / "bench.toml")[1]["drift"]["reference"] == second
    assert "chosen as the reference" in program("show", "U1", *log).out
    wrong = program("show", "U1", *log, "--reference", "nothing", "--json")
    assert wrong.status == 2
    assert "has no proof 'nothing'" in wrong.document["error"]["message"]


def test_what_cannot_be_rechecked_is_refused_before_anything_is_asked(program: Program, tmp_path: Path) -> None:
    log = ("--log", tmp_path / "log")
    bench = write_bench(tmp_path, extra=REFUSED)
    unknown = program("recheck", "U1", "--bench", bench, "--yes", *log, "--json")
    assert (unknown.status, "knows no proof" in unknown.document["error"]["message"]) == (2, True)
    prove(program, tmp_path, bench)
    refused = program("recheck", "U1", "--bench", bench, "--yes", *log)
    assert refused.status == 2
    assert "no conforming proof" in refused.err
    assert "--reference" in refused.err
    assert "swept" not in refused.err
    assert program("recheck", "U1", *log).status == 2
    assert program("recheck", "U1", "--bench", bench, "--yes", "--reworked", " ", *log).status == 2


def test_a_folder_of_sweeps_is_rechecked(program: Program, log: tuple[str, Path], tmp_path: Path) -> None:
    (folder,) = (tmp_path / "log" / "proofs" / "U1").iterdir()
    said = program("recheck", "U1", "--from", folder, "--bench", tmp_path / "bench.toml", *log, "--json", "--no-diagnosis")
    assert said.status == 0
    assert said.document["drift"]["features"][0]["value"] == pytest.approx(0.0, abs=1e-6)
    assert any("sequence" in said for said in said.document["drift"]["stated"])


def test_another_grid_type_and_bench_are_handled_and_stated(program: Program, log: tuple[str, Path], tmp_path: Path) -> None:
    other = write_bench(tmp_path, "other.toml", name="second", seed=8, points=81, paths="two-path")
    narrow = tmp_path / "narrow.toml"
    text = Path("harness/data/types/hf30.toml").read_text("utf-8").replace('high = "54 MHz"', 'high = "30 MHz"')
    narrow.write_text(text.replace('name = "hf30"', 'name = "hf30-narrow"'), "utf-8")
    status, document = recheck(program, log, other, "--type", str(narrow))
    stated = " ".join(document["drift"]["stated"])
    for word in ("type is hf30-narrow", "bench is second", "analyser is", "grid is 81 points"):
        assert word in stated
    assert document["type"] == "hf30-narrow"
    assert status in (0, 1)  # a simulated bench of another seed builds another unit of that name


def test_the_check_standard_is_used_where_both_calibrations_have_it(program: Program, tmp_path: Path) -> None:
    bench = write_bench(tmp_path)
    bench.write_text(
        bench.read_text("utf-8").replace('name = "acceptance"', 'name = "acceptance"\ncheck_standard = "KS"'), "utf-8"
    )
    log = ("--log", tmp_path / "log")
    prove(program, tmp_path, bench)
    status, without = recheck(program, log, bench, "--recalibrate")
    assert (status, without["drift"]["check_standard"]) == (0, None)
    assert any("left out" in said for said in without["drift"]["stated"])
    prove(program, tmp_path, bench, unit="KS")
    assert program("show", "U1", *log, "--reference", without["proof"]).status == 0
    program("calibrate", "--bench", bench, "--yes", *log)
    prove(program, tmp_path, bench, unit="KS")
    status, document = recheck(program, log, bench)
    assert (status, document["drift"]["check_standard"]) == (0, "KS")


def test_steps_tells_what_a_recheck_asks(program: Program, log: tuple[str, Path], tmp_path: Path) -> None:
    said = program("recheck", "U1", "--bench", tmp_path / "bench.toml", "--steps", *log)
    assert (said.status, said.out.startswith("line-sampler: ")) == (0, True)
