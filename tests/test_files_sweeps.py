"""The folder of sweeps that ``prove --from`` reads. Expectations: the table of names in the project's documents."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from harness.errors import FileError
from harness.files import read_sweep_file, read_sweep_folder
from harness.touchstone import write_sweep
from tests.records_for_files import FREQUENCY_HZ, sweep


def fill(folder: Path, *names: str) -> None:
    for name in names:
        one_port = name.lower().endswith("s1p")
        traces = ("s11",) if one_port else ("s11", "s21")
        (folder / name).write_text(write_sweep(sweep(name, *traces, ports=1 if one_port else 2)))


def test_required_and_optional_sweeps_are_read_by_name(tmp_path: Path) -> None:
    fill(tmp_path, "line.s2p", "coupled.s2p")
    assert set(read_sweep_folder(tmp_path)) == {"line", "coupled"}
    fill(tmp_path, "coupled-far.s2p", "sample.s1p")
    sweeps = read_sweep_folder(tmp_path)
    assert set(sweeps) == {"line", "coupled", "coupled-far", "sample"}
    assert (sweeps["sample"].name, sweeps["sample"].ports) == ("sample", 1)
    np.testing.assert_array_equal(sweeps["line"].trace("s21"), sweep("line", "s11", "s21").trace("s21"))
    np.testing.assert_array_equal(sweeps["line"].frequency_hz, FREQUENCY_HZ)


def test_files_that_are_left_aside_are_told(tmp_path: Path) -> None:
    fill(tmp_path, "line.s2p", "coupled.s2p")
    for name in ("unit.s3p", "other.s2p", "notes.txt"):
        (tmp_path / name).write_text("not read")
    said: list[str] = []
    assert set(read_sweep_folder(tmp_path, said.append)) == {"line", "coupled"}
    assert [line.split(" ")[0] for line in said] == ["other.s2p", "unit.s3p"]


def test_a_missing_sweep_is_told_with_what_it_must_hold(tmp_path: Path) -> None:
    fill(tmp_path, "line.s2p")
    with pytest.raises(FileError, match=r"has no coupled\.s2p; it must hold: analyser 1 on line in, analyser 2 on the sample"):
        read_sweep_folder(tmp_path)


@pytest.mark.parametrize(
    "near", ["Coupled.S2P", "COUPLED.s2p", "coupled.s1p", "coupled.S3P", "coupled.s2p.txt", "coupled.ts", "coupled.txt"]
)
def test_a_name_that_is_nearly_right_is_named(tmp_path: Path, near: str) -> None:
    fill(tmp_path, "line.s2p", near)
    with pytest.raises(FileError, match=r"has no coupled\.s2p") as caught:
        read_sweep_folder(tmp_path)
    assert near in caught.value.hint
    assert "name it coupled.s2p" in caught.value.hint


@pytest.mark.parametrize("near", ["Sample.S1P", "sample.s2p", "coupled_far.s2p", "Coupled-far.s2p"])
def test_an_optional_sweep_is_not_passed_over_for_its_spelling(tmp_path: Path, near: str) -> None:
    fill(tmp_path, "line.s2p", "coupled.s2p", near)
    with pytest.raises(FileError) as caught:
        read_sweep_folder(tmp_path)
    assert near in caught.value.hint


def test_a_folder_that_is_none_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="is not there"):
        read_sweep_folder(tmp_path / "none")
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="is a file; a folder of sweeps is needed"):
        read_sweep_folder(tmp_path / "file")
    with pytest.raises(FileError, match="cannot be read"):
        read_sweep_folder("nul\0byte")


def test_a_file_that_is_no_touchstone_names_itself(tmp_path: Path) -> None:
    path = tmp_path / "line.s2p"
    path.write_text("hello\n")
    with pytest.raises(FileError) as caught:
        read_sweep_file(path, "line", 2)
    assert caught.value.file == str(path)


def test_latin_1_in_a_comment_is_read(tmp_path: Path) -> None:
    # Touchstone data are ASCII (IBIS Open Forum, Touchstone 1.1); instruments write their comments in what they have.
    (tmp_path / "a.s1p").write_bytes("! 23 °C, 5 µs\n# Hz S RI R 50\n1e6 0.5 0\n2e6 0.4 0\n3e6 0.3 0\n".encode("latin-1"))
    found = read_sweep_file(tmp_path / "a.s1p", "a", 1)
    assert found.trace("s11")[2] == pytest.approx(0.3)
