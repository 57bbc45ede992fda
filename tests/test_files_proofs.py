"""Proof folders: whole or not at all. SHA-256 is checked against ``sha256sum``'s algorithm through hashlib (FIPS 180-4)."""

from __future__ import annotations

import hashlib
import json
import math
from pathlib import Path

import numpy as np
import pytest

from harness.errors import FileError, StoreError, UsageError
from harness.files import (
    Disk,
    filed_proof,
    partial_folders,
    proof_folders,
    read_proof,
    read_proof_sweeps,
    read_sweep_file,
    verify_folder,
    write_proof,
)
from tests.records_for_files import FOLDER, FullDisk, corrected, proof, raw, tree

TEXTS = {"transcript.txt": "> who\n< ACME\n", "sheet.html": "<p>Ω</p>\n"}


def file_one(root: Path, disk: Disk | None = None) -> Path:
    return write_proof(root, proof(), corrected(), raw(), TEXTS, disk)[1]


def test_a_proof_folder_holds_everything_with_its_checksum(tmp_path: Path) -> None:
    filed, folder = write_proof(tmp_path, proof(), corrected(), raw(), TEXTS)
    assert folder == tmp_path / "proofs" / "CL-0007" / f"{FOLDER}-ab12cd34ef56"
    assert tree(folder) == [
        "coupled.s2p",
        "line.s2p",
        "proof.json",
        "raw",
        "raw/cal-open.s1p",
        "raw/line-2.s2p",
        "raw/line.s2p",
        "sample.s1p",
        "sheet.html",
        "sweeps.npz",
        "transcript.txt",
        "unit.s3p",
    ]
    for name, digest in filed.files.items():
        assert digest == hashlib.sha256((folder / name).read_bytes()).hexdigest()
    assert set(filed.files) == set(tree(folder)) - {"raw", "proof.json"}
    assert read_proof(folder) == filed
    assert filed.model_copy(update={"files": {}}) == proof()
    assert json.loads((folder / "proof.json").read_text())["schema_version"] == 1
    assert verify_folder(folder) == []
    assert list(proof_folders(tmp_path)) == [folder]
    assert tree(tmp_path / "proofs" / "CL-0007")[0] == folder.name  # and no partial folder beside it


def test_the_sweeps_come_back_bit_for_bit(tmp_path: Path) -> None:
    folder = file_one(tmp_path)
    sweeps = read_proof_sweeps(folder)
    assert set(sweeps) == set(corrected())
    for name, wanted in corrected().items():
        assert set(sweeps[name].traces) == set(wanted.traces)
        for key in wanted.traces:
            np.testing.assert_array_equal(sweeps[name].trace(key), wanted.trace(key))
    again = read_sweep_file(folder / "raw" / "line-2.s2p", "line-2", 2)
    np.testing.assert_array_equal(again.trace("s21"), raw()["line-2"].trace("s21"))


def test_what_is_written_together_is_on_the_disk_at_the_end(tmp_path: Path) -> None:
    disk, folder = Disk(), tmp_path / "new"
    folder.mkdir()
    with disk.together():
        disk.write(folder / "one", b"1")
        disk.append(folder / "one", b"2")
        disk.write(folder / "partial", b"3")
        disk.move(folder / "partial", folder / "two")
        disk.sync(folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {"one": b"12", "two": b"3"}

    def lose() -> None:
        with disk.together():
            disk.write(folder / "gone", b"4")
            (folder / "gone").unlink()

    with pytest.raises(FileNotFoundError):
        lose()
    disk.write(folder / "after", b"5")  # as before: each for itself
    assert (folder / "after").read_bytes() == b"5"


@pytest.mark.parametrize("operations", range(12))
def test_a_disk_that_fills_up_leaves_nothing_behind(tmp_path: Path, operations: int) -> None:
    with pytest.raises(StoreError, match="no space left on device") as caught:
        file_one(tmp_path, FullDisk(operations))
    assert "Free some space" in caught.value.hint
    assert tree(tmp_path) in ([], ["proofs", "proofs/CL-0007"])
    assert list(proof_folders(tmp_path)) == []
    file_one(tmp_path)  # with room again the same proof is filed


def test_a_disk_with_just_enough_room_is_enough(tmp_path: Path) -> None:
    assert verify_folder(file_one(tmp_path, FullDisk(12))) == []  # 11 files and the final name


class Killed(Exception):
    """Stands for the end of the process: nothing after it runs, not even the tidying."""


class KilledDisk(FullDisk):
    """A disk whose process is killed before the folder gets its final name; the folder's tidying finds it out of reach."""

    def move(self, source: Path, target: Path) -> None:
        self.left_behind = source.with_name(".partial-left")
        super().move(source, self.left_behind)
        raise Killed


def test_a_killed_run_leaves_a_folder_that_nobody_takes_for_a_proof(tmp_path: Path) -> None:
    disk = KilledDisk(99)
    with pytest.raises(Killed):
        file_one(tmp_path, disk)
    assert list(proof_folders(tmp_path)) == []
    assert filed_proof(tmp_path, "CL-0007", "ab12cd34ef56") is None
    assert partial_folders(tmp_path) == [disk.left_behind]
    file_one(tmp_path)


def test_a_proof_is_never_written_over(tmp_path: Path) -> None:
    folder = file_one(tmp_path)
    before = (folder / "proof.json").read_bytes()
    with pytest.raises(StoreError, match="is there already"):
        write_proof(tmp_path, proof(coupling_db=29.0), corrected(), {}, {})
    assert (folder / "proof.json").read_bytes() == before
    assert filed_proof(tmp_path, "CL-0007", "ab12cd34ef56") == folder
    assert partial_folders(tmp_path) == []


def test_a_file_where_a_folder_is_needed_is_told(tmp_path: Path) -> None:
    (tmp_path / "proofs").write_text("in the way")
    with pytest.raises(StoreError, match="cannot write the folder") as caught:
        file_one(tmp_path)
    assert "A file stands where a folder is needed" in caught.value.hint
    with pytest.raises(StoreError, match="cannot read the folder"):
        list(proof_folders(tmp_path))


def test_a_value_that_would_not_read_back_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="would not read back"):
        write_proof(tmp_path, proof(coupling_db=math.inf), corrected(), {}, {})
    assert tree(tmp_path) == []


def test_a_note_that_is_no_unicode_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    one = proof()
    odd = one.model_copy(update={"circumstances": one.circumstances.model_copy(update={"note": "caf\udce9"})})
    with pytest.raises(StoreError, match="would not read back"):
        write_proof(tmp_path, odd, corrected(), {}, {})
    with pytest.raises(StoreError, match="cannot be written as UTF-8"):
        write_proof(tmp_path, one, corrected(), {}, {"transcript.txt": "\udce9"})
    assert tree(tmp_path) == []


@pytest.mark.parametrize("name", ["../x.txt", "proof.json", "line.s2p", "sweeps.npz", "raw", ".hidden", "a/b"])
def test_a_text_with_a_name_that_cannot_be_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(StoreError, match="name"):
        write_proof(tmp_path, proof(), corrected(), {}, {name: "x"})
    assert tree(tmp_path) == []


def test_a_unit_that_would_leave_the_log_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is not a name"):
        write_proof(tmp_path, proof(unit="../CL"), corrected(), {}, {})
    with pytest.raises(StoreError, match="is no id"):
        write_proof(tmp_path, proof(identity="../../x"), corrected(), {}, {})
    assert tree(tmp_path) == []


def test_a_unit_with_a_device_name_gets_a_folder(tmp_path: Path) -> None:
    folder = write_proof(tmp_path, proof(unit="con"), corrected(), {}, {})[1]
    assert folder.parent.name == "%63on"
    assert filed_proof(tmp_path, "con", "ab12cd34ef56") == folder


def test_every_single_damage_is_found(tmp_path: Path) -> None:
    folder = file_one(tmp_path)
    for name in read_proof(folder).files:
        path = folder / name
        good = path.read_bytes()
        path.write_bytes(good[:-1])
        assert verify_folder(folder) == [f"{name} was changed after it was filed: its SHA-256 is another"]
        path.unlink()
        assert verify_folder(folder) == [f"{name} is missing"]
        path.mkdir()
        assert len(verify_folder(folder)) == 1
        path.rmdir()
        path.symlink_to(folder / "proof.json")
        assert verify_folder(folder) == [f"{name} is a link to somewhere else"]
        path.unlink()
        path.write_bytes(good)
    assert verify_folder(folder) == []
    (folder / "raw" / "extra.s1p").write_text("")
    assert verify_folder(folder) == ["raw/extra.s1p is here, and the proof does not list it"]


def test_a_damaged_sweep_is_not_given_out(tmp_path: Path) -> None:
    folder = file_one(tmp_path)
    path = folder / "coupled.s2p"
    path.write_text(path.read_text().replace("1", "2", 1))
    with pytest.raises(FileError, match=r"coupled\.s2p was changed"):
        read_proof_sweeps(folder)


@pytest.mark.parametrize("name", ["../outside.txt", "a/../../outside.txt", "/etc/hostname", "", "C:x", "raw\\x"])
def test_a_record_that_lists_files_elsewhere_is_wrong(tmp_path: Path, name: str) -> None:
    folder = file_one(tmp_path)
    outside = folder.parent / "outside.txt"
    outside.write_text("x")
    record = json.loads((folder / "proof.json").read_text())
    record["files"][name] = hashlib.sha256(b"x").hexdigest()
    (folder / "proof.json").write_text(json.dumps(record))
    assert verify_folder(folder) == [f"{name!r} is not the name of a file in this folder"]


@pytest.mark.parametrize("text", ["", "{", "[]", '{"schema_version": 1}', '"x"', "\0"])
def test_a_record_that_is_none_is_told(tmp_path: Path, text: str) -> None:
    folder = file_one(tmp_path)
    (folder / "proof.json").write_text(text)
    assert len(verify_folder(folder)) == 1
    with pytest.raises(FileError, match="not a proof record"):
        read_proof(folder)
    (folder / "proof.json").unlink()
    with pytest.raises(FileError, match="is not there"):
        read_proof(folder)
