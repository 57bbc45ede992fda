"""``prove --from FOLDER``: sweeps that exist, from the program itself and from elsewhere."""

from __future__ import annotations

import pickle
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from skrf.frequency import Frequency
from skrf.network import Network

from tests.command_line import Program, Said, files_under, write_bench

CLOSED_FORM = {
    # turns: coupling, insertion loss, return loss in dB. Exact scattering of a lossless sampler, external termination,
    # D = 2N² + 1: S11 = S22 = 1/D, S21 = 2N²/D, S31 = −S32 = 2N/D, S33 = (2N² − 1)/D; S11² + S21² + S31² = 1. Worked out
    # from the formula and confirmed with the circuit solver ngspice.
    16: (24.0993, 0.016948, 54.202),
    31: (29.8318, 0.004518, 65.680),
    32: (30.1072, 0.004240, 66.231),
    33: (30.3743, 0.003987, 66.765),
}
PAIRS = {"line": (0, 1), "coupled": (0, 2), "coupled-far": (1, 2)}


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


HALF_LINE_SECONDS = 0.03 / (0.7 * 299_792_458)
"""Of 30 mm of line with a velocity factor of 0.7: an assumed small box, no source. It changes no magnitude."""
SAMPLE_SECONDS = 0.2e-9
"""Of the winding's tail and connector, assumed as well."""


def lossless_unit(
    turns: int, points: int = 201, high_mhz: float = 100.0, half_line_seconds: float = HALF_LINE_SECONDS
) -> Network:
    """Return the closed form as a three-port of scikit-rf: line in, line out, sample; half of the unit's line on either side.

    A unit without any length could not be told from a thru in its place.
    """
    total = 2 * turns**2 + 1
    s = np.array(
        [
            [1, 2 * turns**2, 2 * turns],
            [2 * turns**2, 1, -2 * turns],
            [2 * turns, -2 * turns, 2 * turns**2 - 1],
        ]
    )
    frequency = Frequency(1, high_mhz, points, unit="mhz")
    turned = np.exp(-2j * np.pi * frequency.f[:, np.newaxis] * np.array([half_line_seconds, half_line_seconds, SAMPLE_SECONDS]))
    return Network(frequency=frequency, s=turned[:, :, np.newaxis] * s / total * turned[:, np.newaxis, :], z0=50)


def write_sweeps(folder: Path, unit: Network, form: str = "ri", unit_of_frequency: str = "hz") -> Path:
    """Write the unit's sweeps, every free port on an ideal load, as scikit-rf writes them."""
    folder.mkdir(exist_ok=True)
    for name, ports in PAIRS.items():
        write(folder, name, unit.subnetwork(list(ports)), form, unit_of_frequency)
    write(folder, "sample", unit.subnetwork([2]), form, unit_of_frequency)
    return folder


def write(folder: Path, name: str, network: Network, form: str = "ri", unit_of_frequency: str = "hz") -> None:
    network.frequency.unit = unit_of_frequency
    network.write_touchstone(str(folder / name), form=form)


def prove(program: Program, folder: Path, log: Path, *more: object) -> Said:
    return program("prove", "CL-0001", "--type", "hf30", "--from", folder, "--log", log, "--json", *more)


def refused(program: Program, folder: Path, log: Path, *words: str, kind: str = "file") -> dict[str, Any]:
    """Prove, expect one JSON error with all ``words`` in it, exit status 2 and nothing in the log; return the error."""
    said = prove(program, folder, log)
    assert said.status == 2, said.text
    error: dict[str, Any] = said.document["error"]
    assert error["kind"] == kind, error
    for word in words:
        assert word in f"{error['message']} {error['hint']}", error
    assert error["hint"]
    assert files_under(log) == []
    return error


# -- a proof's own files -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("paths", ["one-path", "two-path"])
def test_a_proofs_own_files_give_its_figures_again(paths: str, program: Program, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, paths=paths)
    words = ("prove", "CL-0001", "--type", "hf30", "--bench", bench, "--log", tmp_path / "log", "--json")
    first = program(*words, "--yes")
    assert first.status == 0
    (folder,) = (tmp_path / "log" / "proofs" / "CL-0001").iterdir()
    again = program(*words, "--from", folder)
    assert again.status == 0
    assert again.document["proof"] != first.document["proof"]
    for name, figure in first.document["figures"].items():
        assert again.document["figures"][name]["value"] == pytest.approx(figure["value"], abs=1e-9), name
        assert again.document["figures"][name]["decision"] == figure["decision"]
    for one, other in zip(again.document["coupling_at"], first.document["coupling_at"], strict=True):
        assert one["db"] == pytest.approx(other["db"], abs=1e-9)


def test_a_proof_from_a_stored_calibration_gives_its_figures_again_too(program: Program, tmp_path: Path) -> None:
    bench = write_bench(tmp_path)
    words = ("prove", "--type", "hf30", "--bench", bench, "--log", tmp_path / "log", "--json")
    program(*words, "CL-0001", "--yes")
    second = program(*words, "CL-0002", "--yes")
    (folder,) = (tmp_path / "log" / "proofs" / "CL-0002").iterdir()
    elsewhere = shutil.copytree(folder, tmp_path / "sent by mail")
    again = program(
        "prove", "CL-0002", "--type", "hf30", "--bench", bench, "--from", elsewhere, "--log", tmp_path / "b", "--json"
    )
    value = second.document["figures"]["coupling_db"]["value"]
    assert again.document["figures"]["coupling_db"]["value"] == pytest.approx(value, abs=1e-9)


def test_without_a_bench_the_answer_says_what_was_assumed(program: Program, tmp_path: Path) -> None:
    bench = write_bench(tmp_path)
    program("prove", "CL-0001", "--type", "hf30", "--bench", bench, "--log", tmp_path / "log", "--yes")
    (folder,) = (tmp_path / "log" / "proofs" / "CL-0001").iterdir()
    said = prove(program, folder, tmp_path / "other").document
    assert "load A taken as 30 dB or better" in said["how"]["unit"]
    assert "receiver match taken as 20 dB or better" in said["how"]["coupling_db"]
    assert said["bench"] is None


def test_a_calibration_of_another_grid_beside_the_sweeps_is_refused(program: Program, tmp_path: Path) -> None:
    bench = write_bench(tmp_path)
    words = ("prove", "CL-0001", "--type", "hf30", "--log", tmp_path / "log", "--bench")
    program(*words, bench, "--yes")
    (folder,) = (tmp_path / "log" / "proofs" / "CL-0001").iterdir()
    strange = shutil.copytree(folder, tmp_path / "strange")
    write_sweeps(strange, lossless_unit(32))
    said = program(*words, bench, "--from", strange, "--json")
    assert said.status == 2
    assert "107 points" in said.document["error"]["message"]
    assert "201 points" in said.document["error"]["message"]


# -- sweeps from elsewhere ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("turns", "form", "unit"),
    [*((turns, "ri", "hz") for turns in sorted(CLOSED_FORM)), (32, "ma", "ghz"), (32, "db", "ghz"), (32, "db", "khz")],
)
def test_sweeps_of_an_independent_network_give_the_closed_form(
    turns: int, form: str, unit: str, program: Program, tmp_path: Path
) -> None:
    coupling, insertion, match = CLOSED_FORM[turns]
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(turns), form, unit)
    assert form in (folder / "line.s2p").read_text().lower()
    said = prove(program, folder, tmp_path / "log")
    figures = said.document["figures"]
    # The table has four, six and three decimals; files in degrees and decibels carry at least ten digits.
    assert figures["coupling_db"]["value"] == pytest.approx(coupling, abs=6e-5)
    assert figures["insertion_loss_db"]["value"] == pytest.approx(insertion, abs=6e-7)
    assert figures["return_loss_db"]["value"] == pytest.approx(match, abs=6e-4)
    assert figures["flatness_db"]["value"] == pytest.approx(0, abs=1e-6)
    if turns >= 31:  # 30 ± 1 dB
        assert said.status == 0
    else:
        assert (said.status, said.document["decision"]) == (1, "does not conform")


def test_two_files_are_enough(program: Program, tmp_path: Path) -> None:
    """Into ideal loads and an ideal receiver, the two required sweeps show coupling and line match alone."""
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    (folder / "coupled-far.s2p").unlink()
    (folder / "sample.s1p").unlink()
    said = prove(program, folder, tmp_path / "log").document
    assert said["figures"]["coupling_db"]["value"] == pytest.approx(30.1072, abs=6e-5)
    assert "S32 was not measured" in said["how"]["unit"]


def test_files_of_another_name_are_left_aside_and_said_so(program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    shutil.copy(folder / "line.s2p", folder / "before-lunch.s2p")
    said = prove(program, folder, tmp_path / "log").document
    assert "before-lunch.s2p is left aside" in said["circumstances"]["note"]


# -- what is refused ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("file", ["coupled.s2p", "line.s2p"])
def test_a_missing_sweep_is_named_with_its_hook_up(file: str, program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    (folder / file).unlink()
    error = refused(program, folder, tmp_path / "log", file, "analyser 1 on line in")
    assert error["file"] == str(folder / file)


def test_no_folder_and_a_file_in_its_place_are_named(program: Program, tmp_path: Path) -> None:
    refused(program, tmp_path / "nowhere", tmp_path / "log", "is not there")
    (tmp_path / "a-file").write_text("x")
    refused(program, tmp_path / "a-file", tmp_path / "log", "is a file; a folder of sweeps is needed")


def test_different_grids_are_both_described(program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    write(folder, "coupled", lossless_unit(32, points=101).subnetwork([0, 2]))
    refused(program, folder, tmp_path / "log", "101 points", "201 points", "one grid", kind="data")


def test_a_band_that_is_not_covered_is_told_with_both_ranges(program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32, high_mhz=30))
    refused(program, folder, tmp_path / "log", "1 MHz to 30 MHz", "1.8 MHz to 54 MHz", kind="data")


@pytest.mark.parametrize("word", ["nan", "inf", "1e999"])
def test_what_is_no_number_is_named_with_its_line(word: str, program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    path = folder / "coupled.s2p"
    lines = path.read_text().splitlines()
    number = len(lines) - 5
    fields = lines[number - 1].split()
    fields[3] = word
    lines[number - 1] = " ".join(fields)
    path.write_text("\n".join(lines) + "\n")
    error = refused(program, folder, tmp_path / "log", word)
    assert (error["file"], error["line"]) == (str(path), number)


class Hostile:
    """Unpickling this makes a file."""

    def __init__(self, trace: Path) -> None:
        self.trace = trace

    def __reduce__(self) -> tuple[Any, ...]:
        return (open, (str(self.trace), "w"))


@pytest.mark.parametrize("name", ["line.s2p", "coupled-far.s2p", "sample.s1p"])
def test_a_pickle_in_place_of_a_sweep_executes_nothing(name: str, program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    trace = tmp_path / "executed"
    for protocol in (0, pickle.HIGHEST_PROTOCOL):
        data = pickle.dumps(Hostile(trace), protocol=protocol)
        (folder / name).write_bytes(data)
        refused(program, folder, tmp_path / "log", name)
        assert not trace.exists()
    pickle.loads(data).close()
    assert trace.exists()  # it would have, had anything read it as a pickle


def test_a_unit_that_gives_power_is_refused(program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    active = lossless_unit(32).subnetwork([0, 1])
    active.s[:, 1, 0] *= 1.5
    write(folder, "line", active)
    refused(program, folder, tmp_path / "log", "more power out than in", "line", kind="data")


def test_a_little_gain_is_a_check_that_fails_and_not_a_refusal(program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    active = lossless_unit(32).subnetwork([0, 1])
    active.s[:, 1, 0] *= 1.11  # 0.91 dB, more than the errors of the default class explain
    write(folder, "line", active)
    said = prove(program, folder, tmp_path / "log").document
    failed = {check["name"]: check["says"] for check in said["checks"] if not check["ok"]}
    assert "line" in failed["passive sweeps"]


def swapped(folder: Path, one: str, other: str) -> None:
    (folder / one).rename(folder / "third")
    (folder / other).rename(folder / one)
    (folder / "third").rename(folder / other)


def test_line_and_coupled_swapped_never_conform(program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    swapped(folder, "line.s2p", "coupled.s2p")
    failed = never_conforms(prove(program, folder, tmp_path / "log"))
    assert "coupled looks like a sweep of line: files swapped or renamed?" in failed["hook-up coupled"]
    assert "line looks like a sweep of coupled" in failed["hook-up line"]


def never_conforms(said: Said) -> dict[str, str]:
    """Return the checks that failed, by name, of sweeps that must not conform."""
    assert said.status in (1, 4), said.text
    return {check["name"]: check["says"] for check in said.document["checks"] if not check["ok"]}


def test_coupled_given_twice_is_noticed(program: Program, tmp_path: Path) -> None:
    """From line out the coupling has the other sign (S31 = −S32): the unit was not turned round."""
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    shutil.copy(folder / "coupled.s2p", folder / "coupled-far.s2p")
    failed = never_conforms(prove(program, folder, tmp_path / "log"))
    assert "was the unit turned round" in failed["both sides"]
    assert "coupled-far looks like a sweep of coupled" in failed["hook-up coupled-far"]


def test_a_doubt_about_a_hook_up_alone_leaves_the_unit_undecided_and_is_told(program: Program, tmp_path: Path) -> None:
    """A unit without any length: its line is a thru within 0.004 dB, and no figure or other check minds."""
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32, half_line_seconds=0.0))
    said = prove(program, folder, tmp_path / "log")
    assert said.status == 4
    assert said.document["decision"] == "undecided"
    assert {figure["decision"] for figure in said.document["figures"].values()} == {"conforms"}
    (failed,) = [check for check in said.document["checks"] if not check["ok"]]
    assert failed["name"] == "hook-up line"
    assert "the thru still joins the two cables" in failed["says"]
    told = program("show", "CL-0001", "--log", tmp_path / "log").out
    assert "! hook-up line:" in told


def test_line_and_coupled_far_swapped_are_noticed(program: Program, tmp_path: Path) -> None:
    folder = write_sweeps(tmp_path / "sweeps", lossless_unit(32))
    swapped(folder, "line.s2p", "coupled-far.s2p")
    failed = never_conforms(prove(program, folder, tmp_path / "log"))
    assert "coupled-far looks like a sweep of line" in failed["hook-up coupled-far"]


def test_the_unit_s_name_is_checked_before_anything_is_read(program: Program, tmp_path: Path) -> None:
    said = program("prove", "../x", "--type", "hf30", "--from", tmp_path / "nowhere", "--log", tmp_path / "log", "--json")
    assert said.status == 2
    assert "is not a name" in said.document["error"]["message"]
