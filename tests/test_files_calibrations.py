"""Calibrations on disk. Expectations: the project's own rules, no outside source; SHA-256 through hashlib (FIPS 180-4)."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from harness.errors import StoreError
from harness.files import latest_calibration, list_calibrations, save_calibration
from tests.records_for_files import FOLDER, FullDisk, calibration, calibration_raw, tree

BENCH = "simulated-serial"


def test_a_calibration_comes_back_whole(tmp_path: Path) -> None:
    assert latest_calibration(tmp_path, BENCH) is None
    assert list_calibrations(tmp_path, BENCH) == []
    filed = save_calibration(tmp_path, calibration(), calibration_raw())
    folder = tmp_path / "calibrations" / BENCH / f"{FOLDER}-0123456789ab"
    assert tree(folder) == ["cal-open.s1p", "cal-thru.s2p", "calibration.json", "load-A.s1p"]
    assert filed.files["cal-thru"] == hashlib.sha256((folder / "cal-thru.s2p").read_bytes()).hexdigest()
    found = latest_calibration(tmp_path, BENCH)
    assert found is not None
    assert found[0] == filed
    assert set(found[1]) == set(calibration_raw())
    for name, wanted in calibration_raw().items():
        assert (found[1][name].name, found[1][name].ports) == (name, wanted.ports)
        for key in wanted.traces:
            np.testing.assert_array_equal(found[1][name].trace(key), wanted.trace(key))


def test_the_newest_is_by_time_and_not_by_offset_or_order_of_filing(tmp_path: Path) -> None:
    times = {"aaaa": "2024-05-04T10:00:00+02:00", "bbbb": "2024-05-04T09:30:00Z", "cccc": "2024-05-04T10:30:00+05:00"}
    for identity, made in times.items():
        save_calibration(tmp_path, calibration(identity, made=made), calibration_raw())
    found = latest_calibration(tmp_path, BENCH)
    assert found is not None
    assert found[0].id == "bbbb"
    # in UTC: aaaa 08:00, bbbb 09:30, cccc 05:30
    assert [record.id for record in list_calibrations(tmp_path, BENCH)] == ["bbbb", "aaaa", "cccc"]


def test_two_within_one_second_are_told_apart(tmp_path: Path) -> None:
    for identity, made in (("zzzz", "2024-05-04T10:11:12.100Z"), ("aaaa", "2024-05-04T10:11:12.900Z")):
        save_calibration(tmp_path, calibration(identity, made=made), calibration_raw())
    found = latest_calibration(tmp_path, BENCH)
    assert found is not None
    assert found[0].id == "aaaa"


def test_benches_do_not_see_each_others(tmp_path: Path) -> None:
    save_calibration(tmp_path, calibration(bench="one"), calibration_raw())
    assert latest_calibration(tmp_path, "two") is None
    # where a file system takes "ONE" for "one", both share a folder: the record decides
    (tmp_path / "calibrations" / "one").rename(tmp_path / "calibrations" / "ONE")
    assert latest_calibration(tmp_path, "ONE") is None
    assert list_calibrations(tmp_path, "ONE") == []


def test_filing_the_same_again_gives_the_same(tmp_path: Path) -> None:
    first = save_calibration(tmp_path, calibration(), calibration_raw())
    assert save_calibration(tmp_path, calibration(), calibration_raw()) == first
    assert len(list_calibrations(tmp_path, BENCH)) == 1


def test_other_sweeps_with_the_same_id_are_another_calibration(tmp_path: Path) -> None:
    save_calibration(tmp_path, calibration(), calibration_raw())
    second = save_calibration(tmp_path, calibration(), calibration_raw(shift=0.25))
    assert second.id == "0123456789abn2"
    assert save_calibration(tmp_path, calibration(), calibration_raw(shift=0.25)) == second
    assert save_calibration(tmp_path, calibration(), calibration_raw(shift=0.5)).id == "0123456789abn3"
    assert len(list_calibrations(tmp_path, BENCH)) == 3


@pytest.mark.parametrize("operations", range(5))
def test_a_disk_that_fills_up_leaves_no_calibration(tmp_path: Path, operations: int) -> None:
    old = save_calibration(tmp_path, calibration("aaaa", made="2024-05-03T10:00:00Z"), calibration_raw())
    before = tree(tmp_path)
    with pytest.raises(StoreError, match="no space left on device"):
        save_calibration(tmp_path, calibration(), calibration_raw(), FullDisk(operations))
    assert tree(tmp_path) == before
    found = latest_calibration(tmp_path, BENCH)
    assert found is not None
    assert found[0] == old


@pytest.mark.parametrize("damage", ["changed", "missing", "record", "no record"])
def test_a_damaged_newest_is_told_and_no_older_one_taken(tmp_path: Path, damage: str) -> None:
    save_calibration(tmp_path, calibration("aaaa", made="2024-05-03T10:00:00Z"), calibration_raw())
    save_calibration(tmp_path, calibration(), calibration_raw())
    folder = tmp_path / "calibrations" / BENCH / f"{FOLDER}-0123456789ab"
    if damage == "changed":
        path = folder / "cal-open.s1p"
        path.write_text(path.read_text() + "\n")
    elif damage == "missing":
        (folder / "cal-thru.s2p").unlink()
    elif damage == "record":
        (folder / "calibration.json").write_text("{}")
    else:
        (folder / "calibration.json").unlink()
    with pytest.raises(StoreError) as caught:
        latest_calibration(tmp_path, BENCH)
    assert "Calibrate again" in caught.value.hint
    # and calibrating again is a way out
    save_calibration(tmp_path, calibration("cccc", made="2024-05-05T10:00:00Z"), calibration_raw())
    found = latest_calibration(tmp_path, BENCH)
    assert found is not None
    assert found[0].id == "cccc"


def test_a_record_cannot_name_a_file_outside_its_folder(tmp_path: Path) -> None:
    save_calibration(tmp_path, calibration(), calibration_raw())
    folder = tmp_path / "calibrations" / BENCH / f"{FOLDER}-0123456789ab"
    (folder / "cal-open.s1p").rename(folder.parent / "cal-open.s1p")
    record = folder / "calibration.json"
    record.write_text(record.read_text().replace('"cal-open"', '"../cal-open"'))
    with pytest.raises(StoreError, match="has no sweep"):
        latest_calibration(tmp_path, BENCH)
