"""A chosen reference is a record of its own: it survives a lost database, and goes where its proofs go. No outside source."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from harness.errors import FileError, StoreError, UsageError
from harness.files import ReferenceChoice, pending_reference, read_reference, save_reference
from harness.files.references import parse_reference
from harness.log import check_log, enter_pending, examine, open_log
from harness.log.choosing import choose_reference
from harness.log.exporting import chosen, export
from harness.log.importing import Imported, import_archive
from harness.log.unit_log import Log
from tests.batch_records import file_proof, unit_proof
from tests.records_for_files import tree

PROGRAM = "tapproof 0.1.0"


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path / "one") as opened:
        yield opened


@pytest.fixture
def other(tmp_path: Path) -> Iterator[Log]:
    with open_log(tmp_path / "two") as opened:
        yield opened


def fill(log: Log) -> None:
    for day, identity in enumerate(("first1", "second", "third3"), start=1):
        file_proof(log, unit_proof("CL-0001", identity, 30.1, day=day))
    file_proof(log, unit_proof("CL-0002", "other2", 30.1, day=9))


def choose(log: Log, identity: str, day: int, unit: str = "CL-0001") -> None:
    choose_reference(log.address.folder, log, unit, identity, when=f"2024-06-{day:02d}T10:00:00+02:00", program=PROGRAM)


def send(log: Log, other: Log, archive: Path) -> Imported:
    assert export(log, log.address.folder, archive, chosen(log, (), None), program=PROGRAM, made="x").left_out == ()
    return import_archive(other, other.address.folder, archive)


def test_the_latest_choice_counts_and_every_one_stays_on_disk(log: Log) -> None:
    fill(log)
    assert log.reference("CL-0001") is None
    choose(log, "second", 1)
    choose(log, "second", 2)  # the same again is no new choice
    choose(log, "third3", 3)
    assert log.references() == {"CL-0001": ("third3", "2024-06-03T10:00:00+02:00")}
    assert tree(log.address.folder / "references") == ["20240601T080000Z-second.json", "20240603T080000Z-third3.json"]
    with pytest.raises(UsageError, match="was chosen at 2024-06-03"):
        choose(log, "first1", 2)
    with pytest.raises(UsageError, match="has no proof 'other2'"):
        choose(log, "other2", 4)
    assert check_log(log.address.folder, log) == []
    log.withdraw("first1", "wrong load")
    with pytest.raises(UsageError, match="is withdrawn: wrong load"):
        choose(log, "first1", 4)


def test_a_lost_database_knows_the_latest_choice_again(log: Log, tmp_path: Path) -> None:
    fill(log)
    choose(log, "third3", 1)
    choose(log, "second", 2)
    log.close()
    for path in (tmp_path / "one").glob("log.sqlite*"):
        path.unlink()
    with open_log(tmp_path / "one") as again:
        assert examine(tmp_path / "one", again).wrong == ()
        assert again.reference("CL-0001") == "second"


def test_a_choice_cut_off_before_its_entry_is_entered_at_the_next_opening(log: Log) -> None:
    fill(log)
    root, choice = log.address.folder, ReferenceChoice(unit="CL-0001", proof="second", when="2024-06-01T10:00:00Z", program="p")
    with suppress(RuntimeError), pending_reference(root, choice.stem):
        save_reference(root, choice)
        raise RuntimeError
    with suppress(RuntimeError), pending_reference(root, "20240601T100000Z-third3"):
        raise RuntimeError  # before anything was filed
    assert enter_pending(root, log).problems == ()
    assert log.reference("CL-0001") == "second"
    assert tree(root / "pending") == []


def test_a_choice_goes_with_its_proofs_and_the_later_of_two_counts_on_both_sides(log: Log, other: Log, tmp_path: Path) -> None:
    fill(log)
    choose(log, "second", 1)
    first = send(log, other, tmp_path / "a.zip")
    assert (first.references, first.conflicts) == (["proof second is the reference of CL-0001, chosen 2024-06-01"], [])
    assert send(log, other, tmp_path / "b.zip").references == []
    choose(other, "third3", 2)
    assert send(log, other, tmp_path / "c.zip").references == []  # an earlier choice changes nothing
    back = send(other, log, tmp_path / "d.zip")
    assert back.references == ["proof third3 is the reference of CL-0001, chosen 2024-06-02; it was second"]
    assert log.references() == other.references() == {"CL-0001": ("third3", "2024-06-02T10:00:00+02:00")}
    assert check_log(other.address.folder, other) == []


def test_a_choice_that_only_the_database_knows_is_exported_too(log: Log, other: Log, tmp_path: Path) -> None:
    fill(log)
    choose(log, "second", 1)
    for path in (log.address.folder / "references").iterdir():
        path.unlink()
    send(log, other, tmp_path / "a.zip")
    assert other.references() == log.references()


def test_only_units_of_the_archive_bring_their_choice(log: Log, other: Log, tmp_path: Path) -> None:
    fill(log)
    choose(log, "second", 1)
    choose(log, "other2", 1, unit="CL-0002")
    ids = chosen(log, ("CL-0002",), None)
    export(log, log.address.folder, tmp_path / "a.zip", ids, program=PROGRAM, made="x")
    import_archive(other, other.address.folder, tmp_path / "a.zip")
    assert set(other.references()) == {"CL-0002"}


def test_damaged_choices_are_found(log: Log) -> None:
    fill(log)
    root = log.address.folder
    good = ReferenceChoice(unit="CL-0001", proof="second", when="2024-06-01T10:00:00Z", program="p")
    save_reference(root, good)
    save_reference(root, good)
    with pytest.raises(StoreError, match="nothing is written over"):
        save_reference(root, good.model_copy(update={"unit": "CL-0002"}))
    (root / "references" / "20240602T100000Z-second.json").write_text(good.model_dump_json())
    (root / "references" / "20240603T100000Z-gone.json").write_text("{")
    strange = good.model_copy(update={"proof": "nobody", "when": "2024-06-04T10:00:00Z", "unit": "CL-0009"})
    save_reference(root, strange)
    wrong = " ".join(examine(root, log).wrong)
    for said in (
        "is the choice 20240601T100000Z-second",
        "20240603T100000Z-gone.json is no choice",
        "CL-0009 has no proof 'nobody'",
    ):
        assert said in wrong
    assert log.reference("CL-0001") == "second"
    assert read_reference(root, good.stem) == good
    for change in ({"schema_version": 2}, {"when": "yesterday"}, {"proof": "../x"}, {"extra": 1}):
        with pytest.raises(FileError):
            parse_reference(json.dumps(good.model_dump() | change), "x")
